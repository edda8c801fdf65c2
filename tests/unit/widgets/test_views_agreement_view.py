"""The view of two methods: first the question, then the differences."""

import pytest

from kit.errors import KitError
from kit.widgets.views import AgreementView

MAGNETS = [1, 2, 3, 4, 6, 8]
HAND_S = [38.9, 23.8, 17.1, 13.5, 9.4, 7.3]
GATE_S = [37.97, 23.11, 16.61, 12.97, 9.01, 6.91]


def test_nothing_shows_before_the_question_is_answered():
    view = AgreementView(MAGNETS, HAND_S, GATE_S)
    assert view._shown.layout.display == "none"
    view._question.set_state({"index": 2})
    assert view.same_thing == "no"
    assert view._shown.layout.display == ""
    assert "different stretches of the same run" in view._say.text
    assert "Average difference" in view._say.text
    assert len(view._plot.table) == 6


def test_the_answer_can_be_changed_and_restored():
    view = AgreementView(MAGNETS, HAND_S, GATE_S)
    view.same_thing = "unknown"
    assert view._question.value == "unknown"
    view.same_thing = "yes"
    assert "one of the methods" in view._say.text


def test_too_few_pairs():
    with pytest.raises(KitError, match="Fewer than three pairs"):
        AgreementView([1, 2], [3, 4], [3, 4])
