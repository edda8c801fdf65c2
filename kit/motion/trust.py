"""The trust gate: reasons for which the count of one run may be wrong although a number comes out.

A curve can be drawn through anything. So each run's passes are put to seven tests, each of one thing that a coasting
rotor under a gate can't do by itself. A test that fails gives one sentence; the run is then *doubtful*. It still
counts: the person who saw the run decides. Each `_test` states its statistic and its limit.

The limits come from simulation (`tests/reference/faults`, fault "none": seven laws of slowing, six sets of flags,
once-a-turn friction and imbalance, five kinds of jitter up to an AR(1) of 0.7 and clocks of a third of the shortest
gap): together the tests find fault with less than 1 % of such clean runs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, inf, sqrt

import numpy as np

from ..logs.run import Run, examine_passes
from ..stats.least_squares import independent_share
from ..wording import number

__all__ = ["LawTest", "Trust", "law_holds", "law_test", "trust"]

_LEAST_PASSES = 9  # fewer leave nothing to test a curve by
_TELLING = 0.12  # of the speed, lost or won at once: less than that, drag that sets in does too
_SCATTER = 0.12  # of the shortest gap between flags
_STRAY, _STRAY_SDS = 0.2, 12.0  # of the gap there, and in robust standard deviations
_RISE, _RISE_SDS = 0.03, 6.0  # share of a turn's time, and standard deviations of the difference
_STEP_SCORE = 25.0  # how much better (AICc) a broken curve is than the best whole one
_STEP_SPEED, _STEP_ANGLE = 0.03, 0.04  # share of the speed; turns
_PATTERN = 0.03  # share of the mean gap
_REPAIRED = 0.12  # share of the passes
_LAW_RUN_P, _LAW_TABLE_SDS = 1e-4, 3.0
_BLOCKS = 400  # more rows than this are averaged in groups of whole turns
_PLACES = 150  # moments tried for a step
_BASES, _MORE_BASES = (4, 6, 8), (4, 6, 8, 12)
_MANY_PIECES, _STRETCHES = 8, (0.0, 4.0, 32.0)


@dataclass(frozen=True)
class Trust:
    """What speaks against one run's count: a sentence each, none if nothing does.

    >>> import kit
    >>> kit.Trust(("The speed rose by 20 % at 3.1 s.",)).doubt
    'The speed rose by 20 % at 3.1 s.'
    """

    doubts: tuple[str, ...] = ()

    @property
    def doubt(self) -> str:
        """All doubts as one text, empty if there are none."""
        return " ".join(self.doubts)

    def __bool__(self) -> bool:
        return not self.doubts


def trust(curve) -> Trust:
    """Put one run's speed curve to the tests of this module.

    Parameters
    ----------
    curve : a `SpeedCurve`. If it is not usable, nothing is tested: there are no figures to doubt.

    Returns
    -------
    `Trust` with the sentences, the most telling first. What the passes themselves tell (pushed again, braked, a
    clock that jumped: `kit.logs.coasting`) stands in where the curve shows no step.

    >>> import kit, numpy as np
    >>> n = np.arange(120)  # every turn takes 4 ms longer than the one before
    >>> kit.trust(*kit.speed_curves([kit.Run(0.2 * n + 0.002 * n**2)])).doubts
    ()
    """
    flags, steps, others = "", [], []
    if curve.usable and len(curve.times_s) >= _LEAST_PASSES + curve.run.flags_per_turn - 1:
        passes = _Residuals.of(curve)
        flags = _flags_test(curve)
        steps = [step for step in (_rise_test(passes), *_step_test(curve, passes)) if step]
        others = [_scatter_test(passes), _stray_test(passes), _repairs_test(curve.run)]
    said = [flags, *(steps or _told_by_the_passes(curve.run)), *others]
    return Trust(tuple(dict.fromkeys(sentence for sentence in said if sentence)))


def _told_by_the_passes(run: Run) -> list[str]:
    oddities = examine_passes(run).oddities
    return [odd.sentence for odd in oddities if odd.kind == "jump" or abs(odd.factor - 1) >= _TELLING]


@dataclass(frozen=True, eq=False)
class _Residuals:
    """Passes of one run and how far each is from the curve."""

    times_s: np.ndarray
    turns: np.ndarray
    flags: int
    period_s: np.ndarray
    late_s: np.ndarray  # residuals: logged minus expected time
    sd_s: float  # robust: 1.4826 × median absolute deviation
    tick_s: float  # smallest decimal step in which all times of the log are whole numbers

    @classmethod
    def of(cls, curve) -> _Residuals:
        times, late = curve.fitted
        at = np.searchsorted(curve.times_s, times)
        sd = 1.4826 * float(np.median(np.abs(late - np.median(late))))
        return cls(times, curve.turns[at], curve.run.flags_per_turn, curve.period_s[at], late, sd, _tick(times))

    @property
    def gap_s(self) -> np.ndarray:
        """(n,) expected gap between flags at each pass, the mean one within a turn."""
        return self.period_s / self.flags


def _tick(times_s) -> float:
    for digits in range(5):
        scaled = times_s * 10.0**digits
        if np.abs(scaled - np.rint(scaled)).max() < 1e-4:
            return 10.0**-digits
    return 0.0


def _scatter_test(p: _Residuals) -> str:
    """Residual scatter against the gate's resolution: s > max(0.12 of the shortest gap, 3 × tick/√12).

    A gate jitters by less than a hundredth of a gap and rounds by tick/√12 (rectangular, GUM 4.3.7); one whose scatter
    is an eighth of a gap can't be told from one that counts wrongly. People who tap along stay below it.
    """
    scatter = float(np.sqrt(np.mean(p.late_s**2)))
    if scatter <= max(_SCATTER * float(p.gap_s[0]), 3 * p.tick_s / sqrt(12)):
        return ""
    return (
        f"No smooth curve fits the passes: they scatter by {_seconds(scatter)} about it, "
        f"where the fastest pass follows the one before after {_seconds(float(p.gap_s[0]))}."
    )


def _stray_test(p: _Residuals) -> str:
    """A single pass far off: max |r| over 12 robust standard deviations and a fifth of the gap there."""
    off = np.abs(p.late_s)
    share = off / p.gap_s
    stray = np.flatnonzero((share > _STRAY) & (off > _STRAY_SDS * max(p.sd_s, p.tick_s / sqrt(12))))
    if stray.size == 0:
        return ""
    worst = int(stray[np.argmax(share[stray])])
    how = "late" if p.late_s[worst] > 0 else "early"
    return (
        f"The pass at {number(p.times_s[worst], 4)} s came {_seconds(float(off[worst]))} too {how} for a coasting "
        "rotor: something else may have passed the gate, or passes were missed."
    )


def _rise_test(p: _Residuals) -> str:
    """A speed-up within coasting, on whole turns of one flag, which an uneven rotor can't feign.

    P_i is the time of the turn that pass i begins. For a rise the three turns from one pass on must all be shorter, by
    3 %, than both turns before it, and their means must differ by 6 standard deviations of jitter, √(1/2 + 2/9) s,
    where s is the larger of the robust scatter of the passes about the curve, of the second differences of P (free of a
    curve) and of the clock's rounding.
    """
    f, t = p.flags, p.times_s
    if len(t) < 6 * f + 1 or not np.allclose(p.turns[f:] - p.turns[:-f], 1, atol=1e-6):
        return ""
    period = t[f:] - t[:-f]
    n = len(period) - 4 * f
    before = np.stack([period[:n], period[f : f + n]])
    after = np.stack([period[k * f : k * f + n] for k in (2, 3, 4)])
    bends = np.abs(period[2 * f :] - 2 * period[f:-f] + period[: -2 * f])
    sd = max(min(p.sd_s, float(np.median(bends)) / 3), p.tick_s / sqrt(12))
    gain = before.mean(axis=0) - after.mean(axis=0)
    rises = (after.max(axis=0) < (1 - _RISE) * before.min(axis=0)) & (gain > _RISE_SDS * sd)
    rises[:f] = False  # the push may last into the first turn
    if not rises.any():
        return ""
    at = int(np.argmax(np.where(rises, gain / before.mean(axis=0), 0)))
    by = before.mean(axis=0)[at] / after.mean(axis=0)[at] - 1
    return (
        f"It turned faster by {by:.0%} at {number(t[at + 2 * f], 4)} s: it was pushed again, or a count is wrong there."
    )


def _step_test(curve, p: _Residuals) -> list[str]:
    """Kinks: does a curve that breaks at one moment fit much better than the best whole one?

    To a smooth curve of few pieces two columns are added: a jump of the angle, and a jump of the speed, at one moment;
    about 150 moments are tried, by the sum of squares that the two columns take away. Score = f n ln(RSS of the best
    whole curve/RSS of the broken one) less the AICc price of the parameters, where f = (1 − ρ)/(1 + ρ) is the share
    of independent passes (Bayley & Hammersley 1946), ρ the lag-one correlation of the residuals. A curve whose slowing
    alone jumps (a string that comes off) counts as whole. Reported if the score is
    over 25 and the speed jumps by 3 %, or the angle by 0.04 turns.
    """
    found = _Broken.best_of(curve, p)
    if found is None or found.score <= _STEP_SCORE:
        return []
    when = f"at {number(found.time_s, 4)} s"
    if abs(found.speed) >= _STEP_SPEED and abs(found.speed) > found.angle_share:
        if found.speed > 0:
            return [
                f"Its speed rose by {found.speed:.0%} all at once {when}: it was pushed again, or a count is wrong."
            ]
        return [f"It lost {-found.speed:.0%} of its speed all at once {when}: something touched it."]
    if abs(found.angle) >= _STEP_ANGLE:
        how = "fewer" if found.angle < 0 else "more"
        return [
            f"{when.capitalize()} {number(abs(found.angle), 2)} turns {how} went by than were counted: passes were "
            "missed or too many, or the gate or the clock was moved."
        ]
    return []


@dataclass(frozen=True)
class _Broken:
    score: float
    time_s: float
    speed: float  # jump, share of the speed there
    angle: float  # jump, turns

    @property
    def angle_share(self) -> float:
        return abs(self.angle) / 4

    @classmethod
    def best_of(cls, curve, p: _Residuals) -> _Broken | None:
        """The break that pays most, over smooth curves of 4 to 12 columns: polynomials in stretched time.

        The stretch is that of the curve; where the curve needs many pieces, a break may have misled it, so others too.
        """
        n, spline = len(p.times_s), curve._best
        size = p.flags * max(ceil(n / p.flags / _BLOCKS), 1)
        if n // size < 10:
            size = 1
        starts = np.arange(0, n - size + 1, size)
        m = len(starts)
        if m < 10:
            return None
        weight = p.period_s / np.sqrt(size)

        def rows(columns):
            weighted = columns * (weight if columns.ndim == 1 else weight[:, None])
            return weighted if size == 1 else np.add.reduceat(weighted, starts, axis=0)

        s = spline.stretched(p.times_s)[0]
        angle = rows(spline.basis_values(p.times_s) - p.late_s / p.period_s)  # unequal flags are out of it
        best = float(p.late_s @ p.late_s)
        if size > 1:
            best = _left(rows(_design(s, spline.knots, spline.degree)), angle)
        floor = m * (4e-16 * abs(p.times_s[-1])) ** 2
        many_pieces = spline.complexity[1] >= _MANY_PIECES
        bases = [k for k in (_MORE_BASES if many_pieces else _BASES) if k + 4 < m]
        tried = np.unique(np.linspace(3, n - 2, min(_PLACES, n - 4)).round().astype(int))
        elapsed = p.times_s[:, None] - (p.times_s[tried] + p.times_s[tried - 1]) / 2
        after = elapsed > 0
        elapsed *= after
        jump, ramp, bend = rows(after), rows(elapsed), rows(elapsed * elapsed)
        pairs = ((jump, jump), (ramp, ramp), (jump, ramp), (bend, bend))
        whole = [np.einsum("ik,ik->k", a, b) for a, b in pairs]
        own = spline.coefficients.size
        smooth = m * np.log(max(best, floor)) + _price(own + 1, m)
        found = None
        for kappa in dict.fromkeys((spline.kappa, *(_STRETCHES if many_pieces else ()))):
            tau = replace(spline, kappa=kappa).stretched(p.times_s)[0]
            q = np.linalg.qr(rows(np.polynomial.chebyshev.chebvander(2 * tau - 1, bases[-1] - 1)))[0]
            on, on_jump, on_ramp, on_bend = q.T @ angle, q.T @ jump, q.T @ ramp, q.T @ bend
            on_pairs = ((on_jump, on_jump), (on_ramp, on_ramp), (on_jump, on_ramp), (on_bend, on_bend))
            rest = angle - q @ on
            of_rest = ((rest @ jump, on_jump), (rest @ ramp, on_ramp), (rest @ bend, on_bend))
            for many in bases:
                if many > own and found is not None:
                    continue
                # inner products of what the first `many` columns leave of each
                jj, rr, jr, bb = (
                    w - np.einsum("ik,ik->k", c[:many], d[:many]) for w, (c, d) in zip(whole, on_pairs, strict=True)
                )
                jy, ry, by = (part + on[many:] @ c[many:] for part, c in of_rest)
                square = float(rest @ rest + on[many:] @ on[many:])
                bent = square - float((by**2 / np.maximum(bb, 1e-300) * (bb > 1e-9 * whole[3])).max())
                bent = m * np.log(max(bent, floor)) + _price(many + 3, m)
                determinant = jj * rr - jr**2
                sound = determinant > 1e-9 * jj * rr
                determinant = np.where(sound, determinant, 1.0)
                by_jump, by_ramp = (rr * jy - jr * ry) / determinant, (jj * ry - jr * jy) / determinant
                k = int(np.argmax(np.where(sound, by_jump * jy + by_ramp * ry, 0.0)))
                broken = angle - by_jump[k] * jump[:, k] - by_ramp[k] * ramp[:, k]
                left = broken - q[:, :many] @ (q[:, :many].T @ broken)
                rss = max(float(left @ left), floor)
                share = independent_share(left, many + 2)
                score = share * (min(smooth, bent) - m * np.log(rss) - _price(many + 4, m))
                if found is None or score > found.score:
                    at = int(tried[k])
                    found = cls(
                        float(score), float(p.times_s[at]), float(by_ramp[k] * p.period_s[at]), float(by_jump[k])
                    )
        return found


def _design(s, knots, degree):
    from scipy.interpolate import BSpline

    return BSpline.design_matrix(s, knots, degree).toarray()


def _left(design, target) -> float:
    """Sum of squares that the columns leave of the target."""
    q = np.linalg.qr(design)[0]
    left = target - q @ (q.T @ target)
    return float(left @ left)


def _price(parameters: int, n: int) -> float:
    return 2 * parameters * n / max(n - parameters - 1, 1)


def _flags_test(curve) -> str:
    """The same flag early or late again and again: unequal flags that were counted as another number.

    For k = 2 … 12 the logarithms of the gaps, less their mean over the k gaps around, are averaged by their number
    modulo k. Reported is the k with the greatest F = (between classes)/(within), if F is over 20, the pattern is alike
    in both halves of the run (correlation over 0.8), and a class differs by 3 % of a gap. Patterns that repeat with the
    flags that the run is said to have are what unequal flags look like, and no fault.
    """
    run = curve.run
    first = np.searchsorted(run.pass_times_s, curve.times_s[0])
    best: tuple[float, int, float] | None = None
    logged = run.pass_times_s[first:]
    for times in (logged, curve.times_s) if len(logged) != len(curve.times_s) else (logged,):
        gaps = np.log(np.diff(times[:2000]))
        for k in range(2, 13):
            if run.flags_per_turn % k == 0 or len(gaps) < 5 * k:
                continue
            found = _pattern(gaps, k, run.flags_per_turn)
            if found is not None and (best is None or found[0] > 1.5 * best[0]):
                best = (found[0], k, found[1])
    if best is None:
        return ""
    _, k, size = best
    now = run.flags_per_turn
    return (
        f"The gaps between passes repeat a pattern every {k} passes, by {size:.0%}: "
        f"are there {k} flags a turn (now {now}), not at equal angles? Turn it by hand and count."
    )


def _pattern(gaps, k: int, flags: int) -> tuple[float, float] | None:
    """F and size of a pattern of period k, or None if it is not one."""
    total = np.cumsum(np.concatenate(([0.0], gaps)))
    mean = (total[k:] - total[:-k]) / k
    if k % 2 == 0:
        mean = (mean[1:] + mean[:-1]) / 2
    off = gaps[k // 2 : k // 2 + len(mean)] - mean
    turns = len(off) // k
    if turns < 4:
        return None
    if k % flags == 0:  # what the flags do that are known
        off = off - np.array([off[j::flags].mean() for j in range(flags)])[np.arange(len(off)) % flags]
    table = off[: turns * k].reshape(turns, k)
    usual = table.mean(axis=0)
    size = float(np.abs(usual).max())
    if size <= _PATTERN:
        return None
    halves = np.corrcoef(table[: turns // 2].mean(axis=0), table[turns // 2 :].mean(axis=0))[0, 1]
    within = float(((table - usual) ** 2).sum()) / ((turns - 1) * k)
    f = turns * float(usual @ usual) / (k - 1) / max(within, 1e-12)
    return (f, size) if f > 20 and halves > 0.8 else None


def _repairs_test(run: Run) -> str:
    """More than 12 % of the passes are repaired, and over three: then the repairs are a guess."""
    accepted = [repair for repair in run.repairs if repair.accepted]
    many = sum(repair.passes for repair in accepted)
    if many <= max(_REPAIRED * len(run.pass_times_s), 3):
        return ""
    return f"{many} passes were repaired in a log of {len(run.pass_times_s)}: look at the repairs, or measure again."


def _seconds(value: float) -> str:
    return f"{number(1e3 * value, 2)} ms" if value < 0.1 else f"{number(value, 2)} s"


# --- does a drag law hold for a run, and for all runs of a table?


@dataclass(frozen=True)
class LawTest:
    """What smooth structure the residuals of a drag law hold, beside their scatter."""

    chi2: float  # sum of squares of the structure in units of what scatter alone would give
    dof: int
    rest_dof: int  # degrees of freedom of that scatter; 0: too few passes for a test

    @property
    def p(self) -> float:
        """Chance of so much structure where the law holds (F test); NaN without a test."""
        from scipy.special import fdtrc

        return float(fdtrc(self.dof, self.rest_dof, self.chi2 / self.dof)) if self.rest_dof else float("nan")

    @property
    def sentence(self) -> str:
        """Why the law does not hold for this run; empty if nothing speaks against it."""
        if not self.p < _LAW_RUN_P:
            return ""
        return "The drag law does not follow this run: what is left of it is no scatter, but a curve of its own."


def law_test(curve, fit) -> LawTest:
    """Are the residuals of a drag law free of structure?

    They are projected on a spline of the fifth degree with up to two inner knots in the stretched time of the law-free
    curve: χ² = f · (its sum of squares)/s², with d = its columns less the law's free parameters, s² from what is left,
    and f = (1 − ρ)/(1 + ρ) for errors that last (`kit.stats.least_squares.independent_share`). Assumes a smooth misfit.

    Parameters
    ----------
    curve : the run's `SpeedCurve`. fit : its `DragFit`.
    """
    n, flags = len(fit.times_s), len(fit.flag_offsets_rad)
    free = n - flags
    degree, knots = (5, 2) if free >= 22 else (5, 0) if free >= 13 else (4, 0)
    columns = degree + 1 + knots
    rest_dof = n - columns - flags + 1
    dof = columns - 2 - sum(value > 0 for value in (fit.law.a, fit.law.b, fit.law.c))
    if rest_dof < 2 or dof < 1:
        return LawTest(0.0, 1, 0)
    s = np.clip(curve._best.stretched(fit.times_s)[0], 0, 1)
    s = (s - s[0]) / (s[-1] - s[0])
    grid = np.r_[np.zeros(degree + 1), np.arange(1, knots + 1) / (knots + 1), np.ones(degree + 1)]
    q = np.linalg.qr(_design(s, grid, degree))[0]
    along = q.T @ fit.residuals_s
    left = fit.residuals_s - q @ along
    rounding = n * (4e-16 * abs(fit.times_s[-1])) ** 2
    scatter = max(float(left @ left), rounding) / rest_dof
    return LawTest(float(along @ along) / scatter * independent_share(left, columns), dof, rest_dof)


def law_holds(tests: Sequence[LawTest | None]) -> bool:
    """Whether the drag law may be used for all runs of a table, given the tests of those that are not doubtful.

    Together: Σχ² of the runs may exceed its mean Σ d·r/(r − 2) by three standard deviations (r: rest degrees of
    freedom, up to which each run's F has a mean r/(r − 2)), and no run alone may fail at p = 0.0001. A law that is off
    by half a standard deviation in each of 21 runs is found out. None stands for a run without a fit.
    """
    known = [test for test in tests if test is not None and test.rest_dof > 4]
    if len(known) < len(tests) or not known:
        return False
    mean = sum(t.dof * t.rest_dof / (t.rest_dof - 2) for t in known)
    variance = sum(_f_variance(t) * t.dof**2 for t in known)
    return sum(t.chi2 for t in known) <= mean + _LAW_TABLE_SDS * sqrt(variance) and all(
        t.p >= _LAW_RUN_P for t in known
    )


def _f_variance(test: LawTest) -> float:
    """Variance of Fisher's F; for few degrees of freedom, where there is none, that of about 5."""
    d, r = test.dof, max(test.rest_dof, 5)
    return 2 * r**2 * (d + r - 2) / (d * (r - 2) ** 2 * (r - 4)) if r > 4 else inf
