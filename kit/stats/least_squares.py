"""Least squares for the trend models: one engine for single fits, 10,000 bootstrap refits and intervals.

Everything works on a batch: R data sets of m condition means each. Means and weights are sufficient: the sum of
squares of the single trials is that of the means plus the spread within conditions, which no curve can change.
Arrays of parameters are (parameters, R), arrays of data (R, m).

1. `best_fit` compares the data with every curve in `Model.shapes` (one matrix product) and polishes from each
   that fits better than its neighbours. So no start is guessed, and a second valley is not overlooked.
2. `polish` is Levenberg-Marquardt with analytic gradients (Marquardt 1963, J. SIAM 11, 431): Gauss-Newton steps
   on scaled normal equations, shortened until the sum of squares falls, and Newton steps with the full second
   derivatives if that takes long. A shape parameter stops at the end of its region and stays there as long as the
   descent points outwards. Curves with a constant added are searched by their values at the ends (`by_ends`).
3. `profile` finds where the sum of squares, minimised over all other parameters, has risen by a given amount
   (Bates & Watts 1988, Nonlinear Regression Analysis, 6.1).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from .trend_models import Model, by_ends

__all__ = [
    "Fit",
    "Means",
    "aicc",
    "best_fit",
    "condition_means",
    "evidence_weights",
    "linearise",
    "profile",
]

PROFILE_GAP = 1e-6  # see Model.regions
SETTLED = 1e-22  # a step that can lower the sum of squares by this fraction only is the last one
ACCEPTED = 1e-12  # the same where the search ran out of steps or of digits
PARTS = 10  # of the shapes of a model with two of them
GAUSS_NEWTON_STEPS = 10  # a search that takes longer goes on with the full second derivatives
ROUNDING = 1e-15


@dataclass(frozen=True, eq=False)
class Means:
    """Condition means on the fitting scale: of ln y if `log`, else of y."""

    x: np.ndarray  # (m,) distinct conditions, rising
    y: np.ndarray  # (R, m)
    weight: np.ndarray  # (R, m) or (1, m): trials, or sums of 1/u²; zero leaves a condition out
    within: np.ndarray  # (R,) or (1,): weighted sum of squares within conditions
    log: bool

    def take(self, rows: np.ndarray) -> Means:
        """The data sets at these positions."""

        def pick(a):
            return a[rows] if len(a) > 1 else a

        return Means(self.x, self.y[rows], pick(self.weight), pick(self.within), self.log)

    @property
    def noise(self) -> np.ndarray:
        """(R,) sum of squares that rounding alone can make."""
        size = np.maximum(np.abs(self.y), 1.0) if self.log else np.abs(self.y)
        return ROUNDING**2 * np.sum(self.weight * size**2, axis=-1)


@dataclass(frozen=True, eq=False)
class Fit:
    """Best parameters of R data sets. `ss` is the sum of squares of the means alone."""

    theta: np.ndarray  # (parameters, R)
    ss: np.ndarray  # (R,)
    settled: np.ndarray  # (R,) bool
    at_end: np.ndarray  # (R,) int: -1 or 1 where the shape parameter stopped at an end of its region, else 0


def condition_means(x, z, weight, log: bool) -> tuple[Means, np.ndarray]:
    """Means of z (R, N) at equal x (N,), weights (N,) on the fitting scale; and each value's condition (N,)."""
    z = np.atleast_2d(z)
    distinct, condition = np.unique(x, return_inverse=True)
    member = np.equal.outer(condition, np.arange(len(distinct))).astype(float)
    total = weight @ member
    mean = (z * weight) @ member / total
    within = np.sum(weight * (z - mean[:, condition]) ** 2, axis=-1)
    return Means(distinct, mean, total[None], within, log), condition


def linearise(model: Model, x, theta, log: bool, used=None):
    """Curve (R, m) on the fitting scale and its gradient, a list of (R, m). theta (parameters, R).

    Where a curve to be logged is not above 0 the result is nan, except where `used` is False.
    """
    with np.errstate(all="ignore"):
        columns = theta[:, :, None]
        value, gradient = model.value(x, *columns), model.gradient(x, *columns)
        if not log:
            return value, list(gradient)
        if used is not None:
            value = np.where(used, value, 1.0)
        return np.log(value), [g / value for g in gradient]


