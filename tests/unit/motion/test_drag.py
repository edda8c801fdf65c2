"""The drag law's closed forms against 30-digit values, over wide ranges and at every limit."""

import mpmath
import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from kit.errors import KitError
from kit.motion.drag import LAWS, DragLaw, between_speeds, law_terms
from kit.motion.drag_fit import (
    cumulated,
    sensitivities,
)

mpmath.mp.dps = 30


coefficients = st.one_of(st.just(0.0), st.floats(-10, 3).map(lambda power: 10.0**power))


speeds = st.floats(-2, 3).map(lambda power: 10.0**power)


# Stop speed as a share of the start speed: ordinary, near rest, and just below the start.
shares = st.one_of(
    st.floats(0.001, 0.999),
    st.floats(-6, -1).map(lambda p: 10.0**p),
    st.floats(-8, -1).map(lambda p: 1 - 10.0**p),
)


def by_quadrature(law, start, stop):
    """∫ dω/Q and ∫ ω dω/Q with mpmath, the range cut at factors of 3 so that no piece is hard."""
    a, b, c, start, stop = map(mpmath.mpf, (law.a, law.b, law.c, start, stop))
    floor = stop if stop > 0 else start * mpmath.mpf("1e-20")
    pieces = int(mpmath.ceil(mpmath.log(start / floor) / mpmath.log(3))) or 1
    cuts = [floor * (start / floor) ** (mpmath.mpf(k) / pieces) for k in range(pieces + 1)]
    if stop == 0:
        cuts.insert(0, mpmath.mpf(0))

    def drag(w):
        return a + b * w + c * w * w

    return mpmath.quad(lambda w: 1 / drag(w), cuts), mpmath.quad(lambda w: w / drag(w), cuts)


def assert_exact(law, start, stop):
    time, angle = by_quadrature(law, start, stop)
    assert abs(mpmath.mpf(float(law.duration(start, stop))) / time - 1) < 1e-12
    assert abs(mpmath.mpf(float(law.angle(start, stop))) / angle - 1) < 1e-12


@pytest.mark.slow
@given(a=coefficients, b=coefficients, c=coefficients, start=speeds, share=shares)
@example(a=1e-10, b=1.0, c=0.0, start=100.0, share=0.01)
@example(a=1.0, b=1e-10, c=1e-10, start=0.01, share=0.999)
@example(a=1e-10, b=1e3, c=1e-10, start=1000.0, share=1e-6)
@settings(max_examples=100, deadline=None)
def test_duration_and_angle_are_exact_for_any_mixture(a, b, c, start, share):
    assume(a + b + c > 0)
    assert_exact(DragLaw(a, b, c), start, start * share)


@pytest.mark.parametrize(
    "tiny", [(1e-99, 0, 1), (0, 1e-99, 1), (1, 1e-99, 0), (1e-99, 1, 1e-99), (1e-99, 1e-99, 1e-99)]
)
def test_absurdly_small_coefficients_do_not_break_the_forms(tiny):
    assert_exact(DragLaw(*tiny), 10.0, 2.0)
    assert DragLaw(*tiny).time_to_rest(10.0) >= 10


def test_coefficients_too_small_to_square_are_taken_as_zero():
    assert DragLaw(1.0, 2e-309, 1e-101) == DragLaw(1.0)


@pytest.mark.slow
@given(a=coefficients.filter(bool), b=coefficients, c=coefficients, start=speeds)
@settings(max_examples=20, deadline=None)
def test_duration_and_angle_to_rest_are_exact(a, b, c, start):
    assert_exact(DragLaw(a, b, c), start, 0.0)


@pytest.mark.slow
@given(
    b=coefficients.filter(bool),
    c=coefficients.filter(bool),
    start=speeds,
    share=shares,
    off=st.sampled_from([0.0, 1e-15, -1e-15, 1e-12, -1e-9, 1e-6, -1e-3, 1e-2]),
)
@settings(max_examples=60, deadline=None)
def test_equal_and_nearly_equal_roots_are_exact(b, c, start, share, off):
    assert_exact(DragLaw(b * b / 4 / c * (1 + off), b, c), start, start * share)


@given(a=coefficients, b=coefficients, c=coefficients, start=speeds, share=shares)
@settings(max_examples=100, deadline=None)
def test_speed_and_angle_at_a_time_turn_duration_and_angle_round(a, b, c, start, share):
    """To 1e-12 beside what an error of 1e-12 in the time would do."""
    assume(a + b + c > 0)
    law, stop = DragLaw(a, b, c), start * share
    time, angle = law.duration(start, stop), law.angle(start, stop)
    assert abs(law.speed_at(time, start) - stop) <= 1e-12 * (stop + time * law.deceleration(stop))
    assert law.angle_at(time, start) == pytest.approx(float(angle), rel=1e-12)
    assert abs(law.time_at_angle(angle, start) - time) <= 1e-12 * (time + angle / stop)


@given(a=coefficients, b=coefficients, c=coefficients, start=speeds)
@settings(max_examples=30, deadline=None)
def test_mean_speed_lies_between_the_speeds_and_below_the_arithmetic_mean(a, b, c, start):
    assume(a + b + c > 0)
    stop = start / 4
    mean = DragLaw(a, b, c).mean_speed(start, stop)
    assert start * stop * np.log(4) / (start - stop) * (1 - 1e-12) <= mean <= (start + stop) / 2 * (1 + 1e-12)


