"""Trend fits against published results. Each check names its source; figures from memory are marked so."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.stats.trend import fit_trend, fit_trends
from kit.stats.verdict import log_log_line, verdict

REFERENCE = Path(__file__).parents[1] / "reference"


def table(name: str) -> list[np.ndarray]:
    """The number columns of a reference table."""
    frame = pd.read_csv(REFERENCE / name, comment="#")
    return [column.to_numpy(float) for _, column in frame.select_dtypes("number").items()]


def digits(found: float, published: float) -> float:
    """Matching significant digits, -log10 of the relative error."""
    return -math.log10(max(abs(found / published - 1), 1e-16))


def test_nist_danwood_power_law_values_and_standard_errors():
    # NIST StRD DanWood, certified to 11 digits. Reached here: 11.1 or more.
    x, y = table("nist_danwood.csv")
    trend = fit_trend(x, y, "power law", errors="absolute")
    a, p = trend.parameters["A"], trend.parameters["p"]
    assert digits(a.value, 0.76886226176) > 10.5
    assert digits(a.u, 0.018281973860) > 10.5
    assert digits(p.value, 3.8604055871) > 10.5
    assert digits(p.u, 0.051726610913) > 10.5
    assert digits(trend.scatter, 0.032853114039) > 10.5
    assert digits(trend.residuals @ trend.residuals, 0.0043173084083) > 10.5


def test_nist_misra1d_is_a_shifted_inverse_of_one_over_x():
    # NIST StRD Misra1d: b1 b2 x / (1 + b2 x) = b1 b2 / (1/x + b2), so A = b1 b2 and x0 = b2.
    x, y = table("nist_misra1d.csv")
    trend = fit_trend(1 / x, y, "shifted inverse", errors="absolute")
    a, x0 = trend.parameters["A"], trend.parameters["x0"]
    assert digits(x0.value, 3.0227324449e-04) > 9
    assert digits(x0.u, 2.9334354479e-06) > 9
    assert digits(a.value / x0.value, 437.36970754) > 9
    toward_b1 = np.array([1 / x0.value, -a.value / x0.value**2])
    assert digits(math.sqrt(toward_b1 @ trend.covariance @ toward_b1), 3.6489174345) > 9
    assert digits(trend.scatter, 0.068568272111) > 9


def test_puromycin_michaelis_menten_is_a_shifted_inverse_of_one_over_concentration():
    # Bates & Watts 1988, A1.3 and 2.2: Vm c / (K + c) = (Vm/K) / (1/c + 1/K). Printed: 212.7 and 0.06412.
    conc, rate = table("bates_watts_puromycin.csv")
    trend = fit_trend(1 / conc, rate, "shifted inverse", errors="absolute")
    a, x0 = trend.parameters["A"], trend.parameters["x0"]
    assert digits(1 / x0.value, 0.06412128168157) > 9
    assert digits(x0.u / x0.value**2, 0.00828094949848) > 9
    assert digits(a.value / x0.value, 212.6837431425) > 9
    assert digits(trend.residuals @ trend.residuals, 1195.448814439) > 9
    # Bates & Watts 6.1 print 95 % profile limits of K as 0.0469 to 0.0862 (from memory).
    assert 1 / x0.high == pytest.approx(0.0469, abs=1e-4)
    assert 1 / x0.low == pytest.approx(0.0862, abs=1e-4)


def test_boyle_1662_is_the_inverse_law():
    # Boyle 1662. Products of pressure and volume: 1408.09 on average, sd 5.02 (0.36 %).
    volume, pressure = table("boyle_1662.csv")
    inverse = fit_trend(volume, pressure, "inverse")
    assert inverse.parameters["A"].value == pytest.approx(np.exp(np.mean(np.log(pressure * volume))), rel=1e-12)
    assert inverse.parameters["A"].value == pytest.approx(1408.09, abs=0.05)
    assert inverse.scatter == pytest.approx(5.02 / 1408.09, rel=0.01)
    line = log_log_line(volume, pressure)
    assert line.slope.value == pytest.approx(-0.9984, abs=5e-5)
    assert line.slope.u == pytest.approx(0.0017, abs=5e-5)
    assert line.slope.low < -1 < line.slope.high
    judged = verdict(fit_trends(volume, pressure))
    assert judged.by_model["inverse"] in ("the data support", "cannot tell apart")
    assert judged.by_model["straight line"] == judged.by_model["exponential"] == "speak against"


@pytest.mark.slow
def test_kepler_third_law():
    # NASA fact sheets. Kepler 1619: period ∝ axis^(3/2). Exponent 1.49902, standard error 0.00060.
    axis, period = table("planets.csv")
    line = log_log_line(axis, period)
    assert line.slope.value == pytest.approx(1.49902, abs=5e-6)
    assert line.slope.u == pytest.approx(0.00060, abs=5e-6)
    assert line.slope.low < 1.5 < line.slope.high
    assert fit_trends(axis, period)[0].model == "power law"


def test_nist_load_cell_lack_of_fit():
    # NIST e-Handbook 4.6.1. It prints F = 214.7464; exact arithmetic on the readings gives 214.7469.
    load, deflection = table("nist_load_cell.csv")
    trend = fit_trend(load, deflection, "straight line", errors="absolute")
    a, b = trend.parameters["A"], trend.parameters["B"]
    # The handbook's intercept is off by one in its last digit, too: 0.006149684 in exact arithmetic.
    assert (a.value, a.u) == (pytest.approx(0.00614969, abs=1e-8), pytest.approx(0.0007132, abs=5e-8))
    assert (b.value, b.u) == (pytest.approx(0.722103e-6, abs=5e-13), pytest.approx(0.3969e-9, abs=5e-14))
    # The handbook's 0.0021712694 is 1.5e-6 below exact arithmetic, which is also why its F is low.
    assert trend.scatter == pytest.approx(0.0021712694, rel=2e-6)
    assert trend.lack_of_fit.statistic == pytest.approx(214.7469, abs=1e-4)
    assert (trend.lack_of_fit.dof, trend.lack_of_fit.dof_scatter) == (18, 20)
    assert trend.lack_of_fit.p < 1e-15


def test_mammals_brain_and_body():
    # Weisberg 1985, pp. 144-145 prints slope 0.752; more digits by R 4.2.2 lm.
    body, brain = table("mammals.csv")
    line = log_log_line(body, brain)
    assert digits(line.slope.value, 0.75168593624) > 10
    assert digits(line.slope.u, 0.02846355984) > 9
    assert digits(line.intercept.value, 2.13478867676) > 10
    assert digits(line.intercept.u, 0.09604338799) > 9
    assert line.scatter == pytest.approx(0.6942947, abs=5e-8)
    assert fit_trend(body, brain, "power law").r_squared == pytest.approx(0.9207837169, abs=5e-11)
    # With a scatter of 0.69 in ln y the average lies 27 % above the line: the bias is shown, not hidden.
    assert line.mean_over_median == pytest.approx(math.exp(0.6942947**2 / 2), rel=1e-6)
    assert "27 % above" in line.sentence


def test_forbes_boiling_point_is_an_exponential():
    # Weisberg 1985 (Forbes 1857): 100 log10(pressure) against temperature, by R 4.2.2 lm.
    boiling, pressure = table("forbes_boiling.csv")
    trend = fit_trend(boiling, pressure, "exponential")
    unit = 100 / math.log(10)
    k, a = trend.parameters["k"], trend.parameters["A"]
    assert unit * k.value == pytest.approx(0.8956178, abs=5e-8)
    assert unit * k.u == pytest.approx(0.01645748, abs=5e-9)
    assert unit * math.log(a.value) == pytest.approx(-42.16418, abs=5e-6)
    assert unit * a.u / a.value == pytest.approx(3.34136, abs=5e-6)
    assert unit * trend.scatter == pytest.approx(0.3791592, abs=5e-8)
    assert trend.r_squared == pytest.approx(0.9949606, abs=5e-8)
