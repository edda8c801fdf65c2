"""Comparing two values: t′, what it suggests, and the entry that keeps a cycle."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.errors import KitError
from kit.stats.averages import DECISIONS, Measured, band, compare

HAND, GATE = Measured("by hand", 80.0, 0.9, "s"), Measured("gate", 82.0, 1.2, "s")


def test_a_difference_of_two_against_three_four_five():
    found = compare(HAND, GATE)  # √(0.9² + 1.2²) = 1.5
    assert found.t_prime == pytest.approx(2.0 / 1.5)
    assert found.sentence == "They are 2.0 ± 1.5 s apart. So t′ = 1.3: cannot tell yet: improve or repeat."


value, u = st.floats(-1e6, 1e6), st.floats(1e-3, 1e3)


@given(value, u, value, u)
def test_order_does_not_matter_and_more_uncertainty_never_separates(a, ua, b, ub):
    first, second = Measured("a", a, ua), Measured("b", b, ub)
    there, back = compare(first, second), compare(second, first)
    assert there.t_prime == back.t_prime >= 0
    assert there.suggests == band(there.t_prime)
    assert compare(first, Measured("b", b, 2 * ub)).t_prime <= there.t_prime


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: compare(HAND, HAND), "the same value"),
        (lambda: compare(HAND, Measured("turns", 80, 1)), "one unit can be compared; found: 's and a plain number'"),
        (lambda: Measured(" ", 1, 1), "needs a name"),
        (lambda: Measured("a", float("nan"), 1), "must be a number"),
        (lambda: Measured("a", 1, 0), "above zero"),
        (lambda: compare(HAND, GATE).entry("", "because"), "Choose what to do next"),
        (lambda: compare(HAND, GATE).entry("repeat", "  "), "Say why"),
    ],
)
def test_what_cannot_be_compared_is_said(make, message):
    with pytest.raises(KitError) as caught:
        make()
    assert re.search(message.replace("; found", ".*"), str(caught.value))


@pytest.mark.parametrize("decision", DECISIONS)
def test_an_entry_is_flat_and_whole(decision):
    entry = compare(HAND, GATE).entry(decision, " they overlap ")
    assert all(isinstance(cell, str | int | float) for cell in entry.values())
    assert (entry["first"], entry["second_value"], entry["decision"]) == ("by hand", 82.0, decision)
    assert entry["why"] == "they overlap"
