"""Averages, Student factors and Grubbs' test against published figures."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.stats.averages import grubbs, pooled_scatter, summary, t_factor

REFERENCE = Path(__file__).parents[1] / "reference"

# JCGM 100:2008 (GUM) 4.4.3, Table 1: twenty readings of a temperature, °C
GUM_TEMPERATURES = [
    96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
    100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
]  # fmt: skip


def alternating(centre, low, high):
    """NIST's constructed sets: a centre value, then low and high in turn, 1001 values."""
    return np.r_[centre, np.tile([low, high], 500)]


# NIST/ITL StRD, univariate: certified mean, sd; digits of the sd that the data's own double rounding leaves
CONSTRUCTED = {
    "NumAcc1": ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, 1e-14),
    "NumAcc2": (alternating(1.2, 1.1, 1.3), 1.2, 0.1, 1e-14),
    "NumAcc3": (alternating(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, 1e-8),
    "NumAcc4": (alternating(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, 1e-7),
}


@pytest.mark.parametrize("name", CONSTRUCTED)
def test_nist_constructed_sets(name):
    values, mean, sd, tolerance = CONSTRUCTED[name]
    found = summary(values)
    assert found["mean"] == pytest.approx(mean, rel=1e-15)
    assert found["sd"] == pytest.approx(sd, rel=tolerance)
    assert found["u"] == pytest.approx(sd / np.sqrt(len(values)), rel=tolerance)


def test_nist_michelson():
    values = pd.read_csv(REFERENCE / "michelson_speed_of_light.csv", comment="#")["speed"]
    found = summary(values)
    assert found["n"] == 100
    assert found["mean"] == pytest.approx(299.8524, rel=1e-15)
    assert found["sd"] == pytest.approx(0.0790105478190518, rel=1e-12)


def test_gum_table_1():
    found = summary(GUM_TEMPERATURES)
    assert round(found["mean"], 3) == 100.145
    assert round(found["sd"], 3) == 1.489
    assert round(found["u"], 3) == 0.333


def test_student_factors_of_gum_table_g2():
    table = pd.read_csv(REFERENCE / "student_t_factors.csv", comment="#")
    for row in table.itertuples():
        digits = 3 if row.nu == 100 else 2
        assert round(t_factor(row.nu, 0.95), digits) == row.p95
        assert round(t_factor(row.nu, 0.99), digits) == row.p99


def test_grubbs_of_the_nist_handbook():
    # e-Handbook 1.3.5.17.1 (Tietjen & Moore 1972, uranium isotope): G 2.4687; one-sided critical value at 5 % 2.032,
    # which is the two-sided one at 10 %
    found = grubbs([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57], significance=0.10)
    assert found.index == 7
    assert found.statistic == pytest.approx(2.468765, abs=5e-7)
    assert found.critical == pytest.approx(2.03165, abs=5e-6)
    assert found.unusual


def test_one_way_anova_residual_sd_of_nist_sirstv():
    # NIST/ITL StRD, analysis of variance, SiRstv (silicon resistivity, five instruments): certified residual
    # standard deviation 0.104076068334656
    instruments = [
        [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
        [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
        [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
        [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
        [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
    ]
    scatter, dof = pooled_scatter(np.ravel(instruments), np.repeat(range(5), 5), "absolute")
    assert dof == 20
    assert scatter == pytest.approx(0.104076068334656, rel=1e-11)