def _sum_of_squares(model, means, theta, used):
    with np.errstate(all="ignore"):
        value = model.value(means.x, *theta[:, :, None])
        if means.log:
            value = np.log(value if used is None else np.where(used, value, 1.0))
        off = means.y - value
        ss = np.einsum("rm,rm->r", means.weight * off, off)
    return np.where(np.isfinite(ss), ss, np.inf)


def best_fit(model: Model, means: Means, near: np.ndarray | None = None) -> Fit:
    """Least squares for every data set: the lowest of all valleys, or with `near` (parameters,) the one close by.

    `near` is for refits of data simulated from a known curve; they stop within 1e-4 of a standard error.
    """
    rows = len(means.y)
    if near is None:
        row, start = _starts(model, means)
    else:
        row, start = np.arange(rows), np.repeat(np.asarray(near, float)[:, None], rows, axis=1)
    low, high = _region_ends(model, means.x, start)
    if model.shape_index is not None:  # a known curve may come from a wider range of x
        start[model.shape_index] = np.clip(start[model.shape_index], low, high)
    tolerance, damping = (SETTLED, 1e-3) if near is None else (1e-7, 1e-7)
    ends = by_ends(model, means.x, means.log)
    search, start = (ends.model, ends.from_natural(start)) if ends else (model, start)
    known = None
    if near is not None:
        start, known = _shared_step(search, means, start, low, high, means.log and ends is None)
    if len(row) > 2 * rows:  # many valleys: go on with those that are lowest after a few steps
        start, ss, _ = polish(search, means.take(row), start, low, high, most_steps=20)
        order = np.lexsort((ss, row))
        rank = np.arange(len(row)) - np.searchsorted(row[order], row[order])
        kept = np.sort(order[rank < 5])
        row, start, low, high = row[kept], start[:, kept], low[kept], high[kept]
    part = means if near is not None else means.take(row)
    theta, ss, settled = polish(search, part, start, low, high, tolerance=tolerance, damping=damping, ss=known)
    theta = ends.to_natural(theta) if ends else theta
    best = row  # one search a data set
    if near is None:
        order = np.lexsort((ss, row))
        best = order[np.unique(row[order], return_index=True)[1]]
    at_end, shape = np.zeros(rows, int), model.shape_index
    if shape is not None:
        at_end = (theta[shape, best] >= high[best]).astype(int) - (theta[shape, best] <= low[best])
    return Fit(theta[:, best], ss[best], settled[best], at_end)


def _shared_step(model, means, start, low, high, by_factors):
    """One Gauss-Newton step for all data sets: as they begin at one curve, their steps are one matrix product.

    Heights go by factors on the log scale (`by_factors`), where a curve without a constant is then at its best
    already. Data sets that lie no better than before, or have weights of their own, stay where they were. Returns
    parameters and sums of squares, None where these are not known.
    """
    if len(means.weight) > 1 or np.any(means.weight == 0):
        return start, None
    curve, gradient = linearise(model, means.x, start[:, :1], means.log)
    root = np.sqrt(means.weight[0])
    jacobian = np.stack([np.broadcast_to(g, curve.shape)[0] for g in gradient], axis=1) * root[:, None]
    size = np.linalg.norm(jacobian, axis=0)
    if not np.all(np.isfinite(jacobian)) or np.any(size == 0):
        return start, None
    step = (np.linalg.pinv(jacobian / size) / size[:, None]) @ ((means.y - curve) * root).T  # (parameters, R)
    moved, by_factor = start + step, model.is_height & by_factors
    with np.errstate(all="ignore"):  # a step too far is not better
        moved[by_factor] = start[by_factor] * np.exp(step[by_factor] / start[by_factor])
    if model.shape_index is not None:
        moved[model.shape_index] = np.clip(moved[model.shape_index], low, high)
    before, after = (_sum_of_squares(model, means, theta, None) for theta in (start[:, :1], moved))
    return np.where(after < before, moved, start), np.minimum(before, after)


