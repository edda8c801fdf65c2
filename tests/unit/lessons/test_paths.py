"""Paths through one lesson file: what stands on which page, and how much is asked for in how many minutes."""

import json
import re
from dataclasses import replace

import pytest

from kit.errors import KitError
from kit.launcher import PROJECT
from kit.lessons.cells import MADE_STAGES, arranged, stage_cells
from kit.lessons.cells_inside import INSIDE
from kit.lessons.copies import pages_on_path
from kit.lessons.lesson import load_lesson
from kit.lessons.make import new_lesson, remake
from kit.lessons.notebooks import DEMO_LESSONS, question_arranged, student_pages
from kit.lessons.paths import ALL, DAY, ONE, PATHS, QUESTION_PAGE, TWO, Step, arrange, path_of, spread_values
from kit.lessons.paths import PROJECT as WHOLE
from kit.lessons.waiting import asked_before
from kit.record.workbook import Workbook
from kit.widgets import Stage

LESSON_STAGES = MADE_STAGES[:5]
MOST_THINGS, MOST_ACTIONS = 5, 40


def on(name: str, path: str):
    return replace(load_lesson(PROJECT / "datasets_demo" / name), path=path)


def code_of(cells) -> set[str]:
    return {text for kind, text in cells if kind == "code"}


# --- how much is asked for --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", DEMO_LESSONS)
def test_45_minutes_hold_few_things_a_page_and_few_actions(name):
    lesson = on(name, ONE)
    pages = {stage: arranged(lesson, stage) for stage in LESSON_STAGES}
    assert {stage: len(page.steps) for stage, page in pages.items() if len(page.steps) > MOST_THINGS} == {}
    assert sum(page.actions for page in pages.values()) <= MOST_ACTIONS
    assert question_arranged(lesson).actions <= 12  # in ten minutes


class Hand:
    """Does what a student does, and counts it: each field that is filled, each choice, each button."""

    def __init__(self):
        self.actions = 0

    def fill(self, field, value, name="value"):
        setattr(field, name, value)
        self.actions += 1

    def press(self, button):
        assert not button.disabled
        button.click()
        self.actions += 1

    def answer(self, card, reason=""):
        self.fill(card.choice, card.question.choices[1].id)
        if reason:
            self.fill(card.reason, reason)
        self.fill(card.confidence, "6 to 9 in 10")
        self.press(card.save_button)
        assert "Saved" in card.message.text

    def write(self, box, text):
        self.fill(box.text, text)
        self.press(box.save_button)


@pytest.mark.slow
def test_the_actions_of_45_minutes_are_those_that_a_group_needs(tmp_path, monkeypatch):
    """Done with the pages' own widgets from the first answer to the hand-in: no more, no less than the steps say."""
    monkeypatch.chdir(tmp_path)
    lesson, hand = on("coasting_disc", ONE), Hand()
    book = Workbook(tmp_path / "workbooks" / "coasting_disc.jsonl")
    made = {stage: Stage(lesson, stage, book) for stage in LESSON_STAGES}
    did = {}

    card = made["predict"].prediction("two-magnets")
    hand.answer(card, "twice the magnets")
    hand.answer(card)
    monkeypatch.setenv("KIT_HANDIN_FOLDER", str(tmp_path))
    hand.press(made["predict"].send("answers").send_button)
    sketch = made["predict"].predicted_curve("duration_s")
    for i in range(len(sketch.curve.values)):
        hand.fill(sketch.curve, [9.0 if k <= i else v for k, v in enumerate(sketch.curve.values)], "values")
    hand.press(sketch.seal_button)
    assert "sealed" in sketch.message.text
    did["predict"] = hand.actions

    assert "kit-table" in made["measure"].runs_table().children[0].value
    eye = made["measure"].by_eye()
    eye.pick(3)
    hand.actions += 1  # a row is clicked
    hand.press(eye.show_button)
    assert eye.found is not None
    hand.press(made["measure"].thresholds().children[1])
    hand.write(made["measure"].observation("runs"), "the lines fan out")
    did["measure"] = hand.actions - did["predict"]

    table = made["average"].trials("duration_s").children[0]
    hand.fill(table._answer, "near")
    did["average"] = 1
    before = hand.actions
    drawn = made["trend"].graph_by_hand("duration_s")
    for i in range(len(drawn.graph.points)):
        hand.fill(drawn.graph, [9.0 if k <= i else v for k, v in enumerate(drawn.graph.points)], "points")
    hand.actions += 1  # "draw the curve" is chosen
    hand.fill(drawn.graph, [9.0] * len(drawn.graph.curve), "curve")  # in one stroke
    hand.press(drawn.save_button)
    assert drawn.beside is not None
    fitter = made["trend"].trend("duration_s")
    assert fitter is not None
    hand.actions += 1  # a curve is ticked
    did["trend"] = hand.actions - before
    before = hand.actions

    card = made["explain"].explanation()
    for box in card.boxes.values():
        hand.fill(box, "so it is")
    hand.press(card.save_button)
    hand.answer(made["explain"].final_answer("two-magnets"))
    handin = made["explain"].hand_in()
    hand.press(handin.make_button)
    assert "Your hand-in is made" in handin.message.text
    did["explain"] = hand.actions - before
    assert did == {stage: arranged(lesson, stage).actions for stage in LESSON_STAGES}


