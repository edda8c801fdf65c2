import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.classroom.statistics import mcnemar, stuart_maxwell
from kit.errors import KitError

TABLES = st.integers(2, 5).flatmap(
    lambda k: st.lists(st.lists(st.integers(0, 12), min_size=k, max_size=k), min_size=k, max_size=k)
)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 60), st.integers(0, 60))
def test_two_choices_are_mcnemar(gained, lost):
    found, both = mcnemar(gained, lost), stuart_maxwell([[5, lost], [gained, 7]], flips=10)
    assert both.movers == gained + lost
    assert both.chi2 == pytest.approx(found.chi2, nan_ok=True)
    assert both.dof == (1 if gained + lost else 0)


@settings(max_examples=60, deadline=None)
@given(TABLES)
def test_the_statistic_is_the_usual_one_where_that_exists(table):
    """Against the textbook way: drop the last choice, invert what is left. It exists where S has full rank."""
    table = np.array(table)
    both = table + table.T
    covariance = (np.diag(both.sum(axis=1)) - both)[:-1, :-1]
    found = stuart_maxwell(table, flips=10)
    if np.linalg.matrix_rank(covariance) == len(table) - 1:
        d = (table.sum(axis=1) - table.sum(axis=0))[:-1]
        assert found.chi2 == pytest.approx(d @ np.linalg.solve(covariance, d), rel=1e-8, abs=1e-9)
        assert found.dof == len(table) - 1


def test_choices_nobody_moved_between_cost_no_degree_of_freedom():
    small = stuart_maxwell([[4, 6], [1, 3]])
    padded = stuart_maxwell([[4, 6, 0], [1, 3, 0], [0, 0, 9]])
    assert (padded.chi2, padded.dof, padded.p) == pytest.approx((small.chi2, small.dof, small.p))
    two_pairs = stuart_maxwell([[0, 6, 0, 0], [1, 0, 0, 0], [0, 0, 0, 5], [0, 0, 5, 0]])
    assert two_pairs.dof == 2


def test_random_flips_agree_with_the_exact_test():
    for gained, lost in ((8, 0), (7, 1), (3, 2), (12, 4)):
        flips = stuart_maxwell([[0, lost], [gained, 0]]).p_flips
        assert flips == pytest.approx(mcnemar(gained, lost).p_exact, abs=0.01)


def test_nobody_moved():
    found = stuart_maxwell([[3, 0], [0, 4]])
    assert np.isnan(found.chi2) and (found.p, found.p_flips, found.movers) == (1, 1, 0)
    assert np.isnan(mcnemar(0, 0).z) and mcnemar(0, 0).p_exact == 1


def test_few_movers_are_never_called_rare():
    assert mcnemar(1, 0).p_exact == 1
    assert mcnemar(4, 0).p_exact == pytest.approx(2 / 16)


@pytest.mark.slow
def test_false_alarms_come_as_often_as_they_should():
    """2000 classes without a real shift: p below 5 % in at most 5 % of them (exact), and a real shift is found."""
    random = np.random.default_rng(5)
    gained = random.binomial(12, 0.5, 2000)
    assert np.mean([mcnemar(int(g), int(12 - g)).p_exact < 0.05 for g in gained]) <= 0.05
    shifted = random.binomial(12, 0.9, 2000)
    assert np.mean([mcnemar(int(g), int(12 - g)).p_exact < 0.05 for g in shifted]) > 0.8


@pytest.mark.parametrize("table", [[[1, 2, 3], [1, 2, 3]], [[1]], [1, 2], [[1, -1], [0, 2]], [[1, 0.5], [0, 2]]])
def test_what_is_no_table_of_moves_is_refused(table):
    with pytest.raises(KitError, match=r"square table|whole numbers"):
        stuart_maxwell(table)
    with pytest.raises(KitError, match="below 0"):
        mcnemar(-1, 3)
