"""Fits of the drag laws to passes: recovered values, accuracy against the Cramér–Rao bound, coverage."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import lsq_linear
from scipy.special import stdtrit

from kit.errors import KitError
from kit.logs.run import Run
from kit.motion.drag import LAWS, DragLaw
from kit.motion.drag_fit import (
    bounded_solution,
    fit_drag,
    fit_drags,
    fit_run,
    flag_columns,
    one_turn_speed,
)
from tests.sweeps import size

TURN = 2 * np.pi


JITTER_S = 1e-4


MIXED = DragLaw(0.06, 0.03, 0.0006)


def exact_passes(law, start=5.0, stop=0.5, flags=1, offsets=None, phase=0.3):
    """Times and nominal angles of the passes between two speeds in turns/s; no jitter."""
    count = int((law.angle(TURN * start, TURN * stop) - phase) / TURN * flags)
    nominal = TURN * np.arange(count) / flags
    ahead = 0.0 if offsets is None else np.resize(offsets, count)
    return law.time_at_angle(nominal - ahead + phase, TURN * start), nominal


def jittered(law, rng, **options):
    times, angles = exact_passes(law, **options)
    return times + rng.normal(0, JITTER_S, len(times)), angles


def scaled_to_turns(law, turns):
    """The same mixture of drags, scaled so that 4 to 1 turns/s takes this many turns."""
    scale = law.angle(4 * TURN, TURN) / TURN / turns
    return DragLaw(law.a * scale, law.b * scale, law.c * scale)


def cramer_rao(law, jitter_s=JITTER_S):
    """Least standard deviations of duration and turns between 4 and 1 turns/s, all five parameters unknown.

    By central differences of the exact pass times: nothing of the fit is used.
    """
    start, phase = 5 * TURN, 0.3
    _, angles = exact_passes(law)
    truth = np.array([start, phase, law.a, law.b, law.c])
    steps = 1e-4 * np.array([start, 1.0, *[law.deceleration(start) / start**k for k in range(3)]])
    steps[2:] = np.minimum(steps[2:], truth[2:])

    def times(p):
        return DragLaw(*p[2:]).time_at_angle(angles + p[1], p[0])

    def targets(p):
        return np.array([DragLaw(*p[2:]).duration(4 * TURN, TURN), DragLaw(*p[2:]).angle(4 * TURN, TURN) / TURN])

    columns, gradients = [], []
    for k, step in enumerate(steps):
        shift = step * np.eye(5)[k]
        columns.append((times(truth + shift) - times(truth - shift)) / (2 * step))
        gradients.append((targets(truth + shift) - targets(truth - shift)) / (2 * step))
    jacobian, gradient = np.array(columns).T, np.array(gradients).T
    _, triangle = np.linalg.qr(jacobian)
    return jitter_s * np.linalg.norm(gradient @ np.linalg.inv(triangle), axis=1)


@pytest.mark.parametrize("law", LAWS)
def test_noise_free_passes_give_back_each_law(law):
    truth = DragLaw(**{term: getattr(MIXED, term) for term in LAWS[law]})
    times, angles = exact_passes(truth)
    fit = fit_drag(times, angles, law)
    assert fit.name == fit.law.name == law
    for term in LAWS[law]:
        assert getattr(fit.law, term) == pytest.approx(getattr(truth, term), rel=1e-7)
    assert fit.start_speed == pytest.approx(truth.speed_at(times[0], 5 * TURN), rel=1e-10)
    assert np.abs(fit.residuals_s).max() < 1e-9


@pytest.mark.slow
@given(
    shares=st.tuples(*[st.floats(0.0, 1.0)] * 3).filter(lambda s: sum(s) > 0.1),
    turns=st.floats(10, 300),
    phase=st.floats(0, 6),
)
@settings(max_examples=40, deadline=None)
def test_any_mixture_comes_back_in_its_durations(shares, turns, phase):
    speed = 2.5 * TURN
    truth = scaled_to_turns(DragLaw(shares[0], shares[1] / speed, shares[2] / speed**2), turns)
    fit = fit_drag(*exact_passes(truth, phase=phase))
    found = fit.between(0.25, 1.0)
    assert found.duration_s == pytest.approx(truth.duration(4 * TURN, TURN), rel=1e-7)
    assert found.turns == pytest.approx(truth.angle(4 * TURN, TURN) / TURN, rel=1e-7)


def test_the_speed_deceleration_and_crossings_of_a_fit_are_those_of_its_law():
    times, angles = exact_passes(MIXED)
    fit = fit_drag(times + 20, angles)
    middle = times[len(times) // 2]
    speed = MIXED.speed_at(middle, 5 * TURN)
    assert fit.speed(middle + 20) == pytest.approx(speed, rel=1e-8)
    assert fit.deceleration(middle + 20) == pytest.approx(MIXED.deceleration(speed), rel=1e-7)
    assert fit.turns(times + 20) == pytest.approx(angles / TURN, abs=1e-8)
    time, turns = fit.crossing(0.25)
    assert time == pytest.approx(20 + MIXED.duration(5 * TURN, 4 * TURN), abs=1e-8)
    assert turns == pytest.approx((MIXED.angle(5 * TURN, 4 * TURN) - 0.3) / TURN, abs=1e-8)


def test_crossings_differ_by_what_between_says():
    fit = fit_drag(*jittered(MIXED, np.random.default_rng(1)))
    (t1, n1), (t2, n2) = fit.crossing(0.25), fit.crossing(1.0)
    assert fit.between(0.25, 1.0)[::2] == pytest.approx((t2 - t1, n2 - n1), rel=1e-12)


def test_the_right_law_is_best_and_the_weights_sum_to_one():
    truth = DragLaw(0.0625, 0.03)
    fits = fit_drags(*jittered(truth, np.random.default_rng(3)))
    assert fits[0].name == "constant + ∝ speed"
    assert sum(fit.weight for fit in fits) == pytest.approx(1)
    assert [fit.aicc for fit in fits] == sorted(fit.aicc for fit in fits)
    assert fits[0].timing_sd_s == pytest.approx(JITTER_S, rel=0.3)
    assert len(fits) == 7


def test_a_coefficient_that_is_not_there_ends_at_its_bound_and_its_interval_starts_there():
    fit = fit_drag(*jittered(DragLaw(0.0625, 0.03), np.random.default_rng(0)))
    low, high = fit.intervals()["c"]
    assert low == 0 < high < 1e-5
    assert fit.law.c >= 0


def test_intervals_contain_the_estimate_and_widen_with_confidence():
    fit = fit_drag(*jittered(MIXED, np.random.default_rng(2)))
    narrow, wide = fit.intervals(0.68), fit.intervals(0.99)
    for term in "abc":
        assert 0 <= wide[term][0] <= narrow[term][0] <= getattr(fit.law, term)
        assert getattr(fit.law, term) <= narrow[term][1] < wide[term][1]


def test_interval_is_the_t_interval_where_no_bound_is_near():
    fit = fit_drag(*jittered(MIXED, np.random.default_rng(2), start=6, stop=0.2))
    at = fit.parameters.index("a")
    half = 1.959964 * np.sqrt(fit.covariance[at, at])  # many degrees of freedom: t is near the normal
    low, high = fit.intervals()["a"]
    assert (low, high) == pytest.approx((fit.law.a - half, fit.law.a + half), rel=1e-3)


def test_uneven_flags_are_found_and_leave_no_ripple():
    offsets = np.array([0.08, -0.05, -0.03])
    times, angles = jittered(MIXED, np.random.default_rng(4), flags=3, offsets=offsets)
    fit = fit_drag(times, angles, flags_per_turn=3)
    assert fit.flag_offsets_rad == pytest.approx(offsets, abs=1e-3)
    assert fit.flag_offsets_rad.sum() == pytest.approx(0, abs=1e-12)
    assert fit.timing_sd_s == pytest.approx(JITTER_S, rel=0.2)
    assert fit.speed(times) == pytest.approx(MIXED.speed_at(times, 5 * TURN), rel=1e-4)
    blind = fit_drag(times, angles)  # negative control: flags taken as evenly spaced
    assert blind.timing_sd_s > 10 * JITTER_S


def test_uneven_flags_survive_a_miss_that_was_counted():
    offsets = np.array([0.08, -0.08])
    times, angles = jittered(MIXED, np.random.default_rng(5), flags=2, offsets=offsets)
    keep = np.arange(len(times)) != 40
    fit = fit_drag(times[keep], angles[keep], flags_per_turn=2)
    assert fit.flag_offsets_rad == pytest.approx(offsets, abs=1e-3)


def test_a_wrong_turn_count_stands_out_against_the_law():
    times, angles = jittered(MIXED, np.random.default_rng(6))
    angles = angles + TURN * (np.arange(len(angles)) > 50)
    assert fit_drag(times, angles).timing_sd_s > 100 * JITTER_S


def test_time_to_rest_is_right_for_the_law_and_infinite_without_constant_drag():
    truth = DragLaw(0.06, 0.03)
    times, angles = exact_passes(truth)
    rest = fit_drag(times, angles).time_to_rest()
    last = truth.speed_at(times[-1], 5 * TURN)
    assert rest.time_s == pytest.approx(truth.time_to_rest(last), rel=1e-4)
    assert rest.turns == pytest.approx(truth.angle_to_rest(last) / TURN, rel=1e-4)
    truth = DragLaw(0, 0.1)
    times, angles = exact_passes(truth)
    endless = fit_drag(times, angles, "∝ speed").time_to_rest()
    assert endless.time_s == np.inf and np.isnan(endless.time_u_s)
    assert endless.turns == pytest.approx(truth.speed_at(times[-1], 5 * TURN) / 0.1 / TURN, rel=1e-6)


@pytest.mark.parametrize(
    ("times", "angles", "law", "flags", "message"),
    [
        ([1, 2, 3], [1, 2], "three-term", 1, "two lists of one length"),
        ([1, 3, 2, 4, 5, 6], [1, 2, 3, 4, 5, 6], "three-term", 1, "times of the passes must increase"),
        ([1, 2, 3, 4, 5, np.nan], [1, 2, 3, 4, 5, 6], "three-term", 1, "times of the passes must increase"),
        ([1, 2, 3, 4, 5, 6], [1, 2, 3, 4, 4, 6], "three-term", 1, "angles of the passes must increase"),
        ([1, 2, 4, 7, 11], [1, 2, 3, 4, 5], "three-term", 1, "Too few passes .* at least 6. Found: 5"),
        ([1, 2, 4, 7, 11, 16], [1, 2, 3, 4, 5, 6], "magic", 1, "No drag law has this name"),
        ([1, 2, 4, 7, 11, 16], [1, 2, 3, 4, 5, 6], "constant", 0, "at least one flag"),
    ],
)
def test_bad_passes_are_refused_in_words(times, angles, law, flags, message):
    with pytest.raises(KitError, match=message):
        fit_drag(times, angles, law, flags)


def test_a_period_that_is_not_above_zero_is_refused():
    with pytest.raises(KitError, match="turn period must be above 0"):
        fit_drag(*exact_passes(MIXED)).between(0.0, 1.0)


def test_the_few_passes_of_a_short_run_still_get_the_laws_they_can_carry():
    times, angles = exact_passes(DragLaw(1.0), start=2.0, stop=0.6)
    names = {fit.name for fit in fit_drags(times[:5], angles[:5])}
    assert names == {name for name, terms in LAWS.items() if len(terms) < 3}


def test_passes_that_speed_up_give_no_drag_rather_than_a_negative_one():
    angles = TURN * np.arange(12)
    fit = fit_drag(np.sqrt(angles + 1), angles)
    assert fit.law == DragLaw(0, 0, 0)


def test_a_run_is_fitted_from_its_coasting_part():
    times, _ = jittered(MIXED, np.random.default_rng(7))
    speeds = np.linspace(1.5, 4.8, 8)  # the push, turn by turn
    push = np.cumsum(1 / speeds)
    run = Run(np.concatenate([push, push[-1] + 0.2 + times - times[0]]))
    fit = fit_run(run)
    assert fit.timing_sd_s == pytest.approx(JITTER_S, rel=0.3)
    assert fit.between(0.25, 1.0).duration_s == pytest.approx(MIXED.duration(4 * TURN, TURN), abs=2e-3)
    part = fit_run(run, min_period_s=0.25, max_period_s=1.0)
    assert part.times_s[0] == pytest.approx(fit.crossing(0.25)[0], abs=0.3)
    assert part.times_s[-1] == pytest.approx(fit.crossing(1.0)[0], abs=1.1)


@pytest.mark.slow
@pytest.mark.parametrize("turns", [7, 40, 200])
def test_crossings_reach_the_cramer_rao_bound_and_their_uncertainties_are_honest(turns):
    """The goal: rms error of duration and turns within 1.1 × the bound; 95 % intervals hold."""
    law = scaled_to_turns(DragLaw(0.5, 0.05, 0.002), turns)
    rng = np.random.default_rng(turns)
    exact, angles = exact_passes(law)
    truth = np.array([law.duration(4 * TURN, TURN), law.angle(4 * TURN, TURN) / TURN])
    errors, pulls = [], []
    for _ in range(size(500, 1000)):
        found = fit_drag(exact + rng.normal(0, JITTER_S, len(exact)), angles).between(0.25, 1.0)
        errors.append(np.array(found[::2]) - truth)
        pulls.append(errors[-1] / np.array(found[1::2]))
    rms = np.sqrt(np.mean(np.square(errors), axis=0))
    assert (rms < 1.1 * cramer_rao(law)).all()
    assert (rms > 0.6 * cramer_rao(law)).all()  # the bound itself: only the sign of a coefficient may help
    factor = stdtrit(len(exact) - 5, 0.975)
    assert ((np.abs(pulls) < factor).mean(axis=0) > 0.93).all()
    assert ((np.abs(pulls) < factor / 2).mean(axis=0) < 0.85).all()  # negative control: half as large


@pytest.mark.slow
def test_intervals_cover_the_coefficients():
    law = DragLaw(0.3, 0.06, 0.002)
    exact, angles = exact_passes(law)
    rng = np.random.default_rng(9)
    hits, too_sure = np.zeros(3), np.zeros(3)
    many = size(500, 1000)  # of 0.95 coverage: 0.93 is 2.05 standard errors below, 0.97 above
    for _ in range(many):
        fit = fit_drag(exact + rng.normal(0, JITTER_S, len(exact)), angles)
        wide, narrow = fit.intervals(0.95), fit.intervals(0.6)
        for k, term in enumerate("abc"):
            truth = getattr(law, term)
            hits[k] += wide[term][0] <= truth <= wide[term][1]
            too_sure[k] += narrow[term][0] <= truth <= narrow[term][1]
    assert ((hits > 0.93 * many) & (hits < 0.97 * many)).all()
    assert (too_sure < 0.7 * many).all()  # negative control: 60 % intervals do not pass for 95 % ones


@pytest.mark.slow
def test_intervals_cover_where_coefficients_are_at_their_bound():
    """Truth on the bound: coverage may exceed 95 % but must not fall short."""
    law = DragLaw(0.0, 0.08, 0.0)
    exact, angles = exact_passes(law)
    rng = np.random.default_rng(10)
    hits, many = np.zeros(3), size(500, 1000)
    for _ in range(many):
        found = fit_drag(exact + rng.normal(0, JITTER_S, len(exact)), angles).intervals()
        hits += [found[term][0] <= getattr(law, term) <= found[term][1] for term in "abc"]
    assert (hits > 0.93 * many).all()


def test_a_gap_of_hours_is_fitted_without_a_division_by_zero():
    """Found by fuzzing: drag ∝ speed alone brings the speed below what numbers hold."""
    times = np.array([0.501, 0.951, 1.170, 1.405, 1.662, 1.953, 2.309, 2.7, 3.2, 77_420.0])
    for fit in fit_drags(times, TURN * np.arange(10)):
        assert np.isfinite(fit.residuals_s).all()


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


def test_a_fit_shows_its_law_and_coefficients_with_their_uncertainty():
    times, angles = jittered(MIXED, np.random.default_rng(4))
    fit = fit_drag(times, angles, "constant + ∝ speed")
    assert repr(fit).startswith("DragFit(constant + ∝ speed: a = 0.0")
    assert repr(fit).endswith(f"1/s; {len(times)} passes)") and repr(fit).count("±") == 2
    page = fit._repr_html_()
    assert "<td>a</td>" in page and "rad/s²" in page and page.count("<tr>") == 2
    assert f"fitted to {len(times)} passes" in page
