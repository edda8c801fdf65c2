"""What a class has from version 0.1.0 goes on in this one with nothing lost; what a later version made is left alone.

The workbooks, hand-ins and the made lesson were written by version 0.1.0 itself (`tests/reference/former/`).
"""

from __future__ import annotations

import ast
import json
import math
import shutil
import warnings
from html import escape, unescape
from pathlib import Path

import pytest

from kit.classroom.overview import read_class
from kit.classroom.receive import Receiver
from kit.errors import KitError, NewerKit
from kit.lessons.lesson import load_lesson
from kit.lessons.progress import Progress
from kit.record.entries import Kind, make_entry
from kit.record.handin import finish_and_clear, make_handin, read_handin, write_handin
from kit.record.workbook import NotSaved, Workbook
from kit.widgets import Stage

PROJECT = Path(__file__).parents[2]
FORMER = PROJECT / "tests" / "reference" / "former"
MADE = FORMER / "lesson" / "student"
LESSONS = {name: PROJECT / "datasets_demo" / name for name in ("coasting_disc", "felt_brake", "card_vanes")} | {
    "lesson": MADE / "lesson"  # the made one
}
pytestmark = pytest.mark.usefixtures("runs_read_once")


def written(name: str) -> list[dict]:
    """The entries as version 0.1.0 wrote them, line by line."""
    return [json.loads(line) for line in (FORMER / "groups" / f"{name}.jsonl").read_bytes().splitlines()]


@pytest.fixture(params=LESSONS)
def name(request) -> str:
    return request.param


@pytest.fixture
def workbook(name, tmp_path) -> Workbook:
    return Workbook(shutil.copy(FORMER / "groups" / f"{name}.jsonl", tmp_path / f"{name}.jsonl"))


def test_every_entry_and_every_choice_of_a_group_is_there(name, workbook):
    records = written(name)
    assert [entry.record() for entry in workbook.entries] == records
    assert workbook.verify() == [] and workbook.damage == ()
    latest = {record["kind"]: record["value"] for record in records}
    progress = Progress(load_lesson(LESSONS[name]), workbook)
    assert progress.thresholds._asdict() == latest["threshold"]
    assert [*progress.sources] == latest["sources"]
    made = [record["value"] for record in records if record["kind"] == "run"]
    assert len(made) == 4  # bench, taps, gate, file
    for run, value in zip(progress.own.runs, made, strict=True):
        assert run.pass_times_s.tolist() == pytest.approx(value["pass_times_s"], abs=1e-12)
        kept = (run.origin, run.conditions, run.trial, run.flags_per_turn, run.note)
        assert kept == tuple(value[key] for key in ("origin", "conditions", "trial", "flags_per_turn", "note"))
    aside = {
        record["value"]["source"]: record["value"]["reason"] for record in records if record["kind"] == "set_aside"
    }
    assert progress.set_aside == {source: reason for source, reason in aside.items() if reason}
    for source, places in latest.get("refused_repairs", {}).items():
        run = next(curve.run for curve in progress.curves if curve.run.source == source)
        assert [i for i, repair in enumerate(run.repairs) if not repair.accepted] == places


def test_the_numbers_are_those_of_0_1_0_to_within_their_uncertainty(name, workbook):
    former = next(record["value"] for record in reversed(written(name)) if record["kind"] == "results")
    progress = Progress(load_lesson(LESSONS[name]), workbook)
    now = progress.results.to_dict("records")
    by_source = {row["source"]: row for row in now}
    assert len(by_source) == len(former) == len(now)
    for row in former:
        mine = by_source[row["source"]]
        assert [mine[key] for key in (progress.x, "trial", "set_aside")] == [
            row[key] for key in (progress.x, "trial", "set_aside")
        ]
        for quantity, u in (("duration_s", "duration_u_s"), ("turns", "turns_u")):
            if row[quantity] is not None and not math.isnan(mine[quantity]):
                assert abs(mine[quantity] - row[quantity]) <= 3 * math.hypot(mine[u], row[u]) + 1e-9, (row, mine)