def _starts(model, means):
    """Every valley of the sum of squares over the shapes: data set (S,) and parameters (parameters, S) of each."""
    shapes = model.shapes(means.x, means.log)
    shapes = shapes.reshape(len(shapes), shapes.shape[1], -1)  # (parameters, shapes, curves of one shape)
    flat = shapes.reshape(len(shapes), -1)
    with np.errstate(all="ignore"):
        curve = model.value(means.x, *flat[:, :, None])  # (curves, m)
        if means.log:
            curve = np.log(curve)
    weight, total = means.weight, means.weight.sum(-1, keepdims=True)
    y_mean, curve_mean = np.zeros((len(means.y), 1)), np.zeros((len(weight), len(curve)))
    if means.log or model.offset:  # the height, or the constant, is a free shift
        y_mean = (weight * means.y).sum(-1, keepdims=True) / total
        curve_mean = weight @ curve.T / total
    cross = (weight * (means.y - y_mean)) @ curve.T  # (R, curves)
    square = weight @ (curve**2).T - total * curve_mean**2
    with np.errstate(all="ignore"):
        factor = np.nan_to_num(cross / square, posinf=0, neginf=0)
    gain = 2 * cross - square if means.log else factor * cross  # how far the sum of squares falls
    gain = np.where(np.isfinite(gain), gain, -np.inf).reshape(len(gain), *shapes.shape[1:])
    best_curve = np.argmax(gain, axis=2)  # (R, shapes)
    gain = np.take_along_axis(gain, best_curve[:, :, None], 2)[:, :, 0]
    beyond = np.full((len(gain), 1), -np.inf)
    valley = (gain >= np.hstack([beyond, gain[:, :-1]])) & (gain > np.hstack([gain[:, 1:], beyond]))
    if shapes.shape[2] > 1:  # a net in two directions is coarser than a valley may be: one start in every part of it
        for part in np.array_split(np.arange(gain.shape[1]), PARTS):
            valley[np.arange(len(gain)), part[np.argmax(gain[:, part], axis=1)]] = True
    row, peak = np.nonzero(valley)
    column = peak * shapes.shape[2] + best_curve[row, peak]
    theta, factor = flat[:, column], factor[row, column]
    shift = y_mean[row, 0] - np.broadcast_to(curve_mean, cross.shape)[row, column] * (1 if means.log else factor)
    theta[model.is_height] *= np.exp(shift) if means.log else factor
    if model.offset and not means.log:
        theta[model.parameters.index(model.offset)] += shift
    return row, theta


def _region_ends(model, x, theta, gap=0.0):
    """(R,) lowest and highest value of the shape parameter; of the region each is in, if a gap divides them."""
    rows = theta.shape[1]
    low, high = np.full(rows, -np.inf), np.full(rows, np.inf)
    regions = model.regions(x, gap) if model.regions else ()
    for region in regions:
        inside = (theta[model.shape_index] >= region.low) & (theta[model.shape_index] <= region.high)
        inside |= len(regions) == 1
        low[inside], high[inside] = region.low, region.high
    return low, high


