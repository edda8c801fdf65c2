"""The form for a lesson of one's own, driven by the traits a browser sends."""

from pathlib import Path

import pytest

from kit.lessons.check import check_lesson
from kit.lessons.lesson import load_lesson
from kit.lessons.teacher_key import load_key
from kit.widgets.lesson_form import LessonCheck, LessonForm, findings_html

DEMO = Path(__file__).parents[3] / "datasets_demo"

pytestmark = pytest.mark.usefixtures("runs_read_once")


@pytest.fixture
def form(tmp_path):
    form = LessonForm(DEMO, str(tmp_path / "mine"))
    form.like.value = "felt_brake"
    return form


@pytest.mark.slow
def test_untouched_fields_give_the_same_lesson_and_key(form):
    model = load_lesson(DEMO / "felt_brake")
    assert form.lesson == model
    assert form.key == load_key(model.folder, model)
    assert form.findings == []


def test_what_is_typed_is_made_into_a_lesson_that_passes_its_check(form, tmp_path):
    fields = form.fields
    fields.title.value = 'Pads & "brakes"\\'
    fields.level.value = "open"
    fields.conditions.value = "3; 4; 5; 6; 8"
    fields.start.value = "0,4"
    first, new = fields.questions[0], fields.questions[-1]
    first.choices[-1].value, first.ideas[-1].value = "It depends.", "Waits for the teacher to say."
    new.text.value = "What if the pads were wet?"
    for i, words in enumerate(("longer", "shorter")):
        new.choices[i].value, new.ideas[i].value = words, f"because {words} it is"
    new.supported.value = 1
    form.make_button.click()
    assert "Made." in form.made_message.text
    assert check_lesson(form.made) == []
    lesson = load_lesson(form.made / "student" / "mine")
    assert (lesson.title, lesson.level, lesson.start_period_s) == ('Pads & "brakes"\\', "open", 0.4)
    assert [q.id for q in lesson.questions] == ["six-pads", "speed-line", "level", "what-if-the"]
    assert lesson.questions[0].choices[-1].id == "it-depends"
    key = load_key(form.made / "teacher", lesson)
    assert key["what-if-the"] == {
        "supported": "shorter",
        "ideas": {"longer": "because longer it is", "shorter": "because shorter it is"},
    }
    assert "mine/student/1_predict.ipynb" in form.links.outputs[0]["data"]["text/markdown"]


@pytest.mark.parametrize(
    ("field", "value", "message"),
    [
        ("conditions", "3, 4, many", "Values needs a number. Found: many"),
        ("conditions", " ", "Values needs at least one number"),
        ("reference", "7", "The key changed.reference can't be used"),
        ("start", "0.1", "15 of 15 runs were never as fast as the start"),
        ("title", "  ", "The key title can't be used"),
        ("name", "brakes", "The runs have no such column"),
        ("level", "confirmation", "A confirmation lesson tells the relation, and none is written"),
    ],
)
def test_a_slip_is_told_at_once_and_nothing_is_made(form, field, value, message, tmp_path):
    getattr(form.fields, field).value = value
    assert message in form.table.value.replace("&#x27;", "'")
    assert form.message.problem
    form.make_button.click()
    assert "Not made yet" in form.made_message.text
    assert list(tmp_path.iterdir()) == []


def test_a_warning_stops_nobody(form):
    form.fields.safety.value = ""
    assert not form.message.problem
    assert "Nothing is said about safety" in form.table.value
    form.make_button.click()
    assert form.made is not None


def test_a_question_whose_text_is_emptied_is_left_out(form):
    form.fields.questions[1].text.value = " "
    assert [q.id for q in form.lesson.questions] == ["six-pads", "level"]
    assert set(form.key) == {"six-pads", "level"}


def test_changing_to_another_model_and_back_loses_nothing(form):
    form.fields.title.value = "Typed"
    form.like.value = "card_vanes"
    assert form.fields.title.value == "The card vanes"
    form.like.value = "felt_brake"
    assert form.fields.title.value == "Typed"
    assert form.lesson.title == "Typed"


def test_the_demo_lesson_is_never_written_over(form):
    before = {path: path.read_bytes() for path in (DEMO / "felt_brake").iterdir() if path.is_file()}
    form.folder.value = str(DEMO / "felt_brake")
    form.make_button.click()
    assert "nothing is written over" in form.made_message.text
    assert {path: path.read_bytes() for path in (DEMO / "felt_brake").iterdir() if path.is_file()} == before


def test_the_check_follows_the_files_and_shows_text_as_text(form):
    form.make_button.click()
    check = LessonCheck(form.made)
    assert check.findings == []
    path = form.made / "student" / "mine" / "lesson.toml"
    path.write_text(path.read_text("utf-8") + '\n"<img src=x>" = "<b>"\n', "utf-8")
    check.check_button.click()
    assert check.message.problem
    assert "<img" not in check.table.value
    assert "&lt;img" in check.table.value
    assert findings_html([]) == ""
