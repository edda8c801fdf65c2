"""One invented run in many dialects: what each file holds, and a judge for whatever reads them (README.md)."""

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

FOLDER = Path(__file__).parent
START_HZ, TAU_S, FIRST_PASS_S, TICK_S = 5.1, 5.5, 12.345680, 4e-6
ROW_KINDS = {"speed table", "counts"}  # tables of rows at a fixed step; everything else comes down to passes


def law_s(turns: np.ndarray) -> np.ndarray:
    """Time (s) after the first pass at which the invented wheel has made `turns` turns, in ticks of 4 µs.

    The speed falls as exp(-t/τ), so turns = fτ(1 − exp(−t/τ)), solved for t.
    """
    exact_s = -TAU_S * np.log(1 - np.asarray(turns, float) / (START_HZ * TAU_S))
    return np.round(exact_s / TICK_S) * TICK_S


def expected() -> pd.DataFrame:
    """The table expected.csv, one row a file, with `file` as index."""
    return pd.read_csv(FOLDER / "expected.csv", index_col="file", keep_default_na=False, na_values={"n": [""]})


def true_times_s(row: pd.Series) -> list[np.ndarray]:
    """Every list of times (s, from any zero) that is a right reading of the file of this row.

    A flag blocks the beam for a while. Its start, its end and the middle between are all honest passes, as long as it
    is one of them throughout.
    """
    if row["kind"] in ROW_KINDS:
        return [np.arange(int(row["n"])) * float(row["last_gap_s"])]
    turns = np.arange(int(row["n"])) / int(row["flags"])
    starts_s = law_s(turns)
    width = float(row["flag_width_turns"] or 0)
    if not width:
        return [starts_s]
    ends_s = law_s(turns + width)
    return [starts_s, ends_s, (starts_s + ends_s) / 2]


def same_gaps(times_s: np.ndarray, row: pd.Series) -> bool:
    """Whether the gaps of `times_s` are those of the file: within a millionth, plus the file's own resolution."""
    times_s = np.asarray(times_s, float)
    for true_s in true_times_s(row):
        gaps_s = np.diff(true_s)
        if len(times_s) == len(true_s) and np.all(
            np.abs(np.diff(times_s) - gaps_s) <= 1e-6 * gaps_s + 1.0001 * float(row["resolution_s"])
        ):
            return True
    return False


def asks(error: Exception) -> bool:
    """Whether a message asks for a decision: it holds a question mark, or names an argument to give (`unit=`)."""
    return bool(re.search(r"\?|\b\w+=", str(error)))


def judge(read: Callable[[Path], tuple[str, np.ndarray | list[np.ndarray]]]) -> pd.DataFrame:
    """What `read` makes of every file, beside what an expert would.

    `read(path)` returns (kind, times in s), or (kind, several arrays) where it found several runs, or raises an
    Exception whose message is for the user. The kind is `speed table`, `counts`, or any other word for passes.

    Returns a DataFrame with index `file` and the columns `set`, `truth`, `outcome`, `detail`. The outcome is

    - `right`: the table's own word: the same gaps where it says read, a question where it says ask (several runs kept
      apart will do, if one is the run), a refusal or a question where it says refuse;
    - `asked` or `refused`: the file was stopped in another way than the table's. A nuisance, no harm;
    - `misread`: numbers came out that are not the file's. This must never happen.
    """
    rows = []
    for file, row in expected().iterrows():
        truth = row["truth"]
        try:
            kind, times_s = read(FOLDER / str(file))
        except Exception as error:
            outcome = "asked" if asks(error) else "refused"
            if outcome.startswith(truth) or truth == "refuse":
                outcome = "right"
            detail = f"{type(error).__name__}: {error}"
        else:
            several = isinstance(times_s, list)
            found = [np.asarray(one, float) for one in (times_s if several else [times_s])]
            same_kind = (kind if kind in ROW_KINDS else None) == (row["kind"] if row["kind"] in ROW_KINDS else None)
            matches = same_kind and truth != "refuse" and any(same_gaps(one, row) for one in found)
            right = matches and (len(found) == 1 if truth == "read" else len(found) > 1)
            outcome = "right" if right else "misread"
            detail = f"{kind}: " + "; ".join(_in_short(one) for one in found)
        rows.append({"file": file, "set": row["set"], "truth": truth, "outcome": outcome, "detail": detail})
    return pd.DataFrame(rows).set_index("file")


def _in_short(times_s: np.ndarray) -> str:
    gaps_s = np.diff(times_s)
    ends = f", gaps {gaps_s[0]:.6g} to {gaps_s[-1]:.6g} s" if len(gaps_s) else ""
    return f"{len(times_s)} times{ends}"
