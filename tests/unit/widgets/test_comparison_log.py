"""The log of comparison cycles, driven in-process as a browser drives it."""

import pytest

from kit.record.handin import make_handin
from kit.record.summary import summarise
from kit.record.workbook import Workbook
from kit.stats.averages import Measured
from kit.widgets.comparison_log import ComparisonLog

OFFERED = [Measured("1 magnet", 38.0, 0.4, "s"), Measured("2 magnets", 23.1, 0.3, "s"), Measured("turns", 84, 1)]


@pytest.fixture
def workbook(tmp_path):
    return Workbook(tmp_path / "group.jsonl")


@pytest.fixture
def log(workbook):
    return ComparisonLog(OFFERED, workbook, "average")


def keep(log, decision, why):
    log.decision.value, log.why.value = decision, why
    log.save_button.click()


def test_the_first_two_values_are_compared_at_once(log):
    assert log.comparison.t_prime == pytest.approx(14.9 / 0.5)
    assert "t′ = 30: they differ" in log.result.text


def test_every_cycle_is_kept_and_listed_again(log, workbook):
    keep(log, "revise", "more drag")
    log.sides[1].choice.value = None
    label, value, u, unit = log.sides[1]._typed
    label.value, value.value, u.value, unit.value = "group B", "38,3", "0.5", "s"
    keep(log, "accept", "<b>close</b>")
    cycles = summarise(workbook.entries).comparisons
    assert [(c["second"], c["decision"]) for c in cycles] == [("2 magnets", "revise"), ("group B", "accept")]
    assert cycles[1]["t_prime"] == pytest.approx(0.3 / 0.41**0.5)
    again = ComparisonLog(OFFERED, workbook, "average").cycles.value
    assert "more drag" in again
    assert "&lt;b&gt;close" in again
    assert len(make_handin(workbook, "amber-otter-1", "coasting_disc")["comparisons"]) == 2


@pytest.mark.parametrize(
    ("decision", "why", "message"), [(None, "so", "Choose what to do next"), ("repeat", " ", "Say why")]
)
def test_a_cycle_needs_a_decision_and_a_reason(log, workbook, decision, why, message):
    keep(log, decision, why)
    assert message in log.message.text
    assert workbook.history("comparison") == ()


def test_what_is_missing_or_cannot_be_compared_is_said(log, workbook):
    log.sides[1].choice.value = 2
    assert "Only values of one unit" in log.result.text
    log.sides[1].choice.value = None
    assert "Value needs a number" in log.result.text
    keep(log, "repeat", "so")
    assert "choose two values" in log.message.text
    assert workbook.history("comparison") == ()


def test_without_data_a_value_can_still_be_typed(workbook):
    log = ComparisonLog([], workbook, "average")
    assert all(side.choice.value is None for side in log.sides)
    assert log.comparison is None


def test_a_reason_not_yet_kept_comes_back(log, workbook):
    log.why.value = "they overlap"
    assert ComparisonLog(OFFERED, workbook, "average").why.value == "they overlap"
