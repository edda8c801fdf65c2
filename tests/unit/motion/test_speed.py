"""The speed curve of a run: crossings, stretches, uneven flags, any clock."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.logs.run import Run, with_repairs
from kit.motion.speed import speed_curve, speed_curves
from kit.sources.bench import APPARATUS, Gate, simulate_run, true_stretch
from kit.sources.demo_data import session
from tests.reference.faults.worlds import TAU, Wheel, passes_between, seen_between

DISC = APPARATUS["coasting_disc"]


def disc_run(count=3, push=5.0, seed=1, gate=None, **options):
    return with_repairs(simulate_run(DISC.law(count), push, np.random.RandomState(seed), gate or Gate(), **options))


@pytest.fixture(scope="module")
def lesson_curves():
    return speed_curves([with_repairs(run) for run in session(DISC, seed=8)])


class TestSpeedCurve:
    @given(st.floats(0.255, 0.9), st.floats(1.01, 1.6))
    def test_slower_thresholds_are_crossed_later(self, lesson_curves, period_s, factor):
        for curve in lesson_curves[:4]:
            first, second = curve.crossing(period_s), curve.crossing(period_s * factor)
            if second is not None:
                assert first.time_s < second.time_s
                assert first.turns < second.turns

    @given(st.floats(0.3, 0.5), st.floats(0.55, 0.9))
    def test_two_stretches_add_up(self, lesson_curves, middle, stop):
        curve = lesson_curves[0]
        whole = curve.between(0.26, stop)
        parts = curve.between(0.26, middle), curve.between(middle, stop)
        assert whole.duration_s == pytest.approx(sum(p.duration_s for p in parts), abs=1e-9)
        assert whole.turns == pytest.approx(sum(p.turns for p in parts), abs=1e-9)

    @settings(max_examples=15)
    @given(st.floats(0.1, 10.0), st.floats(-50.0, 50.0))
    def test_another_clock_gives_the_same_run(self, factor, shift):
        run = disc_run(count=6, seed=5)
        other = with_repairs(Run(run.pass_times_s * factor + shift))
        first, second = speed_curve(run).between(0.25, 1.0), speed_curve(other).between(0.25 * factor, factor)
        assert second.duration_s / factor == pytest.approx(first.duration_s, abs=2e-4)
        assert second.turns == pytest.approx(first.turns, abs=5e-4)

    def test_period_never_falls_along_a_run(self, lesson_curves):
        for curve in lesson_curves:
            assert (np.diff(curve.period_s) >= 0).all()
            assert (np.diff(curve.times_s) > 0).all()

    def test_timing_scatter_is_the_gates_jitter(self):
        curve = speed_curve(disc_run(count=1, gate=Gate(jitter_s=5e-4, bounces=0, misses=0)))
        assert curve.timing_sd_s == pytest.approx(5e-4, rel=0.25)

    def test_uneven_flags_are_seen_and_do_not_move_the_result(self):
        gate = Gate(jitter_s=1e-4, bounces=0, misses=0, flag_offsets_turns=(0.0, 0.02, -0.01))
        run = disc_run(count=2, gate=gate)
        curve = speed_curve(run)
        offsets = np.array(curve.flag_offsets_turns)
        first = np.array([0.0, 0.02, -0.01])
        shapes = [np.roll(first, -k) - first.mean() for k in range(3)]
        assert min(np.abs(offsets - shape).max() for shape in shapes) < 5e-4
        duration_s, turns = true_stretch(DISC.law(2), 0.25, 1.0)
        found = curve.between(0.25, 1.0)
        assert found.duration_s == pytest.approx(duration_s, abs=4e-3)
        assert found.turns == pytest.approx(turns, abs=8e-3)

    def test_a_heavy_side_is_counted_as_the_mean_of_its_flags_has_it(self):
        """Exact passes of an unbalanced wheel with three uneven flags, of a simulator that shares nothing with this."""
        wheel = Wheel(0.3, 0.02, 2e-4, imbalance=1.2, imbalance_at_rad=2.0)
        path, flags = wheel.path(40.0, TAU / 5, 0.7), (0.0, 0.3, 0.68)
        times_s = path.time_at(TAU * passes_between(flags, path.angle[0] / TAU, path.angle[-1] / TAU))
        found = speed_curve(with_repairs(Run(times_s, flags_per_turn=3))).between(0.2, 0.9)
        truth, average = seen_between(wheel, path, flags, 0.2, 0.9), wheel.between(0.2, 0.9)
        off = np.abs(np.array([found.duration_s, found.turns]) - truth)
        assert (off < 0.15 * np.abs(np.array(truth) - average)).all()  # negative control: it is not the average

    @pytest.mark.slow
    def test_a_million_passes(self):
        n = np.arange(1_000_000)
        times_s = -np.log1p(-n * 0.7e-6) / 0.7e-6 * 0.25  # drag ∝ speed from 4 to 1.2 turns a second
        curve = speed_curve(Run(times_s))
        found = curve.between(0.26, 0.8)
        assert found.turns == pytest.approx((0.25 / 0.26 - 0.25 / 0.8) / 0.7e-6, rel=1e-6)


@pytest.mark.parametrize("rho", [0.0, 0.7])
def test_errors_that_last_are_in_the_uncertainty(rho, monkeypatch):
    """AR(1) jitter, 32 passes, drag ∝ speed: from 0.3 to 0.9 s a turn there are 20 turns, and it takes ln 3/k."""
    random, k = np.random.RandomState(3), (1 / 0.3 - 1 / 0.9) / 20
    angle = np.arange(32.0)
    exact = -np.log(1 - angle * k * 0.25) / k  # 0.25 s a turn at first; ω falls by k for each turn

    def outside():
        """Share of 120 durations that are off by more than 2 u."""
        off = []
        for _ in range(120):
            jitter = random.standard_normal(32)
            for i in range(1, 32):
                jitter[i] = rho * jitter[i - 1] + np.sqrt(1 - rho**2) * jitter[i]
            found = speed_curve(Run(1.0 + exact + 5e-4 * jitter)).between(0.3, 0.9)
            off.append(abs(found.duration_s - np.log(3) / k) > 2 * found.duration_u_s)
        return np.mean(off)

    assert 0 < outside() < 0.12
    if rho:  # the control
        monkeypatch.setattr("kit.motion.smoothing.lasting_correlation", lambda columns: 0.0)
        assert outside() > 0.2


def test_few_passes_of_many_flags_leave_no_division_by_zero():
    turns = np.arange(9) / 4  # four flags: the curve and the flags' angles take all that nine passes can give
    curve = speed_curve(Run(0.3 * turns + 0.02 * turns**2, flags_per_turn=4))
    assert curve.usable
    assert curve.period_s == pytest.approx(0.3 + 0.04 * turns, rel=0.02)


def test_a_curve_shows_its_passes_and_turn_periods():
    n = np.arange(120)
    curve = speed_curve(Run(0.2 * n + 0.002 * n**2, {"oil <b>": "thick & cold"}, trial=2))
    assert repr(curve) == "SpeedCurve(120 passes in 52.1 s, a turn takes 0.200 to 0.676 s)"
    page = curve._repr_html_()
    assert "trial 2" in page and "thick &amp; cold" in page and "<b>:" not in page.replace("</b>:", "")
    assert repr(speed_curve(Run([0.0, 0.5, 1.2]))) == "SpeedCurve(3 passes: too few for a curve)"