def test_the_hand_in_reads_and_a_workbook_that_goes_on_takes_its_place(name, workbook, tmp_path):
    folder = tmp_path / "class"
    folder.mkdir()
    file = f"handin_{name}_silver-otter-427.json"
    shutil.copy(FORMER / "groups" / file, folder)
    before = read_handin(folder / file)
    assert [entry.record() for entry in before.entries] == written(name)
    assert before.unchanged and before.warnings == ()
    lesson = load_lesson(LESSONS[name])
    (group,) = read_class(folder, lesson).groups
    assert group.code == "silver-otter-427" and group.runs and group.explanation and group.claims
    stage = Stage(lesson, "explain", workbook)
    box = stage.observation("trend")
    box.text.value = "It goes on in the new version."
    box.save_button.click()
    later = write_handin(make_handin(workbook, "silver-otter-427", lesson.name), folder)
    overview = read_class(folder, lesson)
    assert [g.file for g in overview.groups] == [later.name]  # the fuller one counts
    assert [refused.file for refused in overview.refused] == [file]  # and the former stays where it was
    assert read_handin(later).entries[: len(before.entries)] == before.entries
    assert (folder / file).read_bytes() == (FORMER / "groups" / file).read_bytes()


# --- every page of the made lesson ------------------------------------------------------------------------------------


def shown_by(page: Path) -> str:
    """All words on a page whose cells have run."""
    names: dict = {}
    shown = []
    for cell in json.loads(page.read_text("utf-8"))["cells"]:
        if cell["cell_type"] != "code":
            continue
        *first, last = ast.parse("".join(cell["source"])).body
        exec(compile(ast.Module(first, []), str(page), "exec"), names)
        if isinstance(last, ast.Expr):
            found = eval(compile(ast.Expression(last.value), str(page), "eval"), names)
            shown.append(words_of(found))
        else:
            exec(compile(ast.Module([last], []), str(page), "exec"), names)
    return unescape(" ".join(shown))


def words_of(found) -> str:
    if hasattr(found, "get_state"):
        own = " ".join(strings(found.get_state()))
        return f"{own} {' '.join(words_of(child) for child in getattr(found, 'children', ()))}"
    return found._repr_html_() if hasattr(found, "_repr_html_") else repr(found)


def strings(value):
    if isinstance(value, dict | list | tuple):
        for part in value.values() if isinstance(value, dict) else value:
            yield from strings(part)
    elif isinstance(value, str):
        yield value


def what_they_wrote(name: str) -> set[str]:
    """Texts of a group that no later one of its kind replaced. This lesson asks for no question of their own."""
    latest = {record["kind"]: record["value"] for record in written(name)}
    texts = set()
    for kind, value in latest.items():
        if Kind.OBSERVATION.covers(kind) and kind != Kind.OBSERVATION.of("question"):
            texts.add(value)
        elif kind == Kind.EXPLANATION or Kind.CLAIM.covers(kind):
            texts |= {text for part, text in value.items() if part not in ("matters_percent", "trials")}
    for record in written(name):
        if Kind.PREDICTION.covers(record["kind"]):
            texts.add(record["value"]["reason"])
        elif record["kind"] == Kind.COMPARISON:
            texts.add(record["value"]["why"])
        elif record["kind"] == Kind.SET_ASIDE and record["value"]["reason"] == "a sleeve touched the rim":
            texts.add(record["value"]["reason"])
    return texts


@pytest.mark.slow
def test_each_page_of_the_made_lesson_runs_and_shows_what_the_group_wrote(tmp_path, monkeypatch):
    """Pages as version 0.1.0 made them, with the group's workbook beside them."""
    place = Path(shutil.copytree(MADE, tmp_path / "student"))
    (place / "workbooks").mkdir()
    kept = shutil.copy(FORMER / "groups" / "lesson.jsonl", place / "workbooks")
    monkeypatch.chdir(place)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FutureWarning)  # names that moved
        words = " ".join(shown_by(page) for page in sorted(place.glob("*.ipynb")))
    missing = {text for text in what_they_wrote("lesson") if text not in words and escape(text) not in words}
    assert not missing
    raw = (FORMER / "groups" / "lesson.jsonl").read_bytes()
    assert Path(kept).read_bytes().startswith(raw)