# --- nothing is lost --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", DEMO_LESSONS)
@pytest.mark.parametrize("path", ALL)
def test_what_a_path_leaves_out_waits_in_go_further(name, path):
    for stage in MADE_STAGES:
        page, whole = arranged(on(name, path), stage), arranged(on(name, WHOLE), stage)
        assert code_of(page.shown) | code_of(page.further) == code_of(whole.shown)
        assert whole.further == []


@pytest.mark.parametrize("name", DEMO_LESSONS)
def test_go_further_is_closed_and_costs_nothing_before_it_is_asked_for(name):
    lesson = on(name, ONE)
    for page, text in student_pages(lesson, "x").items():
        cells = json.loads(text)["cells"]
        closed = [i for i, cell in enumerate(cells) if cell["metadata"].get("jp-MarkdownHeadingCollapsed")]
        if page[0] in "12345" and "make" not in page:
            first, inside = closed
            assert "".join(cells[-1]["source"]).startswith("## ")  # ends the section, and JupyterLab goes there
            for cell in cells[first + 1 : inside]:
                source = "".join(cell["source"])
                if cell["cell_type"] == "code":
                    assert source.startswith("stage.later(lambda: "), f"{page}: {source}"
                else:  # a heading of the same level would end the closed section
                    assert not re.search(r"(?m)^##? ", source), f"{page}: {source}"
        else:
            assert len(closed) == (page[0] == "6")


@pytest.mark.parametrize("name", DEMO_LESSONS)
@pytest.mark.parametrize("path", ALL)
def test_how_numbers_are_made_is_closed_comes_last_and_costs_no_action(name, path):
    lesson = on(name, path)
    for page, text in student_pages(lesson, "x").items():
        cells = json.loads(text)["cells"]
        sources = ["".join(cell["source"]) for cell in cells]
        if "make" in page:
            assert INSIDE not in sources
            continue
        at = sources.index(INSIDE)
        assert cells[at]["metadata"] == {"jp-MarkdownHeadingCollapsed": True}
        assert at < len(cells) - 2, "there is something to open"
        assert sources[-1].startswith("## "), "the section ends before the page, or it would open by itself"
        for cell, source in zip(cells[at + 1 : -1], sources[at + 1 : -1], strict=True):
            if cell["cell_type"] == "markdown":
                assert not re.search(r"(?m)^##? ", source)
            else:
                assert source.startswith(("if stage.may_look(", "import kit\n")), (
                    "nothing runs before the data may show"
                )
    for stage in MADE_STAGES:
        assert INSIDE not in [text for _, text in arranged(lesson, stage).shown], "so no step counts it"


def test_cells_go_where_their_step_says():
    cells = [("code", "a"), Step("b", on=(TWO,), further=(ONE,)), ("code", "b"), Step("c", on=(ONE,)), ("code", "c")]
    found = {path: arrange(cells, path) for path in (ONE, TWO, DAY)}
    assert [[text for _, text in page.shown] for page in found.values()] == [["a", "c"], ["a", "b"], ["a"]]
    assert [[text for _, text in page.further] for page in found.values()] == [["b"], [], []]
    with pytest.raises(KitError, match="There is no such path"):
        arrange(cells, "half a lesson")


# --- questions wait only for what is asked on the path ----------------------------------------------------------------


