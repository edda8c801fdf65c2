"""Many splines at once against scipy's own, one at a time: the moments of a speed, and how well they are known."""

import numpy as np
import pytest
from scipy.interpolate import BSpline
from scipy.optimize import brentq

from kit.logs.run import Run
from kit.motion.drag import DragLaw
from kit.motion.speed import speed_curves
from kit.motion.splines import first_at_least

LAWS = (DragLaw(a=0.4), DragLaw(a=0.1, b=0.05), DragLaw(b=0.02, c=0.002))


@pytest.fixture(scope="module")
def curves():
    random = np.random.default_rng(4)
    angles = 2 * np.pi * np.arange(60)
    exact = [law.time_at_angle(angles, speed) for law in LAWS for speed in (30.0, 24.0)]
    times = [np.sort(time[np.isfinite(time)] + random.normal(0, 1e-4, np.isfinite(time).sum())) for time in exact]
    return speed_curves([*map(Run, times), Run([0.0, 0.3, 0.7]), Run(1e6 + times[0])])


def _of_scipy(spline):
    """Angle and speed of one spline at a time, by scipy's BSpline in the spline's stretched time."""
    whole = BSpline(spline.knots, spline.coefficients, spline.degree)

    def angle(time_s):
        return float(whole(spline.stretched(time_s)[0]))

    def speed(time_s):
        s, first = spline.stretched(time_s)
        return float(whole(s, 1) * first)

    return angle, speed


@pytest.mark.parametrize("period_s", [0.28, 0.35, 0.5])
def test_a_speed_is_reached_where_scipy_finds_it(curves, period_s):
    times_s, turns = curves.crossings(period_s)
    found = 0
    for curve, time_s, turn in zip(curves, times_s, turns, strict=True):
        if not curve.usable or not curve.period_s[0] < period_s < curve.period_s[-1]:
            assert np.isnan(time_s) and np.isnan(turn)
            continue
        angle, speed = _of_scipy(curve._best)
        at = brentq(lambda t, speed=speed: speed(t) - 1 / period_s, *curve.times_s[[0, -1]], xtol=1e-13)
        assert time_s == pytest.approx(at, abs=1e-11 + 4e-16 * abs(at))
        assert turn == pytest.approx(angle(at), abs=1e-9)
        found += 1
    assert found >= 3


def test_uncertainties_are_those_of_moved_coefficients(curves):
    """The covariance put through by differences of the crossing itself, coefficient by coefficient."""
    curve = curves[3]
    spline, k = curve._best, len(curves.usable)
    at = curves.splines.reaching(np.array([3, 3]), np.array([1 / 0.3, 1 / 0.5]))
    assert k == 7
    covariance = spline.root @ spline.root.T

    def duration(coefficients):
        whole = BSpline(spline.knots, coefficients, spline.degree)

        def speed(time_s):
            s, first = spline.stretched(time_s)
            return float(whole(s, 1) * first)

        ends = [brentq(lambda t, p=p: speed(t) - 1 / p, *curve.times_s[[0, -1]], xtol=1e-14) for p in (0.3, 0.5)]
        return ends[1] - ends[0]

    step = 1e-5 * np.eye(len(spline.coefficients))
    slope = [(duration(spline.coefficients + d) - duration(spline.coefficients - d)) / 2e-5 for d in step]
    known = curves.splines.known(at[:1], at[1:])[0, 0]
    assert known == pytest.approx(np.sqrt(slope @ covariance @ slope), rel=1e-4)


def test_a_bias_that_would_not_show_is_part_of_the_uncertainty(curves):
    """√(u² + max(d², s²/3)), s² = u_r² − u²: by hand from the two curves of each run, at the same scatter of a pass."""
    lowest = []
    for curve in (curves[i] for i in curves.usable):
        alone = speed_curves([curve])
        fast, slow = 1.1 * curve.period_s[0], 0.95 * curve.period_s[-1]
        ends = [alone.splines.reaching(np.array([k, k]), 1 / np.array([fast, slow])) for k in (0, 1)]
        u, u_r = (curve._looser * alone.splines.known(at[:1], at[1:])[0, 0] for at in ends)
        u_r *= curve._best.error_sd_s / curve._richer.error_sd_s
        d = np.diff([np.diff(at.time_s)[0] for at in ends])[0]
        unseen = max(d**2, (u_r**2 - u**2) / 3)
        assert curve.between(fast, slow).duration_u_s == pytest.approx(np.sqrt(u**2 + unseen), rel=1e-9)
        lowest.append(unseen > d**2)
    assert 0 < sum(lowest) < len(lowest)  # both happen


def test_one_curve_and_many_say_the_same(curves):
    together = curves.between(0.3, 0.5).figures
    for i, curve in enumerate(curves):
        alone = curve.between(0.3, 0.5)
        if alone is None:
            assert np.isnan(together[0, i])
        else:
            shown = (alone.duration_s, alone.duration_u_s, alone.turns, alone.turns_u)
            assert shown == pytest.approx(together[:4, i], rel=1e-9)


def test_the_first_place_is_that_of_searchsorted():
    random = np.random.default_rng(2)
    rows = [np.sort(random.integers(0, 9, n)) for n in (1, 2, 7, 30)]
    ends = np.cumsum([len(row) for row in rows])
    low = ends - [len(row) for row in rows]
    for wanted in range(-1, 11):
        expected = [start + row.searchsorted(wanted) for start, row in zip(low, rows, strict=True)]
        assert first_at_least(np.concatenate(rows), low, ends, wanted).tolist() == expected