# --- what a later version of the kit made ---------------------------------------------------------------------------


def later_line(workbook: Workbook) -> bytes:
    """An entry as a later version may write it: with a field that this one does not know."""
    entry = make_entry(workbook.entries[-1], "predict", "observation:later", "kept", False)
    return json.dumps({**entry.record(), "hand": "left"}).encode() + b"\n"


@pytest.mark.parametrize("name", ["felt_brake"], indirect=True)
@pytest.mark.parametrize("at_the_end", [True, False])
def test_a_workbook_of_a_later_version_says_so_and_stays_as_it_is(name, workbook, at_the_end, tmp_path):
    old = workbook.path.read_bytes()
    raw = old + later_line(workbook) if at_the_end else later_line(workbook) + old
    workbook.path.write_bytes(raw)
    book = Workbook(workbook.path)
    assert len(book.entries) == len(written(name))  # what can be read shows
    (said,) = book.damage
    assert said.startswith("A newer version of the kit made this workbook. It is kept as it is")
    with pytest.raises(NotSaved, match="a newer version of the kit wrote in this workbook"):
        book.add("predict", "observation:now", "lost?")
    handin = write_handin(make_handin(book, "abc", "felt_brake"), tmp_path)
    with pytest.raises(KitError, match="A newer version of the kit made this workbook"):
        finish_and_clear(book, handin, remove=True)
    with pytest.raises(KitError, match="A newer"):
        book.clear(book.entries[-1].hash)
    assert book.path.read_bytes() == raw
    assert {path.name for path in tmp_path.glob("felt_brake*")} == {"felt_brake.jsonl", "felt_brake.lock"}


@pytest.mark.parametrize("name", ["felt_brake"], indirect=True)
def test_a_downloaded_workbook_of_a_later_version_is_put_beside(name, workbook):
    raw = workbook.path.read_bytes()
    download = later_line(workbook)
    said = workbook.restore(raw + download)
    assert said == (
        "A newer version of the kit made this file. It is kept whole as felt_brake.other-1.jsonl. "
        "The workbook here is as it was."
    )
    assert workbook.path.with_name("felt_brake.other-1.jsonl").read_bytes() == raw + download
    assert workbook.path.read_bytes() == raw
    assert "other-2" in workbook.restore(download)  # nothing in it can be read: kept all the same


@pytest.mark.parametrize("name", ["felt_brake"], indirect=True)
def test_a_hand_in_of_a_later_version_is_named_and_kept(name, tmp_path):
    document = json.loads((FORMER / "groups" / f"handin_{name}_silver-otter-427.json").read_bytes())
    later = json.dumps(document | {"version": 3, "heard": []}).encode()
    (tmp_path / "group.json").write_bytes(later)
    with pytest.raises(NewerKit, match=r"group\.json: A newer version of the kit made this hand-in\. .*open it with"):
        read_handin(tmp_path / "group.json")
    taken = write_handin(document, tmp_path / "group.json")  # does not replace what it can't read
    assert taken.name == "group_2.json" and (tmp_path / "group.json").read_bytes() == later
    overview = read_class(tmp_path)
    assert [group.file for group in overview.groups] == ["group_2.json"]
    (refused,) = overview.refused
    assert refused.file == "group.json" and refused.why.startswith("A newer version of the kit made this hand-in.")
    desk = Receiver(tmp_path / "desk")
    kept = desk.keep(later)
    assert kept.new and not desk.keep(later).new and not Receiver(tmp_path / "desk").keep(later).new
    (path,) = (tmp_path / "desk").glob("*.json")
    assert path.read_bytes() == later
    desk.keep(json.dumps(document).encode())
    assert [refused.file for refused in read_class(tmp_path / "desk").refused] == [path.name]