def test_data_wait_for_the_questions_of_the_path_alone():
    assert [q.id for q in asked_before(on("coasting_disc", ONE), "measure")] == ["two-magnets"]
    assert [q.id for q in asked_before(on("coasting_disc", TWO), "measure")] == ["two-magnets", "turns"]
    lesson = on("coasting_disc", ONE)  # a lesson that says `before` itself is obeyed on every path
    asked = tuple(replace(q, before="measure") if q.id == "turns" else q for q in lesson.questions)
    kept = replace(lesson, questions=asked)
    assert [q.id for q in asked_before(kept, "measure")] == ["two-magnets", "turns"]
    assert 'stage.prediction("turns")' in code_of(stage_cells(kept, "predict", "x", "y"))


@pytest.mark.slow
@pytest.mark.parametrize("name", DEMO_LESSONS)
def test_ten_minutes_show_one_run_after_the_second_answer(name, tmp_path):
    stage = Stage(on(name, ONE), "predict", Workbook(tmp_path / "group.jsonl"), path=DAY)
    question = stage.lesson.asked("predict")[0]
    run, back = stage.one_run(question.id), stage.look_back(question.id, measured=False)
    assert run.waits and back.waits
    hand = Hand()
    card = stage.prediction(question.id)
    hand.answer(card, "a reason")
    assert not run.look() and "your answer after the discussion" in run._say.text
    hand.answer(card)
    assert run.look()
    words = run.content.children[0].value
    shown = question.run_shown or stage.lesson.reference
    assert f"with {shown:g} {stage.lesson.x}." in words and re.search(r"in [\d.]+ s and made \d+", words)
    assert back.look() and ["a reason" in child.value for child in back.content.children[1:]] == [True, False]


def test_a_short_sketch_spans_the_range():
    assert spread_values((1, 2, 3, 4, 6, 8, 12), TWO) == (1, 2, 3, 4, 6, 8, 12)
    assert spread_values((3, 4, 5, 6, 8), ONE) == (3, 4, 5, 6, 8)
    short = spread_values((1, 2, 3, 4, 6, 8, 12), ONE)
    assert len(short) == 5 and (short[0], short[-1]) == (1, 12)


# --- pages of a path on the disk --------------------------------------------------------------------------------------


def test_a_made_lesson_has_the_pages_of_its_path_and_changes_them(tmp_path):
    place = new_lesson(tmp_path / "brake", "felt_brake", path=DAY)
    assert [path.name for path in place.student.glob("*.ipynb")] == [QUESTION_PAGE]
    assert load_lesson(place.data).path == DAY
    toml = place.data / "lesson.toml"
    toml.write_text(toml.read_text("utf-8").replace(f'path = "{DAY}"', f'path = "{TWO}"'), encoding="utf-8")
    remake(tmp_path / "brake")
    names = {path.name for path in place.student.glob("*.ipynb")}
    assert {"1_predict.ipynb", "5_explain.ipynb", "2b_make_runs.ipynb"} <= names and QUESTION_PAGE not in names
    assert list((tmp_path / "brake" / "earlier").rglob(QUESTION_PAGE))  # nothing is thrown away
    assert 'path=\\"two lessons\\"' in (place.student / "3_average.ipynb").read_text("utf-8")


def test_another_path_gets_a_folder_of_its_own(tmp_path):
    first = pages_on_path("coasting_disc", TWO, tmp_path / "notebooks")
    assert first == tmp_path / "notebooks" / "coasting_disc" / "two_lessons" / "1_predict.ipynb"
    assert "../../../datasets_demo/coasting_disc" in first.read_text("utf-8")
    place = new_lesson(tmp_path / "mine", "felt_brake")
    page = pages_on_path(tmp_path / "mine", DAY)
    assert page == place.student / "question_of_the_day" / QUESTION_PAGE
    source = "".join(json.loads(page.read_text("utf-8"))["cells"][1]["source"])
    assert (
        page.parent / re.search(r'Stage\("([^"]+)"', source)[1] / "lesson.toml"
    ).resolve() == place.data / "lesson.toml"


@pytest.mark.parametrize("path", PATHS)
def test_minutes_add_up(path):
    known = {DAY: 10, ONE: 45, TWO: 90}
    assert path_of(path).total == known.get(path, path_of(path).total)
    assert set(path_of(path).minutes) <= set(MADE_STAGES)
