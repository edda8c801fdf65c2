"""What is told of a run's passes: which are left out, where some are missing, and how certain that is.

`kit.logs.inference` explains all passes of a run at once; here its answer becomes repairs, each with its reason. How
certain one is comes from the price of the best explanation without it, weighed around it: 1/(1 + e^−Δ).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from .inference import BOUNCE, Explanation, explain_passes, prices_without

__all__ = ["ALMOST_CERTAIN", "PROBABLE", "certainty_in_words", "propose_repairs"]

ALMOST_CERTAIN, PROBABLE = 0.99, 0.8  # posteriors
MOST_WEIGHED = 1000  # repairs weighed one by one; more than that nobody reads, and most stand alone
SETTLED = 0.9999  # of a lone oddity between gaps that are all alike
_SCATTERED = 0.3  # of the gaps after the first coasting one: so many that fit nothing are no spin


def certainty_in_words(probability: float) -> str:
    """Return 'almost certainly' (0.99 and more), 'probably' (0.8 and more) or 'perhaps'."""
    if probability >= ALMOST_CERTAIN:
        return "almost certainly"
    return "probably" if probability >= PROBABLE else "perhaps"


def propose_repairs(times_s: np.ndarray, flags_per_turn: int = 1) -> Iterator[tuple[str, int, int, str, float]]:
    """Kind, position, passes, reason and posterior of each repair, in order of time.

    times_s : (n,) strictly increasing pass times, s; the flags' angles may be unequal. Passes that look like no spin
    at all get no repairs.
    """
    found = explain_passes(times_s, flags_per_turn)
    coast = np.flatnonzero((found.extra == 0) & (found.steps > 0) & (found.way == 0))
    if len(coast) == 0:
        return
    after = found.way[coast[0] :]
    if len(after) > 8 and np.count_nonzero(after) > _SCATTERED * np.count_nonzero(found.extra[coast[0] :] == 0):
        return
    at = np.flatnonzero((found.extra > 0) | (found.steps > 1))
    missed = found.extra[at] == 0
    likely = np.full(len(at), SETTLED)
    weigh = np.flatnonzero(~found.lone[at])[:MOST_WEIGHED]
    if len(weigh):
        dearer = prices_without(times_s, found, at[weigh], missed[weigh], flags_per_turn)
        likely[weigh] = 1 / (1 + np.exp(-np.clip(dearer, 0, 50)))  # what was found is the likelier of the two
    usual = _usual_gaps(times_s, found, at)
    before = np.maximum.accumulate(np.where(found.extra == 0, np.arange(len(times_s)), 0))
    since_kept = times_s[at] - times_s[before[np.maximum(at - 1, 0)]]
    since_any = times_s[at] - times_s[np.maximum(at - 1, 0)]
    columns = (at, found.extra[at], found.steps[at] - 1, likely, since_kept, since_any, usual)
    for i, extra, passes, chance, gap, short, normal in zip(*(c.tolist() for c in columns), strict=True):
        sure = certainty_in_words(chance)
        if extra == 0:
            many = f"{passes} missed {'pass' if passes == 1 else 'passes'}"
            reason = f"a gap of {gap:.3g} s where about {normal:.3g} s is usual: {sure} room for {many}"
            yield "missed", i, passes, reason, chance
        elif extra == BOUNCE:
            reason = f"only {1000 * short:.1f} ms after the pass before: {sure} the same pass logged twice"
            yield "bounce", i, 1, reason, chance
        else:
            reason = (
                f"{gap:.3g} s after the flag passed, where about {normal:.3g} s is usual: "
                f"{sure} something else in the beam"
            )
            yield "foreign", i, 1, reason, chance


def _usual_gaps(times_s, found: Explanation, at) -> np.ndarray:
    """The usual gap (s) around passes `at`: the median of up to eight gaps, each by its steps."""
    kept = np.flatnonzero(found.extra == 0)
    pace = np.diff(times_s[kept]) / found.steps[kept[1:]]
    place = np.searchsorted(kept, at) - 1
    near = np.clip(place[:, None] + np.arange(-4, 5), 0, len(pace) - 1)
    return np.median(pace[near], axis=1) if len(at) else np.empty(0)
