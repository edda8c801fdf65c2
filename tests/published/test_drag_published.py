"""The drag laws against published formulas and findings."""

import csv
from pathlib import Path

import numpy as np
import pytest

from kit.motion.drag import LAWS, DragLaw
from kit.motion.drag_fit import fit_drag, fit_drags

TURN = 2 * np.pi
TABLE = Path(__file__).parents[1] / "reference" / "spin_down_closed_forms.csv"


def closed_form_cases():
    lines = [line for line in TABLE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


@pytest.mark.parametrize("case", closed_form_cases(), ids=lambda case: case["case"])
def test_the_closed_forms_of_the_textbooks(case):
    """13 cases: every law, to rest where finite, and both signs of the discriminant. Sources in the table."""
    inertia, start, stop = (float(case[key]) for key in ("J", "w1", "w2"))
    law = DragLaw(*(float(case[key]) / inertia for key in ("T0", "b", "c")))
    assert law.duration(start, stop) == pytest.approx(float(case["time_s"]), rel=1e-12)
    assert law.angle(start, stop) == pytest.approx(float(case["angle_rad"]), rel=1e-12)
    assert law.angle_at(float(case["time_s"]), start) == pytest.approx(float(case["angle_rad"]), rel=1e-12)


def test_there_are_thirteen_cases():
    assert len(closed_form_cases()) == 13


@pytest.mark.parametrize(
    ("torques", "duration_s", "turns", "mean"),
    [
        ((1e-3, 0, 0), 24.13, 60.32, 2.500),
        ((0, 1e-4, 0), 17.74, 38.40, 2.164),
        ((0, 0, 1e-5), 15.28, 28.24, 1.848),
    ],
)
def test_the_design_figures_of_a_disc_of_1_28e_3_kg_m2(torques, duration_s, turns, mean):
    """From 4 to 1 turns/s: the kit's own design figures, by the formulas of Taylor 2.2 and 2.4."""
    law = DragLaw(*(torque / 1.28e-3 for torque in torques))
    assert law.duration(4 * TURN, TURN) == pytest.approx(duration_s, abs=0.005)
    assert law.angle(4 * TURN, TURN) / TURN == pytest.approx(turns, abs=0.005)
    assert law.mean_speed(4 * TURN, TURN) / TURN == pytest.approx(mean, abs=0.0005)


@pytest.mark.parametrize(
    ("magnets", "duration_s", "turns"),
    [
        (0, 107.7, 246.9),
        (1, 37.97, 83.9),
        (2, 23.11, 50.7),
        (3, 16.61, 36.3),
        (4, 12.97, 28.3),
        (8, 6.91, 15.0),
    ],
)
def test_the_design_figures_of_the_coasting_disc(magnets, duration_s, turns):
    """8e-5 N m of constant friction and (1 + 3n)·1e-5 N m s ∝ speed: the kit's own demo scenario."""
    law = DragLaw(8e-5 / 1.28e-3, (1e-5 + 3e-5 * magnets) / 1.28e-3)
    assert law.duration(4 * TURN, TURN) == pytest.approx(duration_s, rel=1e-3)
    assert law.angle(4 * TURN, TURN) / TURN == pytest.approx(turns, abs=0.06)


def eddy_brake(start, stop, peak_torque, critical, inertia=1.0):
    """Time and angle under the torque 2·peak·s/(1 + s²), s = speed/critical, integrated by hand."""
    s1, s2 = start / critical, stop / critical
    scale = inertia * critical / (2 * peak_torque)
    return scale * (np.log(s1 / s2) + (s1**2 - s2**2) / 2), scale * critical * (s1 - s2 + (s1**3 - s2**3) / 3)


def test_the_eddy_brake_integrals_themselves():
    """W. R. Smythe, Trans. AIEE 61 (1942) 681: torque law (from memory); values computed with mpmath."""
    assert eddy_brake(60, 10, 1, 20) == pytest.approx((61.66759469228055, 2291.666666666667), rel=1e-13)
    assert eddy_brake(60, 10, 1, 200) == pytest.approx((183.5509469228055, 5179.166666666667), rel=1e-13)


@pytest.mark.parametrize("critical", [200.0, 1000.0, 5000.0])
def test_an_eddy_brake_far_below_its_critical_speed_drags_in_proportion_to_speed(critical):
    """Smythe 1942; low-speed law also Wiederick et al., Am. J. Phys. 55 (1987) 500 (both from memory).

    The brake's torque is 1/(1 + s²) of the proportional one, so it differs by s² and no more.
    """
    law = DragLaw(b=2 * 1.0 / critical)
    time, angle = eddy_brake(60.0, 10.0, 1.0, critical)
    assert 0 < time / law.duration(60, 10) - 1 < (60 / critical) ** 2
    assert 0 < angle / law.angle(60, 10) - 1 < (60 / critical) ** 2


def test_passes_under_an_eddy_brake_at_low_speed_are_best_fitted_by_drag_in_proportion_to_speed():
    """The same, from pass times: among the three single laws, ∝ speed wins by far."""
    speeds = np.linspace(10.0, 60.0, 20001)[::-1]
    time, angle = np.array([eddy_brake(60.0, speed, 1.0, 2000.0, 0.2) if speed < 60 else (0, 0) for speed in speeds]).T
    passes = TURN * np.arange(int(angle[-1] / TURN))
    fits = {law: fit_drag(np.interp(passes, angle, time), passes, law) for law in ("constant", "∝ speed", "∝ speed²")}
    sd = {law: fit.timing_sd_s for law, fit in fits.items()}
    assert sd["∝ speed"] < 0.01 * min(sd["constant"], sd["∝ speed²"])
    assert fits["∝ speed"].law.b == pytest.approx(2 / 2000 / 0.2, rel=2e-3)


@pytest.mark.parametrize("seed", range(5))
def test_a_wheel_slows_by_constant_and_proportional_drag_better_than_by_either_alone(seed):
    """C. E. Mungan, Eur. J. Phys. 33 (2012) 1119 (from memory): which law fits a real wheel's slow-down.

    As a statement about laws, on a simulated wheel: I = 0.021 kg m², 6 mN m and 0.37 mN m s, 0.2 ms jitter.
    """
    law = DragLaw(0.006 / 0.021, 0.00037 / 0.021)
    angles = TURN * np.arange(int(law.angle(45, 4) / TURN))
    times = law.time_at_angle(angles, 45.0)
    noise = np.random.default_rng(seed).normal(0, 2e-4, len(times))
    fits = {fit.name: fit for fit in fit_drags(times + noise, angles)}
    both = fits["constant + ∝ speed"]
    for alone in ("constant", "∝ speed"):
        assert both.aicc < fits[alone].aicc - 100
        assert both.timing_sd_s < 0.02 * fits[alone].timing_sd_s
    assert both.timing_sd_s == pytest.approx(2e-4, rel=0.25)
    assert both.weight > 0.2 and set(fits) == set(LAWS)
