"""Shuffling against published counts: Darwin's maize, a rank correlation, Student's sleep data."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.stats.averages import summary, t_prime
from kit.stats.claims import Claim, examine

REFERENCE = Path(__file__).parents[1] / "reference"


def read(name):
    return pd.read_csv(REFERENCE / name, comment="#")


@pytest.fixture(scope="module")
def maize():
    difference = read("darwin_maize_differences.csv")["difference_eighths"]
    pairs = [(i, plant, d * plant) for i, d in enumerate(difference) for plant in (0, 1)]
    table = pd.DataFrame(pairs, columns=["pair", "crossed", "height"])
    claim = Claim("Crossing makes taller plants", "height", "crossed", (0, 1), ("pair",), scale="absolute")
    return examine(claim, table)


def test_darwins_maize_counts_863_of_32768(maize):
    # Fisher, The Design of Experiments (1935), section 21: 863 sums at least as large, out of 2^15
    assert maize.shuffled.exact
    assert maize.shuffled.arrangements == 32_768
    worlds, measured = maize.shuffled.worlds, maize.shuffled.measured
    assert np.count_nonzero(worlds >= measured - 1e-9 * measured) == 863
    assert maize.p_value == 1726 / 32_768  # two-sided 5.267 %


def test_darwins_maize_effect_and_grade(maize):
    assert maize.own.value == pytest.approx(314 / 15, rel=1e-14)  # sum of differences 314 eighths
    assert maize.grade == "cannot tell"  # 5.3 % is not below 5 %: the interval holds zero too
    assert maize.own.low < 0 < maize.own.high


def test_rank_correlation_of_tuna_by_full_enumeration():
    # Hollander & Wolfe (1973) p. 185; R's cor.test gives rho 0.6, p 0.09679784 = 35126/362880
    verdict = examine(
        Claim("Lighter is better", "panel_score", "hunter_L", scale="absolute"), read("tuna_lightness.csv")
    )
    assert verdict.shuffled.measured == pytest.approx(0.6, abs=1e-14)
    assert verdict.shuffled.at_least == 35_126
    assert verdict.p_value == pytest.approx(0.09679784, abs=5e-9)


def test_students_sleep_paired_and_unpaired():
    # R's t.test on Student (1908): paired t −4.0621, Welch t −1.8608
    sleep = read("student_sleep.csv")
    paired = summary(sleep["first"] - sleep["second"])
    assert t_prime(paired["mean"], paired["u"], 0, 0) == pytest.approx(4.0621, abs=5e-5)
    assert (paired["low"], paired["high"]) == pytest.approx((-2.4598858, -0.7001142), abs=5e-8)
    first, second = summary(sleep["first"]), summary(sleep["second"])
    assert t_prime(first["mean"], first["u"], second["mean"], second["u"]) == pytest.approx(1.8608, abs=5e-5)


def test_students_sleep_by_shuffling_within_patients():
    # no published count: all 1024 sign patterns written out here, one by one
    sleep = read("student_sleep.csv")
    long = sleep.melt("patient", var_name="drug", value_name="extra_h")
    verdict = examine(
        Claim("The drugs differ", "extra_h", "drug", ("first", "second"), ("patient",), scale="absolute"),
        long,
    )
    d = (sleep["second"] - sleep["first"]).to_numpy()
    signs = np.array(np.meshgrid(*[[-1, 1]] * 10)).reshape(10, -1)
    extreme = np.count_nonzero(np.abs(d @ signs) >= abs(d.sum()) - 1e-9)
    assert verdict.p_value == extreme / 1024
    assert verdict.own.value == pytest.approx(1.58, abs=1e-12)
    assert verdict.grade == "can't be settled"  # the list gives one drug after the other, and no order
