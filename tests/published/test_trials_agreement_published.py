"""Two methods compared, against Bland & Altman's own example."""

from pathlib import Path

import pandas as pd
import pytest

from kit.stats.averages import compare_methods

TABLE = Path(__file__).parents[1] / "reference" / "peak_flow_two_meters.csv"


@pytest.fixture(scope="module")
def agreement():
    flow = pd.read_csv(TABLE, comment="#")
    return compare_methods(flow["subject"], flow["wright"], flow["mini"], unit="l/min")


# Bland & Altman, Lancet 1986, i, 307-310, p. 308-309. The paper rounds SD and SE before it multiplies.


def test_bias_and_its_interval(agreement):
    assert agreement.bias == pytest.approx(-2.1, abs=0.05)
    assert agreement.sd == pytest.approx(38.8, abs=0.05)
    assert agreement.bias_u == pytest.approx(9.4, abs=0.05)
    assert agreement.bias_low == pytest.approx(-22.0, abs=0.2)
    assert agreement.bias_high == pytest.approx(17.8, abs=0.2)


def test_limits_of_agreement(agreement):
    low, high = agreement.limits  # the paper takes 2 SD: −79.7 and 75.5
    assert low + 2.1176 == pytest.approx((-79.7 + 2.1) * 1.959964 / 2, abs=0.2)
    assert high + 2.1176 == pytest.approx((75.5 + 2.1) * 1.959964 / 2, abs=0.2)


def test_the_next_difference_needs_a_wider_range(agreement):
    assert agreement.next_range[0] < agreement.limits[0]
    assert agreement.next_range[1] > agreement.limits[1]
    assert "cannot tell the methods apart" in agreement.sentence
