"""The pieces beneath the drag fits, each against an independent way to the same number."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import lsq_linear

from kit.motion.drag import DragLaw
from kit.motion.drag_fit import bounded_solution, cumulated, flag_columns, one_turn_speed, sensitivities

TURN = 2 * np.pi


@pytest.mark.parametrize("law", [DragLaw(0.06, 0.03, 0.0006), DragLaw(0.5), DragLaw(b=0.05), DragLaw(c=0.002)])
def test_sensitivities_are_the_derivatives_of_the_angle(law):
    time, start = np.linspace(0, 20, 200), 30.0
    by_speed, by_terms = sensitivities(law, time, start, law.speed_at(time, start))
    step = 1e-4 * start
    difference = (law.angle_at(time, start + step) - law.angle_at(time, start - step)) / (2 * step)
    assert by_speed == pytest.approx(difference, rel=1e-6, abs=1e-6)
    for k, name in enumerate("abc"):
        step = 1e-5 * float(law.deceleration(start)) / start**k
        once, twice = (DragLaw(**(vars(law) | {name: getattr(law, name) + m * step})) for m in (1, 2))
        slope = 4 * once.angle_at(time, start) - twice.angle_at(time, start) - 3 * law.angle_at(time, start)
        slope = slope / (2 * step)
        assert by_terms[k] == pytest.approx(slope, rel=1e-4, abs=1e-5 * np.abs(slope).max())


def test_sensitivities_stay_where_they_were_once_the_disc_is_at_rest():
    law = DragLaw(3.0)
    time = np.linspace(0, 20, 400)  # at rest from 10 s on
    by_speed, by_terms = sensitivities(law, time, 30.0, law.speed_at(time, 30.0))
    assert by_speed[-1] == pytest.approx(10.0)
    assert by_terms[0][-1] == pytest.approx(-(30.0**2) / (2 * 3.0**2), rel=1e-3)


def test_sensitivities_without_drag_are_those_of_the_first_moment():
    time = np.linspace(0, 5, 20)
    by_speed, by_terms = sensitivities(DragLaw(), time, 3.0, np.full(20, 3.0))
    assert by_speed == pytest.approx(time)
    assert by_terms[2] == pytest.approx(-9 * time**2 / 2)


def test_cumulated_is_exact_for_cubics_on_uneven_times():
    time = np.cumsum(np.random.default_rng(0).uniform(0.1, 1, 20))
    assert cumulated(time, time**3, 3 * time**2) == pytest.approx((time**4 - time[0] ** 4) / 4, rel=1e-12)


@given(seed=st.integers(0, 10_000), terms=st.integers(1, 3))
@settings(max_examples=50, deadline=None)
def test_bounded_solution_is_the_least_one_within_the_bounds(seed, terms):
    rng = np.random.default_rng(seed)
    matrix, target = rng.standard_normal((12, 2 + terms)), rng.standard_normal(12)
    triangle = np.linalg.qr(np.column_stack([matrix, target]), mode="r")
    found, squares = bounded_solution(triangle, 2)
    bounds = (np.r_[-np.inf, -np.inf, np.zeros(terms)], np.inf)
    other = lsq_linear(matrix, target, bounds, method="bvls", tol=1e-14)
    assert found == pytest.approx(other.x, abs=1e-8)
    assert squares == pytest.approx(2 * other.cost, rel=1e-8)


def test_bounded_solution_can_leave_columns_out():
    rng = np.random.default_rng(1)
    matrix, target = rng.standard_normal((12, 5)), rng.standard_normal(12)
    triangle = np.linalg.qr(np.column_stack([matrix, target]), mode="r")
    part = np.linalg.qr(np.column_stack([matrix[:, [0, 1, 3]], target]), mode="r")
    assert bounded_solution(triangle, 2, [1])[0] == pytest.approx(bounded_solution(part, 2)[0])


def test_flag_columns_follow_the_angle_also_over_a_miss_and_sum_to_zero():
    angles = TURN / 3 * np.array([0, 1, 2, 3, 5, 6])  # the pass at 4 was missed
    first, second = flag_columns(angles, 3)
    assert first.tolist() == [1, 0, -1, 1, -1, 1]
    assert second.tolist() == [0, 1, -1, 0, -1, 0]
    assert flag_columns(angles, 1) == []


def test_speed_over_one_turn_has_no_ripple_of_uneven_flags():
    angles = TURN / 2 * np.arange(12)
    times = np.arange(12) * 0.1 + np.resize([0.0, 0.03], 12)
    assert one_turn_speed(times, angles, 2)[2:-2] == pytest.approx(TURN / 0.2)