def polish(model, means, theta, low, high, held=None, most_steps=120, tolerance=SETTLED, damping=1e-3, ss=None):
    """Levenberg-Marquardt from theta (parameters, R). `held` (parameters, R) bool marks parameters kept fixed.

    low, high : (R,) ends of the shape parameter; ss : (R,) sums of squares at theta, if known. Returns theta, sum of
    squares (inf where the start has no value on the fitting scale) and whether the search settled.
    """
    theta, shape = theta.copy(), model.shape_index
    rows = theta.shape[1]
    held = np.zeros(theta.shape, bool) if held is None else held
    used = None if np.all(means.weight > 0) else np.broadcast_to(means.weight > 0, means.y.shape)
    ss = _sum_of_squares(model, means, theta, used) if ss is None else ss
    within, noise = np.broadcast_to(means.within, rows), np.broadcast_to(means.noise, rows)
    damping, settled = np.full(rows, damping), np.zeros(rows, bool)
    active = np.flatnonzero(np.isfinite(ss))
    for count in range(most_steps):
        if not len(active):
            break
        part, at, now = means if len(active) == rows else means.take(active), theta[:, active], ss[active]
        in_use = None if used is None else used[active]
        gradient, curvature = _slope_and_curvature(model, part, at, in_use)
        scale = np.sqrt(np.einsum("iir->ir", curvature))
        scale[~(scale > 0)] = 1.0
        if count >= GAUSS_NEWTON_STEPS:
            curvature = _full_curvature(model, part, at, in_use, gradient, np.sqrt(now + noise[active]) / scale)
        free = ~held[:, active]
        if shape is not None:
            free[shape] &= np.where(gradient[shape] > 0, at[shape] < high[active], at[shape] > low[active])
        gradient = np.where(free, gradient, 0)
        step = _damped_step(curvature, gradient, scale, free, damping[active])
        if shape is not None:  # as far as the end of the region, no further
            ahead = np.where(step[shape] > 0, high[active], low[active]) - at[shape]
            over = np.abs(step[shape]) > np.abs(ahead)
            step *= np.where(over, ahead / np.where(over, step[shape], 1), 1)
        trial = at + step
        if model.steep:  # A·x^p = const is a bent valley in A and p, a straight one in ln A and p
            height = model.parameters.index(model.heights[0])
            with np.errstate(all="ignore"):
                trial[height] = at[height] * np.exp(np.clip(np.nan_to_num(step[height] / at[height]), -5, 5))
        if shape is not None:
            trial[shape] = np.clip(trial[shape], low[active], high[active])
        trial_ss = _sum_of_squares(model, part, trial, in_use)
        downhill = np.sum(gradient * step, axis=0)
        drop = downhill + damping[active] * np.sum((scale * step) ** 2, axis=0)  # by the quadratic model
        total = now + within[active]
        with np.errstate(all="ignore"):
            gain = np.where(drop > 1e-10 * total, (now - trial_ss) / drop, 1.0)  # else it is lost in rounding
        # Close to the minimum the step is more exact than the sums of squares: equal ones count as better.
        better = (trial_ss <= now * (1 + 1e-13) + noise[active]) & (downhill >= 0)
        theta[:, active[better]], ss[active[better]] = trial[:, better], trial_ss[better]
        small = downhill * (1 + damping[active]) <= np.maximum(tolerance * total, noise[active])
        damping[active] *= np.where(better, np.where(gain > 0.75, 0.1, np.where(gain < 0.25, 4, 1)), 8)
        # Some valleys are so narrow that rounding stops the search a little earlier: good enough, too.
        enough = np.maximum(ACCEPTED * total, 1e4 * noise[active])
        settled[active] = (downhill >= 0) & (downhill * (1 + damping[active]) <= enough)
        done = small & (downhill >= 0) & (damping[active] <= 1e-6)
        active = active[~done & (damping[active] < 1e12)]
    return theta, ss, settled


def _slope_and_curvature(model, means, theta, used):
    """JᵀW(y − curve), (parameters, R), and JᵀWJ, (parameters, parameters, R)."""
    value, jacobian = linearise(model, means.x, theta, means.log, used)
    weighted = means.weight * (means.y - value)
    gradient = np.array([np.einsum("rm,rm->r", weighted, g) for g in jacobian])
    curvature = np.empty((len(theta), *gradient.shape))
    for i, left in enumerate(jacobian):
        left = means.weight * left
        for j in range(i, len(jacobian)):
            curvature[i, j] = curvature[j, i] = np.einsum("rm,rm->r", left, jacobian[j])
    return gradient, curvature


def _full_curvature(model, means, theta, used, gradient, size):
    """Half the second derivatives of the sum of squares, by differences over 1e-4 of a standard error or so."""
    columns = []
    for i in range(len(theta)):
        moved = theta.copy()
        moved[i] += 1e-4 * size[i]
        change = moved[i] - theta[i]
        slope = _slope_and_curvature(model, means, moved, used)[0]
        columns.append((gradient - slope) / np.where(change == 0, np.inf, change))
    full = np.array(columns)
    return (full + full.transpose(1, 0, 2)) / 2


