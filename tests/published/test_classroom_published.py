"""The class's statistics against published values. Figures are entered here; the source stands beside each."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.classroom.statistics import (
    brier_score,
    group_spread,
    mcnemar,
    normalised_gain,
    stuart_maxwell,
    wilson_interval,
)

REFERENCE = Path(__file__).parents[1] / "reference"


def test_mcnemar_approval_ratings():
    # A. Agresti, Categorical Data Analysis (1990, p. 350; 2nd ed. 2002, section 10.1): the same 1600 people twice,
    # 794 approve/approve, 150 approve/disapprove, 86 disapprove/approve, 570 disapprove/disapprove. z0 = −4.17;
    # 17.356, with continuity correction 16.818, p-values as in the help page of a well-known statistics language.
    found = mcnemar(gained=86, lost=150)
    assert found.z == pytest.approx(-4.17, abs=0.005)
    assert found.chi2 == pytest.approx(17.356, abs=0.0005)
    assert found.chi2_corrected == pytest.approx(16.818, abs=0.0005)
    assert found.p_exact == pytest.approx(3.716e-05, rel=1e-3)
    both = stuart_maxwell([[794, 150], [86, 570]])
    assert both.chi2 == pytest.approx(17.356, abs=0.0005)
    assert (both.dof, both.p) == (1, pytest.approx(3.099e-05, rel=1e-3))


def test_stuart_maxwell_unaided_vision():
    # A. Stuart, Biometrika 42 (1955) 412: unaided distance vision of 7477 women, right eye by left eye, four grades;
    # table and the statistic 11.96 with 3 degrees of freedom from memory.
    women = [[1520, 266, 124, 66], [234, 1512, 432, 78], [117, 362, 1772, 205], [36, 82, 179, 492]]
    found = stuart_maxwell(women)
    assert np.sum(women) == 7477
    assert found.chi2 == pytest.approx(11.96, abs=0.005)
    assert found.dof == 3
    assert found.p == pytest.approx(0.0075, abs=5e-5)
    assert found.p_flips == pytest.approx(found.p, abs=0.003)  # two routes, thousands of movers


# R. G. Newcombe, Statistics in Medicine 17 (1998) 857, Table I, method 3 (score without continuity correction).
@pytest.mark.parametrize(
    ("count", "n", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_limits(count, n, low, high):
    assert wilson_interval(count, n) == pytest.approx((low, high), abs=5e-5)
    assert wilson_interval(n - count, n) == pytest.approx((1 - high, 1 - low), abs=5e-5)


def test_brier_ten_forecasts_of_rain():
    # G. W. Brier, Monthly Weather Review 78 (1950) 1, Table 1 (from memory; the printed score is 0.19, which sums over
    # both classes, rain and no rain: twice the mean square of one of them).
    forecasts = [0.7, 0.9, 0.8, 0.4, 0.2, 0, 0, 0, 0, 0.1]
    rain = [0, 1, 1, 1, 0, 0, 0, 0, 0, 0]
    assert 2 * brier_score(forecasts, rain) == pytest.approx(0.19, abs=1e-12)


def test_normalised_gain():
    # Definition: R. R. Hake, Am. J. Phys. 66 (1998) 64. Example: BMC Med. Educ. 21 (2021) 210, Table 1: 20 marks,
    # mean gain 11.1 marks (55.5 %), relative gain 225.8 % of the pre-test mean; class-average <g> printed (cut) 0.73.
    gain_marks, relative_gain = 11.1, 2.258
    before = 100 * gain_marks / relative_gain / 20
    after = before + 100 * gain_marks / 20
    assert before == pytest.approx(24.58, abs=0.005)
    assert int(100 * normalised_gain(before, after)) / 100 == 0.73
    # Hake's classes: a course that goes from 40 to 58 per cent has the 0.3 at which "medium" begins
    assert normalised_gain(40, 58) == pytest.approx(0.3)


def test_group_spread_silicon_resistivity():
    # NIST StRD, SiRstv: certified F, within-group standard deviation and mean squares.
    data = pd.read_csv(REFERENCE / "nist_sirstv.csv", comment="#")
    found = group_spread(data["resistance_ohm_cm"], data["instrument"])
    assert found.f == pytest.approx(1.18046237440255, rel=1e-9)
    assert found.within == pytest.approx(0.104076068334656, rel=1e-9)
    between_ms, within_ms = 0.0127865654, 0.0108318280
    assert found.between == pytest.approx(np.sqrt((between_ms - within_ms) / 5), rel=1e-7)
    assert 0.3 < found.p < 0.4
