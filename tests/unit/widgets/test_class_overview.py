"""The teacher's widget: pressed as a teacher would press it."""

import shutil

import pytest

from kit.classroom.overview import read_class
from kit.launcher import PROJECT
from kit.widgets.class_overview import ClassOverview

HANDINS, LESSON = PROJECT / "datasets_demo" / "class_handins", PROJECT / "datasets_demo" / "coasting_disc"


@pytest.fixture
def view():
    return ClassOverview(read_class(HANDINS, LESSON), LESSON)


def page(view):
    return view.children[-1].value


def all_texts(widget):
    """Everything that is on the page at this moment, style sheets aside."""
    own = [str(getattr(widget, name, "")) for name in ("value", "description", "options", "text")]
    own += [text for child in getattr(widget, "children", ()) for text in all_texts(child)]
    return [text for text in own if not text.startswith("<style>")]


def go(view, step, show=True):
    view.step.value = step
    if show and not view.shown:
        view.show_button.click()


def test_nothing_of_the_class_is_on_the_page_before_a_button_is_pressed(view):
    for step in [value for _, value in view.step._options_full]:
        go(view, step, show=False)
        text = " ".join(all_texts(view))
        for hidden in ("cv-swatch", "demo-", "cv-bar", "<svg", "groups answered", "spindle,"):
            assert hidden not in text, (step, hidden)


@pytest.mark.slow
def test_every_step_shows_its_part_and_covers_it_again(view):
    expected = {
        "handed-in": "demo-azure", "first": "cv-bar", "discussed": "cv-bar", "end": "cv-bar", "moved": "<svg",
        "reasons": "cv-reasons", "confidence": "Brier", "data": "median of the groups", "explanations": "<article>",
    }  # fmt: skip
    for step, words in expected.items():
        go(view, step)
        assert words in page(view), step
        assert view.show_button.description == "Cover it again"
        view.show_button.click()
        assert words not in page(view) and "Covered." in page(view)


def test_another_question_starts_covered_and_a_shown_one_stays_shown(view):
    go(view, "first")
    view.question.value = "turns"
    assert not view.shown and "Covered." in page(view) and "How many turns does " in page(view)
    view.question.value = "two-magnets"
    assert view.shown and "cv-bar" in page(view)


def test_the_mark_is_set_for_one_part_and_one_question(view):
    go(view, "discussed")
    assert "what the data support" not in page(view)
    view.mark.value = True
    assert "what the data support" in page(view)
    go(view, "moved")
    assert not view.mark.value and "data support" not in page(view)
    go(view, "discussed")
    assert view.mark.value and "what the data support" in page(view)
    view.mark.value = False
    assert "what the data support" not in page(view)


def test_controls_show_only_where_they_do_something(view):
    def visible():
        controls = {"question": view.question, "mark": view.mark, "moment": view.moment, "search": view.search}
        return {name for name, control in controls.items() if control.layout.display != "none"}

    go(view, "first", show=False)
    assert visible() == {"question"}
    go(view, "first")
    assert visible() == {"question", "mark"}
    go(view, "reasons")
    assert visible() == {"question", "moment", "search"}
    go(view, "data")
    assert visible() == set()
    go(view, "explanations")
    assert visible() == {"search"}


def test_reasons_are_searched_and_the_words_do_not_linger(view):
    go(view, "reasons")
    view.search.value = "SPINDLE rubs"
    assert "one reason with “SPINDLE rubs”" in page(view)
    view.moment.value = "after discussion"
    assert "After the discussion:" in page(view)
    go(view, "explanations")
    assert view.search.value == "" and "24 explanations." in page(view)


@pytest.mark.slow
def test_hand_ins_that_came_later_are_read_and_what_is_shown_stays(tmp_path):
    files = sorted(HANDINS.glob("*.json"))
    for path in files[:5]:
        shutil.copy(path, tmp_path)
    view = ClassOverview(tmp_path, LESSON)
    go(view, "first")
    assert "5 groups answered" in page(view)
    shutil.copy(files[5], tmp_path)
    (tmp_path / "bad.json").write_bytes(b"{")
    view.reload_button.click()
    assert "6 groups answered" in page(view) and view.message.text == "6 hand-ins read; before, there were 5."
    for path in tmp_path.iterdir():
        path.unlink()
    view.reload_button.click()
    assert view.message.problem and "There is no hand-in here" in view.message.text
    assert len(view.overview.groups) == 6  # what was read stays


def test_without_answers_there_is_nothing_to_ask_about(hand_in, tmp_path):
    hand_in.write(tmp_path, "a.json", hand_in.document("abc", ("measure", "observation:runs", "it slows down")))
    view = ClassOverview(tmp_path, LESSON)
    go(view, "first", show=False)
    assert view.show_button.disabled and "No hand-in holds an answer to a question." in page(view)


def test_without_a_key_nothing_can_be_marked():
    view = ClassOverview(HANDINS)
    go(view, "first")
    assert view.mark.layout.display == "none"