def _damped_step(curvature, gradient, scale, free, damping):
    """Solve (curvature + damping · scale²) step = gradient over the free parameters, scaled to a unit diagonal."""
    count = len(gradient)
    matrix = curvature / (scale[:, None] * scale[None])
    matrix *= free[:, None] & free[None]
    for i in range(count):
        matrix[i, i] = np.where(free[i], matrix[i, i] + damping, 1.0)
    right = gradient / scale
    with np.errstate(all="ignore"):
        for i in range(count):  # Gaussian elimination; where it fails the step is refused and damping grows
            for j in range(i + 1, count):
                factor = matrix[j, i] / matrix[i, i]
                matrix[j] -= factor * matrix[i]
                right[j] -= factor * right[i]
        step = np.zeros_like(right)
        for i in reversed(range(count)):
            rest = sum((matrix[i, j] * step[j] for j in range(i + 1, count)), np.zeros_like(right[i]))
            step[i] = (right[i] - rest) / matrix[i, i]
        step /= scale
    return np.where(np.isfinite(step), step, 0)


def profile(model: Model, means: Means, fit: Fit, half_width: np.ndarray, rise: np.ndarray):
    """Limits (low, high), each (parameters, R): where the profiled sum of squares is `rise` (R,) above its minimum.

    half_width (parameters, R), from linear theory, only sets the size of the first step. A limit that is not
    found within the regions of the shape parameter is infinite.
    """
    rows, shape = fit.theta.shape[1], model.shape_index
    low, high = np.empty(fit.theta.shape), np.empty(fit.theta.shape)
    ends = by_ends(model, means.x, means.log)
    natural = [i for i in range(len(fit.theta)) if not (ends and i == shape)]
    for search, theta, which, target in (
        (model, fit.theta, natural, natural),
        *([(ends.model, ends.from_natural(fit.theta), [2], [shape])] if ends and shape is not None else []),
    ):
        held = np.repeat(which, 2 * rows)
        sign = np.tile(np.repeat([-1.0, 1.0], rows), len(which))
        row = np.tile(np.arange(rows), 2 * len(which))
        finder = _Profile(search, means.take(row), held, theta[:, row], fit.ss[row], rise[row])
        limit = finder.limits(sign, half_width[np.repeat(target, 2 * rows), row]).reshape(len(which), 2, rows)
        low[target], high[target] = limit[:, 0], limit[:, 1]
    return low, high


