"""A run: the times at which the flag passed the gate, and what had to be repaired in them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from html import escape
from itertools import pairwise
from operator import index as whole_number
from typing import SupportsIndex

import numpy as np

from ..errors import KitError
from ..wording import case_of, count_of, number
from .coasting import coasting_start
from .repairs import certainty_in_words, propose_repairs

__all__ = [
    "Repair",
    "Run",
    "accept",
    "coasting_start",
    "counted_passes",
    "find_repairs",
    "flag_angles",
    "refuse",
    "split",
    "split_proposal",
    "with_repairs",
]

LATEST_S = 1e12  # s, either way: thirty thousand years
SHORTEST_STEP_S = 1e-12  # no gate tells passes apart that come closer
MOST_FLAGS = 10_000  # more than any slotted disc has; a slip beyond it would cost the memory
NEW_PUSH = 1.3  # a coasting rotor never gets this much faster again
FEWEST_PASSES = 5  # in a run that is worth proposing


# "bounce": pass `index` is the same pass logged twice, and left out; "foreign": something else than a flag was in the
# beam at pass `index`, which is left out; "missed": `passes` passes are inferred before pass `index`.
KINDS = ("bounce", "foreign", "missed")


@dataclass(frozen=True)
class Repair:
    """One oddity found in a run's passes, and what is done about it unless it is refused.

    >>> import kit
    >>> run = kit.Run([0.0, 0.2, 0.4, 0.405, 0.61, 0.82, 1.03, 1.25, 1.47, 1.7]).repaired()
    >>> run.repairs[0].kind, run.repairs[0].index, run.repairs[0].accepted
    ('bounce', 3, True)
    >>> run.repairs[0].reason
    'only 5.0 ms after the pass before: almost certainly the same pass logged twice'
    """

    kind: str  # of KINDS
    index: int  # position in Run.pass_times_s
    time_s: float
    passes: int
    reason: str
    accepted: bool = True
    probability: float = 1.0  # of this repair against none, given all passes of the run

    @property
    def certainty(self) -> str:
        """In words: 'almost certainly', 'probably' or 'perhaps'."""
        return certainty_in_words(self.probability)


@dataclass(frozen=True, eq=False)
class Run:
    """One spin-down as the gate logged it. Times stand exactly as read; repairs are a list beside them.

    A run never changes: its methods return another one.

    Raises
    ------
    KitError : naming the position, if a time is not a number within ± 10¹² s or not later than the one before; if
        `flags_per_turn` or `trial` is not a whole number of at least 1; if a repair does not fit.

    >>> import kit
    >>> kit.Run([0.0, 0.2, 0.41, 0.63, 0.86], {"magnets": 3}, trial=2)
    Run(3 magnets, trial 2: 5 passes in 0.860 s)
    """

    pass_times_s: np.ndarray  # (n,) strictly increasing, s
    conditions: Mapping[str, float | str] = field(default_factory=dict)
    flags_per_turn: int = 1
    trial: int = 1
    source: str = ""
    repairs: tuple[Repair, ...] = ()
    set_aside: str = ""  # the reason; empty while the run counts
    sound: str = ""  # file name of a recording, if any
    note: str = ""
    order: int = 0  # place in the session, from 1; 0 where nobody noted it
    origin: str = ""  # how it was made, where runs of several origins stand together
    sound_start_s: float = 0.0  # when the recording begins, on the log's clock
    timing_u_s: float = 0.0  # standard uncertainty of a pass that its scatter can't show, such as of interpolated ones
    read_as: str = ""  # how the log was understood, in words

    def __post_init__(self):
        place = self.source or None
        set_field = object.__setattr__  # the way to fill a frozen dataclass
        set_field(self, "pass_times_s", _checked_times(self.pass_times_s, place))
        for name in ("flags_per_turn", "trial"):
            set_field(self, name, _at_least_one(getattr(self, name), name, place))
        set_field(self, "conditions", dict(self.conditions))
        set_field(self, "repairs", tuple(self.repairs))
        for repair in self.repairs:
            if repair.kind not in KINDS or not 0 < repair.index < len(self.pass_times_s):
                raise KitError("A repair does not fit this run", file=place, found=repair, fix="find the repairs again")

    def repaired(self) -> Run:
        """The same run with its repairs found and accepted; what was refused before stays refused.

        >>> import kit
        >>> kit.Run([0.0, 0.2, 0.4, 0.405, 0.61, 0.82, 1.03, 1.25, 1.47, 1.7]).repaired()
        Run(trial 1: 10 passes in 1.70 s, one bounce left out)
        """
        refused = {(r.kind, r.index) for r in self.repairs if not r.accepted}
        found = find_repairs(self.pass_times_s, self.flags_per_turn)
        repairs = tuple(replace(r, accepted=False) if (r.kind, r.index) in refused else r for r in found)
        return replace(self, repairs=repairs)

    def refusing(self, *indices: int) -> Run:
        """The same run with the repairs at these positions of `repairs` refused.

        Raises
        ------
        KitError : there is no repair at a position.

        >>> import kit
        >>> run = kit.Run([0.0, 0.2, 0.4, 0.405, 0.61, 0.82, 1.03, 1.25, 1.47, 1.7]).repaired()
        >>> run.refusing(0)
        Run(trial 1: 10 passes in 1.70 s, one repair refused)
        """
        return self._deciding(indices, accepted=False)

    def accepting(self, *indices: int) -> Run:
        """The same run with the repairs at these positions of `repairs` accepted (again).

        Raises
        ------
        KitError : there is no repair at a position.

        >>> import kit
        >>> run = kit.Run([0.0, 0.2, 0.4, 0.405, 0.61, 0.82, 1.03, 1.25, 1.47, 1.7]).repaired()
        >>> run.refusing(0).accepting(0)
        Run(trial 1: 10 passes in 1.70 s, one bounce left out)
        """
        return self._deciding(indices, accepted=True)

    def _deciding(self, indices: tuple[int, ...], accepted: bool) -> Run:
        repairs = list(self.repairs)
        for i in indices:
            if not 0 <= i < len(repairs):
                raise KitError(
                    f"There is no repair number {i}",
                    file=self.source or None,
                    fix=f"choose from 0 to {len(repairs) - 1}" if repairs else "this run has no repairs",
                )
            repairs[i] = replace(repairs[i], accepted=accepted)
        return replace(self, repairs=tuple(repairs))

    def split(self, indices: Iterable[int]) -> list[Run]:
        """The runs that begin at pass 0 and at each of these positions, numbered on as trials.

        Conditions and everything else stay. If the run had its repairs found, they are found again in each part (near
        a cut they can differ), and what was refused stays refused. `kit.split_proposal` says where to cut.

        Raises
        ------
        KitError : a cut that does not lie within the run.

        >>> import kit
        >>> kit.Run([0.0, 0.2, 0.4, 0.6, 9.0, 9.1, 9.2]).split([4])
        [Run(trial 1: 4 passes in 0.600 s), Run(trial 2: 3 passes in 0.200 s)]
        """
        n = len(self.pass_times_s)
        cuts = sorted(set(indices))
        if any(not 0 < i < n for i in cuts):
            raise KitError(
                "A cut must lie within the run",
                file=self.source or None,
                found=cuts,
                fix=f"choose from 1 to {n - 1}",
            )
        edges = [0, *cuts, n]
        runs = []
        for more, (a, b) in enumerate(pairwise(edges)):
            part = replace(
                self,
                pass_times_s=self.pass_times_s[a:b],
                repairs=tuple(replace(r, index=r.index - a) for r in self.repairs if a < r.index < b),
                trial=self.trial + more,
                source=f"{self.source}, part {more + 1}" if cuts else self.source,
            )
            runs.append(part.repaired() if self.repairs else part)
        return runs

    def __repr__(self) -> str:
        shown = [case_of(name, value) for name, value in self.conditions.items()]
        shown.append(f"trial {self.trial}")
        aside = f"; set aside: {self.set_aside}" if self.set_aside else ""
        return f"Run({', '.join(shown)}: {', '.join([self._length(), *self._done_about_it()])}{aside})"

    def _repr_html_(self) -> str:
        rows = {name: case_of(name, value) for name, value in self.conditions.items()}
        rows |= {"trial": str(self.trial), "passes": self._length()}
        if self.flags_per_turn > 1:
            rows["flags a turn"] = str(self.flags_per_turn)
        rows |= {"repairs": ", ".join(self._done_about_it()), "set aside": self.set_aside}
        rows |= {"note": self.note, "recording": self.sound, "from": self.source, "read as": self.read_as}
        cells = "".join(
            f'<tr><th scope="row" style="text-align: left">{escape(name)}</th>'
            f'<td style="text-align: left">{escape(text)}</td></tr>'
            for name, text in rows.items()
            if text
        )
        return f"<table>{cells}</table>"

    def _length(self) -> str:
        lasted_s = float(self.pass_times_s[-1] - self.pass_times_s[0])
        return f"{count_of(len(self.pass_times_s), 'pass', 'passes')} in {number(lasted_s, 3)} s"

    def _done_about_it(self) -> list[str]:
        """What was repaired, in a few words each."""
        accepted = [repair for repair in self.repairs if repair.accepted]
        bounces, foreign = (sum(repair.kind == kind for repair in accepted) for kind in ("bounce", "foreign"))
        missed = sum(repair.passes for repair in accepted if repair.kind == "missed")
        refused = len(self.repairs) - len(accepted)
        said = {
            f"{count_of(bounces, 'bounce')} left out": bounces,
            f"{count_of(foreign, 'foreign pass', 'foreign passes')} left out": foreign,
            f"{count_of(missed, 'missed pass', 'missed passes')} counted": missed,
            f"{count_of(refused, 'repair')} refused": refused,
        }
        return [words for words, many in said.items() if many]


def _checked_times(times: object, place: str | None) -> np.ndarray:
    try:
        times = np.array(times, dtype=np.float64)  # a copy: nobody can change it behind our back
    except (TypeError, ValueError) as error:
        raise KitError("Pass times must be numbers", file=place, found=str(error)) from error
    if times.ndim != 1 or len(times) == 0:
        raise KitError(
            "A run needs one list of pass times",
            file=place,
            found=f"an array of shape {times.shape}",
            fix="give the times of one run, at least one pass",
        )
    usable = np.abs(times) <= LATEST_S
    if not usable.all():
        at = int(np.argmin(usable))
        raise KitError(
            f"Pass {at + 1} has no usable time",
            file=place,
            found=float(times[at]),
            fix="mend or remove this pass",
        )
    steps = np.diff(times)
    later = steps >= SHORTEST_STEP_S
    if not later.all():
        at = int(np.argmin(later)) + 1
        raise KitError(
            f"Pass {at + 1} is not later than the pass before it",
            file=place,
            found=f"{times[at]!s} s after {times[at - 1]!s} s",
            fix="check whether the clock stepped back or two runs are in one list",
        )
    times.setflags(write=False)
    return times


def _at_least_one(value: SupportsIndex, name: str, place: str | None) -> int:
    try:
        number = whole_number(value)
    except TypeError:
        number = 0
    if number < 1:
        raise KitError(f"{name} must be a whole number of at least 1", file=place, found=value)
    if name == "flags_per_turn" and number > MOST_FLAGS:
        raise KitError(f"There can be at most {MOST_FLAGS:,} flags a turn", file=place, found=value, fix="count them")
    return number


def find_repairs(pass_times_s: np.ndarray, flags_per_turn: int = 1) -> tuple[Repair, ...]:
    """Passes of one run that are logged twice, foreign or missed, in order of time. Nothing is changed.

    How they are found is told in `kit.logs.inference`. Each is accepted if it is likelier than not.

    Parameters
    ----------
    pass_times_s : (n,) strictly increasing pass times, s.
    flags_per_turn : flags that pass the gate in one turn; their angles may be unequal.

    Raises
    ------
    KitError : times that make no run, or a number of flags that is not a whole number of at least 1.

    >>> import kit
    >>> found = kit.find_repairs([0.0, 0.2, 0.4, 0.6, 0.8, 1.2, 1.4, 1.61, 1.82, 2.03, 2.25])
    >>> [(repair.kind, repair.index, repair.passes) for repair in found]
    [('missed', 5, 1)]
    """
    times = _checked_times(pass_times_s, None)
    flags = _at_least_one(flags_per_turn, "flags_per_turn", None)
    return tuple(
        Repair(kind, i, float(times[i]), passes, reason, chance >= 0.5, chance)
        for kind, i, passes, reason, chance in propose_repairs(times, flags)
    )


def counted_passes(run: Run) -> tuple[np.ndarray, np.ndarray]:
    """Times of the kept passes, and the angle at each of them.

    Accepted bounces and foreign passes are left out; accepted missed passes add to the angle and get no time of their
    own. With several flags a turn, the angles between flags are those of `flag_angles`.

    Returns
    -------
    times_s : (k,) s, a part of `run.pass_times_s`, unchanged.
    turns : (k,) angle in turns from the first kept pass.
    """
    keep = np.ones(len(run.pass_times_s), dtype=bool)
    steps = np.ones(len(run.pass_times_s), dtype=np.int64)
    for repair in run.repairs:
        if not repair.accepted:
            continue
        if repair.kind != "missed":
            keep[repair.index] = False
            steps[repair.index] -= 1
        else:
            steps[repair.index] += repair.passes
    count = np.cumsum(steps)[keep]
    count -= count[0]
    times_s = run.pass_times_s[keep]
    angles = flag_angles(times_s, count, run.flags_per_turn)
    whole, flag = np.divmod(count, run.flags_per_turn)
    return times_s, whole + angles[flag]


def flag_angles(times_s: np.ndarray, count: np.ndarray, flags_per_turn: int) -> np.ndarray:
    """Where the flags stand, in turns after the first one, from the run itself.

    The times of flag 0 say how the angle grows (cubic spline, turn by turn); read off at the times of
    another flag it gives that flag's angle once a turn, and the median over the turns is taken. Equal
    angles are returned unless the medians differ from them by more than five standard errors (from the
    median absolute deviation, errors assumed independent from turn to turn) and 0.002 turns.

    Parameters
    ----------
    times_s : (n,) pass times, s.
    count : (n,) steps from flag to flag since the first pass, missed ones included.

    Returns
    -------
    (flags_per_turn,) increasing, the first is 0.
    """
    equal = np.arange(flags_per_turn) / flags_per_turn
    turn, flag = np.divmod(count, flags_per_turn)
    first = flag == 0
    if flags_per_turn == 1 or first.sum() < 5:
        return equal
    from scipy.interpolate import CubicSpline  # late: most runs have one flag

    angle_at = CubicSpline(times_s[first], turn[first])
    angles, differs = equal.copy(), False
    for j in range(1, flags_per_turn):
        here = (flag == j) & (times_s < times_s[first][-1])
        if here.sum() < 4:
            return equal
        each = angle_at(times_s[here]) - turn[here]
        angles[j] = np.median(each)
        error = 1.253 * 1.483 * np.median(np.abs(each - angles[j])) / np.sqrt(here.sum())
        differs |= abs(angles[j] - equal[j]) > max(5 * error, 0.002)
    return angles if differs and (np.diff(angles) > 0).all() and angles[-1] < 1 else equal


def split_proposal(run: Run) -> list[int]:
    """Where a run probably holds several: positions of the passes at which a new run begins.

    A coasting rotor only slows down. Wherever the speed, after falling, rises by more than 30 % for
    several passes, somebody pushed again; the cut is at the longest gap between the two. Nothing is cut
    here: the person looks, and confirms with `Run.split`.

    >>> import kit
    >>> first = [0.0, 0.2, 0.41, 0.63, 0.86, 1.1, 1.36, 1.66, 2.01]
    >>> run = kit.Run(first + [10 + time for time in first])
    >>> kit.split_proposal(run)
    [9]
    >>> len(run.split(kit.split_proposal(run)))
    2
    """
    clean = run if run.repairs else run.repaired()
    times, turns = counted_passes(clean)
    if len(times) < 2 * FEWEST_PASSES:
        return []
    raw = np.diff(times)
    gaps = raw / np.diff(turns)
    windows = np.lib.stride_tricks.sliding_window_view(gaps, 3)
    usual = np.concatenate((gaps[:1], np.median(windows, axis=1), gaps[-1:]))
    speed = (1 / np.maximum(gaps, usual)).tolist()

    cuts: list[int] = []
    rising, extreme, at = True, speed[0], 0
    for i, now in enumerate(speed):
        if (now > extreme) == rising:
            extreme, at = now, i
        elif rising and now < extreme / NEW_PUSH:
            rising, extreme, at = False, now, i
        elif not rising and now > extreme * NEW_PUSH:
            lowest = at
            rising, extreme, at = True, now, i
            near = range(max(0, lowest - 1), i + 1)
            cut = max(near, key=raw.__getitem__) + 1
            if cut - (cuts[-1] if cuts else 0) >= FEWEST_PASSES and len(times) - cut >= FEWEST_PASSES:
                cuts.append(cut)
    return np.searchsorted(run.pass_times_s, times[cuts]).tolist() if cuts else []


# --- the same as functions: one way to write a step that is applied to many runs --------------------------------------


def with_repairs(run: Run) -> Run:
    """`Run.repaired` as a function.

    >>> import kit
    >>> kit.with_repairs(kit.Run([0.0, 0.2, 0.4, 0.405, 0.61, 0.82, 1.03, 1.25, 1.47, 1.7]))
    Run(trial 1: 10 passes in 1.70 s, one bounce left out)
    """
    return run.repaired()


def refuse(run: Run, *indices: int) -> Run:
    """`Run.refusing` as a function.

    >>> import kit
    >>> run = kit.with_repairs(kit.Run([0.0, 0.2, 0.4, 0.405, 0.61, 0.82, 1.03, 1.25, 1.47, 1.7]))
    >>> kit.refuse(run, 0)
    Run(trial 1: 10 passes in 1.70 s, one repair refused)
    """
    return run.refusing(*indices)


def accept(run: Run, *indices: int) -> Run:
    """`Run.accepting` as a function.

    >>> import kit
    >>> run = kit.with_repairs(kit.Run([0.0, 0.2, 0.4, 0.405, 0.61, 0.82, 1.03, 1.25, 1.47, 1.7]))
    >>> kit.accept(kit.refuse(run, 0), 0)
    Run(trial 1: 10 passes in 1.70 s, one bounce left out)
    """
    return run.accepting(*indices)


def split(run: Run, indices: Iterable[int]) -> list[Run]:
    """`Run.split` as a function.

    >>> import kit
    >>> kit.split(kit.Run([0.0, 0.2, 0.4, 0.6, 9.0, 9.1, 9.2]), [4])
    [Run(trial 1: 4 passes in 0.600 s), Run(trial 2: 3 passes in 0.200 s)]
    """
    return run.split(indices)
