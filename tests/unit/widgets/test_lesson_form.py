"""The form for a lesson of one's own, driven by the traits a browser sends."""

from pathlib import Path

import pytest

from kit.lessons.check import check_lesson
from kit.lessons.lesson import load_lesson
from kit.lessons.teacher_key import load_key
from kit.widgets.lesson_form import LessonCheck, LessonForm, findings_html
from tests.unit.lessons.sponge_logs import write_sponge_logs

DEMO = Path(__file__).parents[3] / "datasets_demo"

pytestmark = pytest.mark.usefixtures("runs_read_once")


@pytest.fixture
def form(tmp_path):
    form = LessonForm(DEMO, str(tmp_path / "mine"))
    form.begin.value = "like"
    form.like.value = "felt_brake"
    return form


@pytest.mark.slow
def test_untouched_fields_give_the_same_lesson_and_key(form):
    model = load_lesson(DEMO / "felt_brake")
    assert form.lesson == model
    assert form.key == load_key(model.folder, model)
    assert form.findings == []


@pytest.mark.slow
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


@pytest.mark.slow
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
    assert not (tmp_path / "mine").exists()


@pytest.mark.slow
def test_a_warning_stops_nobody(form):
    form.fields.safety.value = ""
    assert not form.message.problem
    assert "Nothing is said about safety" in form.table.value
    form.make_button.click()
    assert form.made is not None


@pytest.mark.slow
def test_a_question_whose_text_is_emptied_is_left_out(form):
    form.fields.questions[1].text.value = " "
    assert [q.id for q in form.lesson.questions] == ["six-pads", "level"]
    assert set(form.key) == {"six-pads", "level"}


@pytest.mark.slow
def test_changing_to_another_model_and_back_loses_nothing(form):
    form.fields.title.value = "Typed"
    form.like.value = "card_vanes"
    assert form.fields.title.value == "The card vanes"
    form.like.value = "felt_brake"
    assert form.fields.title.value == "Typed"
    assert form.lesson.title == "Typed"


@pytest.mark.slow
def test_the_demo_lesson_is_never_written_over(form):
    before = {path: path.read_bytes() for path in (DEMO / "felt_brake").iterdir() if path.is_file()}
    form.folder.value = str(DEMO / "felt_brake")
    form.make_button.click()
    assert "nothing is written over" in form.made_message.text
    assert {path: path.read_bytes() for path in (DEMO / "felt_brake").iterdir() if path.is_file()} == before


@pytest.mark.slow
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


# --- own logs, and no data yet ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    return write_sponge_logs(tmp_path_factory.mktemp("measured") / "logs")


def begin(logs, folder):
    form = LessonForm(DEMO, str(folder))
    form.logs.folder.value = str(logs)
    form.logs.changed.value = "sponges"
    form.logs.read_button.click()
    return form


def test_nothing_is_checked_before_there_is_something_to_check(tmp_path):
    form = LessonForm(DEMO, str(tmp_path / "mine"))
    assert form.begin.value == "logs"
    assert (form.findings, form.message.text, form.make_button in form._rest.children) == ([], "", False)
    form.logs.read_button.click()
    assert form.logs.message_read.text.startswith("Name the folder of your logs")
    form.logs.folder.value = str(tmp_path / "none")
    form.logs.read_button.click()
    assert form.logs.message_read.text == (
        "none: There is no such folder. What to do: check the name and where you are."  # and not where that would lie
    )


@pytest.mark.slow
def test_a_lesson_is_made_of_own_logs_left_and_resumed(logs, tmp_path):
    form = begin(logs, tmp_path / "sponge_wheel")
    assert "15 runs read.\nsponges: 1 (3 runs), 2 (3 runs)" in form.logs.message_read.text
    assert form.logs.table.value.splitlines()[1] == "Sponge 2 run 1.txt,2,1"
    form.logs.ticks["liquids"].value = True
    form.logs.hand.value = "2; 25,5; 40\n4; 14; 22"
    form.logs.propose_button.click()
    assert form.message.text == "No problem found. The lesson is ready."
    form.fields.title.value = "Wet wheels"
    new = form.fields.questions[-1]
    new.text.value = "How many turns does it make with 4?"
    for i, words in enumerate(("About 30 turns.", "About 60 turns.")):
        new.choices[i].value, new.ideas[i].value = words, f"The idea behind {words}"
    assert "supported can" in form.table.value  # empty until chosen
    assert new.take_button.description == "By your runs: choice 1. Take it"
    again = LessonForm(DEMO, str(tmp_path / "sponge_wheel"))  # the page was left, and opened again
    assert again.fields.title.value == "Wet wheels"
    assert again.logs.ticks["liquids"].value
    again.fields.questions[-1].take_button.click()
    assert again.message.text == "No problem found. The lesson is ready."
    again.make_button.click()
    assert check_lesson(again.made) == []
    assert again._opens.page.endswith("sponge_wheel/student/1_predict.ipynb|1")
    lesson = load_lesson(again.made / "student" / "sponge_wheel")
    assert (lesson.title, len(lesson.runs()), len(lesson.questions)) == ("Wet wheels", 15, 2)
    assert lesson.hand_counts()["duration_s"].tolist() == [25.5, 14.0]
    assert str(tmp_path) not in again.made_message.text
    assert LessonForm(DEMO, str(tmp_path / "sponge_wheel")).logs.folder.value == ""  # the next one begins empty


@pytest.mark.slow
def test_what_was_typed_stays_when_the_proposal_is_made_anew(logs, tmp_path):
    form = begin(logs, tmp_path / "mine")
    form.logs.propose_button.click()
    form.fields.title.value = "Mine"
    form.logs.unit.value = "pieces"
    form.logs.propose_button.click()
    assert (form.fields.title.value, form.fields.unit.value) == ("Mine", "pieces")


@pytest.mark.slow
def test_without_data_the_bench_makes_some_and_says_so(tmp_path):
    form = LessonForm(DEMO, str(tmp_path / "mine"))
    form.begin.value = "bench"
    form.bench.propose_button.click()
    assert "Say what is changed" in form.bench.message.text
    form.bench.changed.value, form.bench.many.value = "sponges", "90"
    form.bench.propose_button.click()
    assert "must shorten the coasting" in form.bench.message.text
    form.bench.many.value = "20"
    form.bench.propose_button.click()
    assert "invented" in form.lesson.data_notice
    form.make_button.click()
    assert check_lesson(form.made) == []