class _Profile:
    """Root finding on sqrt((S(v) − S_min) / rise) − 1, which is nearly a straight line in the parameter v."""

    def __init__(self, model, means, which, theta, ss, rise):
        self.model, self.means, self.which, self.ss, self.rise = model, means, which, ss, rise
        self.theta = theta
        self.held = np.arange(len(theta))[:, None] == which
        self.low, self.high = _region_ends(model, means.x, theta, PROFILE_GAP)
        self.own = which == model.shape_index if model.shape_index is not None else np.zeros(len(which), bool)
        self.least, self.most = np.full(len(which), -np.inf), np.full(len(which), np.inf)
        if model.regions is not None:
            (region,) = model.regions(means.x, 0.0)
            self.least[self.own], self.most[self.own] = region.low, region.high

    def refit(self, rows, value, start):
        """Refit these rows with their own parameter held at `value`; returns height of the profile and theta."""
        start = start.copy()
        start[self.which[rows], np.arange(len(rows))] = value
        theta, ss, _ = polish(
            self.model,
            self.means.take(rows),
            start,
            self.low[rows],
            self.high[rows],
            self.held[:, rows],
            60,
            1e-14,
        )
        return np.sqrt(np.maximum(ss - self.ss[rows], 0) / self.rise[rows]) - 1, theta

    def at_open_end(self, rows, theta):
        """Whether the shape ran to an end at which this row's parameter, a height, grows without limit."""
        ran = np.zeros(len(rows), bool)
        if self.model.regions is not None:
            shape = theta[self.model.shape_index]
            for region in self.model.regions(self.means.x, PROFILE_GAP):
                ran |= region.open_low and shape == region.low
                ran |= region.open_high and shape == region.high
        return ran & ~self.own[rows]

    def limits(self, sign, half_width):
        count = len(sign)
        every = np.arange(count)
        inside, theta_in, f_in = self.theta[self.which, every], self.theta.copy(), np.full(count, -1.0)
        outside, theta_out, f_out = np.full(count, np.nan), self.theta.copy(), np.full(count, np.nan)
        usable = np.isfinite(half_width) & (half_width > 0)
        step = np.where(usable, 1.05 * half_width, 0.1 * np.abs(inside) + 1e-6)
        left = every
        for _ in range(60):  # outwards in growing steps, until the profile is too high
            if not len(left):
                break
            value = np.clip(inside[left] + sign[left] * step[left], self.least[left], self.most[left])
            f, theta = self.refit(left, value, theta_in[:, left])
            found, lost = (f >= 0) & np.isfinite(f), ~np.isfinite(f)
            outside[left[found]], theta_out[:, left[found]], f_out[left[found]] = (
                value[found],
                theta[:, found],
                f[found],
            )
            on = ~found & ~lost
            inside[left[on]], theta_in[:, left[on]], f_in[left[on]] = value[on], theta[:, on], f[on]
            step[left] *= np.where(lost, 0.25, 2)
            endless = on & ((value <= self.least[left]) | (value >= self.most[left]) | self.at_open_end(left, theta))
            left = left[~found & ~endless]
        limit = np.where(np.isnan(outside), sign * np.inf, outside)
        left, side = np.flatnonzero(np.isfinite(outside)), np.zeros(count)
        for _ in range(60):  # false position, Illinois variant (Dowell & Jarratt 1971, BIT 11, 168)
            if not len(left):
                break
            share = f_in[left] / (f_in[left] - f_out[left])
            value = inside[left] + share * (outside[left] - inside[left])
            f, theta = self.refit(left, value, theta_in[:, left] + share * (theta_out[:, left] - theta_in[:, left]))
            limit[left] = np.where(self.at_open_end(left, theta), sign[left] * np.inf, value)
            f = np.where(np.isfinite(f), f, 1.0)
            out, into = f >= 0, f < 0
            f_in[left[out & (side[left] > 0)]] /= 2
            f_out[left[into & (side[left] < 0)]] /= 2
            outside[left[out]], theta_out[:, left[out]], f_out[left[out]] = value[out], theta[:, out], f[out]
            inside[left[into]], theta_in[:, left[into]], f_in[left[into]] = (
                value[into],
                theta[:, into],
                f[into],
            )
            side[left] = np.where(out, 1.0, -1.0)
            narrow = np.abs(outside[left] - inside[left]) <= 1e-13 * np.abs(value)
            left = left[(np.abs(f) > 1e-10) & ~narrow]
        return limit


# --- how well a curve does for its number of parameters


def aicc(deviance: float, parameters: int, n: int) -> float:
    """Akaike's criterion for few data: -2 ln L + 2k + 2k(k+1)/(n-k-1) (Hurvich & Tsai 1989, Biometrika 76, 297).

    deviance : -2 ln L, for normal scatter of unknown size n·ln(sum of squares / n) and a constant.
    parameters : k, a fitted scatter counted too. Infinite where n data are too few for it.
    """
    if n - parameters - 1 <= 0:
        return float("inf")
    return float(deviance + 2 * parameters + 2 * parameters * (parameters + 1) / (n - parameters - 1))


def evidence_weights(criteria: ArrayLike) -> np.ndarray:
    """Share of the evidence of each of several models, from their AICc: exp(-Δ/2) over the sum of all.

    Burnham & Anderson 2002, Model Selection and Multimodel Inference, 2.9. All zero where no AICc is finite.
    """
    values = np.asarray(criteria, dtype=float)
    best = values.min(initial=np.inf)
    if best == np.inf:
        return np.zeros(len(values))
    above = np.subtract(values, best, out=np.zeros(len(values)), where=values != best)  # no inf less inf
    weights = np.exp(-above / 2)
    return weights / weights.sum()