def test_methods_work_on_arrays_and_agree_with_single_values():
    law = DragLaw(0.06, 0.03, 0.0005)
    stops, times = np.array([[25.0, 20.0], [10.0, 0.0]]), np.linspace(0, 100, 7)
    assert law.duration(30, stops).shape == (2, 2)
    for method in (law.duration, law.angle, law.mean_speed):
        assert method(30, stops) == pytest.approx(np.vectorize(lambda s, m=method: m(30.0, s))(stops), rel=1e-15)
    for method in (law.speed_at, law.angle_at, law.time_at_angle):
        assert method(times, 30) == pytest.approx(np.array([method(t, 30.0) for t in times]), rel=1e-13)
    starts = np.array([10.0, 20.0, 30.0])
    assert law.speed_at(5.0, starts) == pytest.approx([law.speed_at(5.0, s) for s in starts], rel=1e-15)


def test_a_disc_at_rest_stays_at_rest():
    law = DragLaw(0.5, 0.02, 0.0002)
    rest, angle = law.time_to_rest(60), law.angle_to_rest(60)
    assert law.speed_at([rest, 2 * rest, np.inf], 60).tolist() == [0, 0, 0]
    assert law.angle_at([rest, 2 * rest, np.inf], 60).tolist() == [angle] * 3
    assert law.time_at_angle([0, angle, 1.01 * angle, np.inf], 60).tolist() == [0, rest, np.inf, np.inf]
    assert law.speed_at(1.0, 0) == law.angle_at(1.0, 0) == law.time_to_rest(0) == 0
    assert law.time_at_angle([0, 1], 0).tolist() == [0, np.inf]


def test_rest_is_never_reached_without_constant_drag():
    linear, squared = DragLaw(b=0.05), DragLaw(c=0.002)
    assert linear.time_to_rest(60) == squared.time_to_rest(60) == squared.angle_to_rest(60) == np.inf
    assert linear.angle_to_rest(60) == pytest.approx(1200, rel=1e-15)
    assert linear.mean_speed(60, 0) == squared.mean_speed(60, 0) == 0
    assert linear.time_at_angle([1199.0, 1200.0, 1201.0], 60)[1:].tolist() == [np.inf, np.inf]
    assert squared.angle_at(1e6, 60) == pytest.approx(np.log1p(0.002 * 60 * 1e6) / 0.002, rel=1e-14)


def test_without_any_drag_the_speed_stays():
    free = DragLaw()
    assert free.name == "no drag"
    assert free.speed_at(100, 5) == 5 and free.angle_at(100, 5) == 500 and free.time_at_angle(500, 5) == 100
    assert free.duration(5, 4) == np.inf and free.angle(5, 4) == np.inf and free.duration(5, 5) == 0
    assert np.isnan(free.mean_speed(5, 4))


def test_swapping_start_and_stop_changes_the_sign():
    law = DragLaw(0.06, 0.03, 0.0005)
    assert law.duration(10, 30) == pytest.approx(-law.duration(30, 10), rel=1e-15)
    assert law.angle(10, 30) == pytest.approx(-law.angle(30, 10), rel=1e-14)
    assert law.mean_speed(12, 12) == 12


@pytest.mark.parametrize("name", LAWS)
def test_a_law_is_named_after_its_terms(name):
    assert DragLaw(**dict.fromkeys(LAWS[name], 1.0)).name == name
    assert law_terms(name) == LAWS[name]


def test_names_that_are_no_law_are_refused():
    assert law_terms("three-term") == "abc"
    with pytest.raises(KitError, match=r"No drag law has this name\. Found: .cubic.* .three-term"):
        law_terms("cubic")


@pytest.mark.parametrize("value", [-1e-9, np.nan, np.inf])
def test_coefficients_must_be_numbers_not_below_zero(value):
    with pytest.raises(KitError, match="coefficient b must be a number ≥ 0"):
        DragLaw(1.0, value)


@pytest.mark.parametrize(
    ("method", "what"),
    [("duration", "speed"), ("deceleration", "speed"), ("speed_at", "time"), ("time_at_angle", "angle")],
)
def test_negative_arguments_are_refused(method, what):
    arguments = [[1.0, -2.0]] if method == "deceleration" else [[1.0, -2.0], 3.0]
    with pytest.raises(KitError, match=f"A {what} must not be negative. Found: -2.0"):
        getattr(DragLaw(1.0), method)(*arguments)


def test_a_scaled_law_slows_that_many_times_as_fast_and_keeps_its_kind():
    law = DragLaw(0.3, 0.02, 0.001)
    strong = law.scaled(4)
    assert (strong.name, strong.scaled(0).name) == (law.name, "no drag")
    assert strong.duration(60, 5) == pytest.approx(law.duration(60, 5) / 4, rel=1e-14)
    assert strong.mean_speed(60, 5) == pytest.approx(law.mean_speed(60, 5), rel=1e-14)
    with pytest.raises(KitError, match="drag only slows"):
        law.scaled(-1)


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


def test_many_laws_between_two_speeds_and_how_they_move():
    """Against the closed forms of `DragLaw`, and of the slopes against scipy's adaptive quadrature of ∓ωᵏ⁺ʲ/Q²."""
    laws = [DragLaw(0.4), DragLaw(b=0.05), DragLaw(c=0.002), DragLaw(0.1, 0.02, 0.001), DragLaw(1e-9, 0.3, 1e-9)]
    coefficients = np.array([(law.a, law.b, law.c) for law in laws])
    for fast, slow in ((25.0, 6.0), (6.0, 25.0), (30.0, 0.01)):
        values, slopes = between_speeds(coefficients, fast, slow)
        for law, value, slope in zip(laws, values, slopes, strict=True):
            assert value == pytest.approx([law.duration(fast, slow), law.angle(fast, slow)], rel=1e-12)
            for k in range(2):
                for j in range(3):
                    exact = quad(lambda w, law=law, n=k + j: w**n / law.deceleration(w) ** 2, slow, fast, epsabs=0)[0]
                    assert slope[k, j] == pytest.approx(-exact, rel=1e-6)
