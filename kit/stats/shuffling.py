"""Shuffled worlds: what a measured difference or slope would look like if the labels meant nothing.

All statistics here are of one form. Within each condition (stratum) c the scores a of the runs (which setting, or how
much of a quantity) are centred, and the slope of the values y on them, common to all conditions, is

    d = Σ_c Σ_i a_i·y_i / S,   S = Σ_c Σ_i a_i².

With scores 0 and 1 this is the mean difference, conditions weighted by n₁n₂/(n₁+n₂); with one run each per setting
it is the mean of paired differences; with ranks on both sides it is Spearman's ρ. A shuffled world hands the scores
of a condition round among its own runs (Fisher 1935, The Design of Experiments, section 21; Pitman 1937).
Assumption: under "no effect" the runs of one condition are exchangeable, so they must be separate runs.

Two settings with unequal numbers of runs whose scatter differs too are not exchangeable even where their means agree;
plain shuffling then cries wolf, up to five times as often as it says. So there each world's difference is held
against its own standard error (scatter pooled over conditions, setting by setting), as Welch's t does: a studentised
permutation test, exact where runs are exchangeable and right in the limit where only the means agree (Janssen 1997,
Stat. Probab. Lett. 36, 9; Chung & Romano 2013, Ann. Stat. 41, 484). With equal numbers that is the plain test.
That limit is far off with three to eight runs in a group: one that scatters eight times as much lets the test cry wolf
up to four times too often, and in groups of equal size up to twice. So wherever both settings have repeats p is never
below that of Welch's t (1947, Biometrika 34, 28), which holds its level there for normal scatter (simulated:
tests/unit/stats/test_shuffling.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import comb, factorial, isfinite, nan, prod

import numpy as np

from .. import wording
from .averages import t_factor

__all__ = [
    "EXACT_LIMIT",
    "SAMPLES",
    "Effect",
    "Shuffled",
    "arrangements",
    "as_percent",
    "common_effect",
    "deal",
    "is_studentised",
    "rank_correlation",
    "ranks",
    "shuffle",
    "signed",
    "slope",
    "slope_and_reach",
]

EXACT_LIMIT = 400_000  # up to here every arrangement is worked out; 9! = 362,880 still is

SAMPLES = 9_999  # else this many are drawn

_COARSE = 10_000  # so many worlds say roughly where an interval found by bisection ends

_TIE = 1e-9  # sums that differ by less than this part of the largest are the same sum


@dataclass(frozen=True, eq=False)
class Shuffled:
    """The measured slope and the slopes of all (or of many sampled) shuffled worlds."""

    measured: float
    worlds: np.ndarray  # (N,) slope of each shuffled world; the measured world is one of them when exact
    overlap: np.ndarray  # (N,) Σ a_shuffled·a / S: 1 for the measured arrangement, −1 for its mirror image
    exact: bool
    arrangements: int  # how many different arrangements there are
    variance: float = nan  # of the measured slope, if there are two settings with repeats
    freedom: float = nan  # Welch's degrees of freedom of that variance
    variances: np.ndarray | None = None  # (3, N) of each world's slope of y - δ·a: [0] - 2δ·[1] + δ²·[2]; None if plain

    @property
    def studentised(self) -> bool:
        """Whether worlds are compared by their slope over its own standard error, not by the slope alone."""
        return self.variances is not None

    @property
    def at_least(self) -> int:
        """How many worlds are at least as far from zero as the measured one, on either side."""
        if self.variances is not None:
            return self._as_far(0.0)
        return int(np.count_nonzero(np.abs(self.worlds) >= abs(self.measured) - self._tie))

    @property
    def p_value(self) -> float:
        """Two-sided: the share of worlds; with two settings that have repeats, the larger of that and Welch's."""
        return self.by_worlds if np.isnan(self.by_welch) else max(self.by_worlds, self.by_welch)

    @property
    def by_worlds(self) -> float:
        """Share k/N when every arrangement was worked out, else (k + 1)/(N + 1) (Phipson & Smyth 2010)."""
        return self._share(self.at_least)

    @property
    def by_welch(self) -> float:
        """Two-sided p of Welch's t for the measured world; NaN if a setting has no repeats."""
        from scipy.special import stdtr

        if not self.variance > 0:
            return self.variance  # NaN, or 0 where nothing scatters
        return float(2 * stdtr(self.freedom, -abs(self.measured) / np.sqrt(self.variance)))

    @property
    def smallest_p(self) -> float:
        """The smallest p there can be with these runs, however large the effect."""
        if not self.exact:
            return 1 / (self.worlds.size + 1)
        return np.count_nonzero(np.abs(self.overlap) > 1 - _TIE) / self.worlds.size

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """All effects δ that shuffling would not reject at 1 − confidence; ±inf where the runs are too few.

        If δ is the effect, y − δ·a carries none, and its worlds are d − δ·r, r the overlap. World (d, r) is at least
        as extreme as the measured one (D) exactly for δ between (D − d)/(1 − r) and (D + d)/(1 + r), so p(δ) is the
        share of these spans that reach δ and the limits are order statistics of their ends: no search is needed.
        Assumes that the effect adds the same amount (on the scale given) in every run. A studentised test is inverted
        by bisection. Welch's interval is held in either, as his p is in `p_value`.
        """
        low, high = self._plain_interval(confidence) if self.variances is None else self._by_bisection(1 - confidence)
        if np.isnan(self.variance) or not isfinite(high - low):
            return low, high
        reach = t_factor(self.freedom, confidence) * float(np.sqrt(self.variance)) if self.variance > 0 else 0.0
        return min(low, self.measured - reach), max(high, self.measured + reach)

    def _plain_interval(self, confidence: float) -> tuple[float, float]:
        with np.errstate(divide="ignore", invalid="ignore"):
            ends = np.stack(
                [
                    (self.measured - self.worlds) / (1 - self.overlap),
                    (self.measured + self.worlds) / (1 + self.overlap),
                ]
            )
        low, high = ends.min(axis=0), ends.max(axis=0)
        always = np.abs(self.overlap) > 1 - _TIE
        low[always], high[always] = -np.inf, np.inf
        n = low.size
        # the first limit at which fewer than this share of worlds still reach out
        allowed = (1 - confidence) * n if self.exact else (1 - confidence) * (n + 1) - 1
        k = int(np.floor(allowed + 1e-9))
        if k < 0 or k >= n:
            return -np.inf, np.inf
        return float(np.partition(low, k)[k]), float(np.partition(high, n - 1 - k)[n - 1 - k])

    def _as_far(self, effect: float, step: int = 1) -> int:
        """Of every `step`-th world: how many are as far from `effect` as the measured one, by their standard errors."""
        assert self.variances is not None
        constant, linear, square = self.variances[:, ::step]
        variance = constant + effect * (effect * square - 2 * linear)
        variance[variance < _TIE * constant.max(initial=0.0)] = 0.0  # rounding
        off = self.worlds[::step] - effect * self.overlap[::step]
        far = (self.measured - effect) ** 2 * variance
        return int(np.count_nonzero(off**2 * self.variance >= far * (1 - _TIE)))

    def _by_bisection(self, level: float) -> tuple[float, float]:
        if self.smallest_p > level:
            return -np.inf, np.inf
        step = max(1, self.worlds.size // _COARSE)

        def refused(effect, step=1):
            count, n = self._as_far(effect, step), -(-self.worlds.size // step)
            return (count / n if self.exact else (count + 1) / (n + 1)) <= level

        def limit(side):
            reach = max(float(np.sqrt(self.variance)), _TIE * abs(self.measured), np.finfo(float).tiny)
            while not refused(self.measured + side * reach, step):
                reach *= 2
                if not isfinite(reach):
                    return side * np.inf
            inside, outside = self.measured, self.measured + side * reach
            inside, outside = _bisected(lambda effect: refused(effect, step), inside, outside, 12 if step > 1 else 30)
            if step > 1:  # the rest with all worlds
                width = abs(outside - self.measured) / 50
                while refused(inside) and inside != self.measured:
                    inside = self.measured if (inside - self.measured) * side <= width else inside - side * width
                while not refused(outside):
                    outside += side * width
                inside, outside = _bisected(refused, inside, outside, 10)
            return float(inside)

        return limit(-1), limit(1)

    @property
    def _tie(self) -> float:
        return _TIE * max(abs(self.measured), float(np.abs(self.worlds).max(initial=0.0)))

    def _share(self, count: int) -> float:
        n = self.worlds.size
        return count / n if self.exact else (count + 1) / (n + 1)


def _bisected(refused, inside: float, outside: float, steps: int) -> tuple[float, float]:
    for _ in range(steps):
        middle = (inside + outside) / 2
        if refused(middle):
            outside = middle
        else:
            inside = middle
    return inside, outside


def arrangements(scores: Sequence[np.ndarray]) -> int:
    """In how many ways the scores can be handed round within their conditions.

    `scores`: one (n_c,) array a condition. Two different values give n!/(k!(n − k)!), more give n! (equal values
    among them are counted as if they differed, which leaves every share as it is).
    """
    return prod(_ways(np.asarray(a)) for a in scores)


def shuffle(
    scores: Sequence[np.ndarray],
    values: Sequence[np.ndarray],
    *,
    samples: int = SAMPLES,
    seed: int = 1,
    studentise: bool = False,
) -> Shuffled:
    """Work out the shuffled worlds of scores against values.

    Parameters
    ----------
    scores, values : one (n_c,) array a condition, in step. Not all scores of every condition may be equal.
    samples : how many worlds are drawn when there are more than `EXACT_LIMIT` arrangements.
    seed : makes the draw repeatable.
    studentise : of two settings with two repeats each at least: hold the result against Welch's t, and where they have
        unequal numbers of runs compare worlds by their own standard errors.
    """
    measured = slope(scores, values)
    centred = [a - a.mean() for a in map(_float, scores)]
    values = [v - v.mean() for v in map(_float, values)]  # centring costs nothing and keeps digits
    square = sum(float(a @ a) for a in centred)
    count = arrangements(scores)
    exact = count <= EXACT_LIMIT
    rng = np.random.default_rng(seed)
    worlds = overlap = np.zeros(1 if exact else samples)
    shares, equal = _shares_of_variance(scores, square) if studentise else (None, True)
    variances = None if equal else np.zeros((3, len(worlds)))
    variance = np.zeros(2)
    for a, v in zip(centred, values, strict=True):
        handed = _every(a) if exact else rng.permuted(np.tile(a, (samples, 1)), axis=1)
        if exact:
            worlds, overlap = (
                np.add.outer(worlds, handed @ v).ravel(),
                np.add.outer(overlap, handed @ a).ravel(),
            )
        else:
            worlds, overlap = worlds + handed @ v, overlap + handed @ a
        if shares is not None:
            variance += [_variances(a[None], a, v, share)[0, 0] for share in ((shares[0], 0.0), (0.0, shares[1]))]
        if variances is not None and shares is not None:
            more = _variances(handed, a, v, shares[:2])
            variances = (variances[:, :, None] + more[:, None]).reshape(3, -1) if exact else variances + more
    if shares is None:
        return Shuffled(measured, worlds / square, overlap / square, exact, count)
    total = float(variance.sum())
    freedom = total**2 / float((variance**2 / shares[2:]).sum()) if total > 0 else float(sum(shares[2:]))
    return Shuffled(measured, worlds / square, overlap / square, exact, count, total, freedom, variances)


def is_studentised(scores: Sequence[np.ndarray]) -> bool:
    """Whether `shuffle(..., studentise=True)` compares worlds by their own standard errors."""
    return not _shares_of_variance(scores, 1.0)[1]


def _shares_of_variance(scores: Sequence[np.ndarray], square: float):
    """By what the sums of squares within the lower and the higher setting enter the variance of the slope, and the
    degrees of freedom of each; and whether both have the same number of runs in every condition.

    The slope is Σ_c w_c (mean₁ - mean₀) with w_c = n₀n₁/(n₀+n₁)·(a₁-a₀)/S, so its variance is Σ_c w_c² (s₀²/n₀ +
    s₁²/n₁); s² of a setting is pooled over the conditions. None where that is not possible.
    """
    levels = np.unique(np.concatenate([np.unique(a) for a in scores]))
    if levels.size != 2:
        return None, True
    high = np.array([np.count_nonzero(a == levels[1]) for a in scores], float)
    low = np.array([len(a) for a in scores]) - high
    free = np.sum(low - 1), np.sum(high - 1)
    if min(free) < 2 or low.min() < 1 or high.min() < 1:
        return None, True
    weight = low * high / (low + high) * float(levels[1] - levels[0]) / square
    of_low, of_high = (float(np.sum(weight**2 / n) / f) for n, f in zip((low, high), free, strict=True))
    return (of_low, of_high, float(free[0]), float(free[1])), np.array_equal(low, high)


def _variances(handed: np.ndarray, a: np.ndarray, v: np.ndarray, shares: tuple[float, float]) -> np.ndarray:
    """(3, worlds) what one condition adds to the variances of `Shuffled`; a and v are centred."""
    is_high = (handed > 0).astype(float)
    n = is_high[0].sum()
    squares = np.stack([v * v, v * a, a * a], axis=1)
    in_high = is_high @ np.concatenate([squares, v[:, None], a[:, None]], axis=1)
    of_v, of_a = in_high[:, 3], in_high[:, 4]
    crossed = np.stack([of_v * of_v, of_v * of_a, of_a * of_a])
    sums = in_high[:, :3].T
    high = sums - crossed / n
    low = squares.sum(axis=0)[:, None] - sums - crossed / (len(a) - n)  # centred: sums of the two settings are opposite
    return shares[0] * low + shares[1] * high


def slope(scores: Sequence[np.ndarray], values: Sequence[np.ndarray]) -> float:
    """The common slope d of values on scores within conditions."""
    centred = [a - a.mean() for a in map(_float, scores)]
    products = (a @ (v - v.mean()) for a, v in zip(centred, map(_float, values), strict=True))
    return float(sum(products) / sum(a @ a for a in centred))


def deal(scores: Sequence[np.ndarray], rng: np.random.Generator) -> list[np.ndarray]:
    """One shuffled world: the scores of every condition handed round among its own runs."""
    return [rng.permutation(a) for a in scores]


def _float(values) -> np.ndarray:
    return np.asarray(values, dtype=float)


def _ways(a: np.ndarray) -> int:
    different, counts = np.unique(a, return_counts=True)
    if different.size == 1:
        return 1
    return comb(a.size, int(counts[0])) if different.size == 2 else factorial(a.size)


def _every(a: np.ndarray) -> np.ndarray:
    """Every arrangement of the scores, one a row: (ways, n)."""
    different, counts = np.unique(a, return_counts=True)
    if different.size == 1:
        return a[None, :]
    if different.size == 2:
        places = np.array(list(combinations(range(a.size), int(counts[0]))))
        rows = np.full((len(places), a.size), different[1])
        np.put_along_axis(rows, places, different[0], axis=1)
        return rows
    rows = a[:1][None, :]
    for next_score in a[1:]:  # put the next score at every place of every row so far
        rows = np.concatenate([np.insert(rows, place, next_score, axis=1) for place in range(rows.shape[1] + 1)])
    return rows


# --- how large an effect is, and how sure that is

LEVEL = 0.05  # a result that shuffled worlds reach less often than this is taken seriously


@dataclass(frozen=True)
class Effect:
    """Size of an effect with its 95 % interval."""

    value: float
    low: float
    high: float
    unit: str
    interval_by: str  # "shuffling", "Student's t" where the runs are too few for it, or that with drift taken out


def rank_correlation(scores, values, *, seed: int = 1) -> Shuffled:
    """Spearman's ρ within conditions: slope of ranks on ranks, scaled to lie between −1 and 1."""
    x, y = ranks(scores), ranks(values)
    raw = shuffle(x, y, seed=seed)
    spread_x, spread_y = (sum(np.sum((r - r.mean()) ** 2) for r in part) for part in (x, y))
    if spread_y == 0:
        return raw
    scale = float(np.sqrt(spread_x / spread_y))
    return replace(raw, measured=raw.measured * scale, worlds=raw.worlds * scale)


def ranks(values) -> list[np.ndarray]:
    """Ranks from 1 within each condition, equal values sharing their mean rank."""
    found = []
    for part in values:  # scipy.stats ranks too, but takes half a second and 40 MB to load
        _, place, equal = np.unique(part, return_inverse=True, return_counts=True)
        found.append((np.cumsum(equal) - (equal - 1) / 2)[place])
    return found


def common_effect(scores, values, unit: str, shuffled: Shuffled) -> Effect:
    """Common slope of values on scores within conditions, with a 95 % interval. `shuffled`: their shuffled worlds.

    Shuffling gives the interval without any assumption about the shape of the scatter. Where the runs are too few for
    95 %, Student's t gives it, for normal scatter of the same size in every condition.
    """
    low, high = shuffled.interval()
    if isfinite(low) and isfinite(high):
        return Effect(shuffled.measured, low, high, unit, "shuffling")
    slope, reach = slope_and_reach([scores], values)
    return Effect(shuffled.measured, slope - reach, slope + reach, unit, "Student's t")


def slope_and_reach(columns, values) -> tuple[float, float]:
    """First coefficient of a fit within conditions, and half its 95 % interval. `columns`: lists of (n_c,) arrays."""
    design = np.stack([np.concatenate([a - a.mean() for a in column]) for column in columns], axis=1)
    y = np.concatenate([v - v.mean() for v in values])
    dof = y.size - len(values) - design.shape[1]
    if np.linalg.matrix_rank(design, tol=1e-9 * np.abs(design).max()) < design.shape[1]:
        return nan, nan  # the columns cannot be told apart
    coefficients = np.linalg.lstsq(design, y, rcond=None)[0]
    if dof < 1:
        return float(coefficients[0]), float("inf")
    residual = y - design @ coefficients
    variance = np.linalg.inv(design.T @ design)[0, 0] * (residual @ residual) / dof
    return float(coefficients[0]), t_factor(dof) * float(np.sqrt(variance))


def as_percent(effect: Effect) -> Effect:
    """From a difference of logarithms to per cent."""
    value, low, high = (float(100 * np.expm1(v)) for v in (effect.value, effect.low, effect.high))
    return replace(effect, value=value, low=low, high=high)


def signed(value: float, unit: str) -> str:
    """A change with its sign and three digits: "+1.25 s", "−8.54 %"."""
    return f"{'+' if value > 0 else ''}{wording.number(value, 3)} {unit}".rstrip()
