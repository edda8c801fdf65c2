"""A class while the lesson goes on: where each group stands, sketches over each other, claims, one page to print."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from kit.classroom.live import PARTS, Chosen, LiveClass, standing, summary_of
from kit.classroom.overview import ClassReader, Show, read_class
from kit.classroom.sections import SECTIONS
from kit.classroom.sketches import sketches, sketches_and_data
from kit.classroom.tables import claims as claims_table
from kit.errors import KitError
from kit.launcher import PROJECT
from kit.lessons.lesson import load_lesson

LESSON = PROJECT / "datasets_demo" / "coasting_disc"
DEMO = PROJECT / "datasets_demo" / "class_handins"


def curve(*values, quantity="duration_s"):
    return ("predict", f"predicted_curve:{quantity}", {"x": [1, 2, 4], "values": list(values)}, True)


@pytest.fixture
def three(hand_in, tmp_path):
    """A folder with three groups at different places of the lesson."""
    first = hand_in.answer("two-magnets", "half")
    both = (first, hand_in.answer("turns", "half"))
    arguing = {"claim": "It is <b>louder</b>", "evidence": "6 dB", "reasoning": "", "rebuttal": "one room only"}
    steps = {
        "a-1": (first, curve(40, 20, 10)),
        "b-2": (*both, hand_in.answer("two-magnets", "between", "after discussion"), curve(60, 30, 5)),
        "c-3": (
            *both,
            curve(50, 40, 30),
            ("measure", "lifted", {"what": "measure", "missing": []}),
            ("measure", "shown:measure", {"missing": []}),
            hand_in.results((1, 38.0, 80.0), (1, 40.0, 84.0), (4, 11.0, 22.0)),
            ("explain", "explanation", {"claim": "more brake", "evidence": "", "reasoning": "", "rebuttal": ""}),
            ("investigate", "claim:loud", arguing),
            ("investigate", "claim:own", {"claim": "warm is faster", "changed": "warmth"}),
            ("investigate", "sent:claims", {"to": "desk"}),
        ),
    }
    for code, done in steps.items():
        hand_in.write(tmp_path, f"{code}.json", hand_in.document(code, *done))
    return tmp_path


def test_where_each_group_stands(three):
    longer = replace(load_lesson(LESSON), path="two lessons")  # in 45 minutes one question is sealed before the data
    stands = standing(read_class(three, longer), groups=5)
    assert (stands["sealed"], stands["of"], stands["unheard"], stands["not_sealed"]) == (2, 5, 2, ["a-1"])
    assert standing(read_class(three, LESSON), groups=5)["not_sealed"] == []
    counts = {step["words"]: (step["n"], step["missing"]) for step in stands["steps"]}
    assert counts["question 1: sealed"] == (3, [])
    assert counts["question 1: after the discussion"] == (1, ["a-1", "c-3"])
    assert counts["the sketch"] == (3, [])
    assert counts["results of runs"] == (1, ["a-1", "b-2"])
    assert counts["something about a claim"] == (1, ["a-1", "b-2"])
    notes = {row["code"]: row["notes"] for row in stands["rows"]}
    assert notes["c-3"].startswith("opened by a teacher: measure; has seen data (measure)") and notes["a-1"] == ""


def test_nobody_yet_is_no_error(tmp_path):
    live = LiveClass(tmp_path, LESSON, groups=3)
    stands = standing(live.overview, live.groups)
    assert (stands["sealed"], stands["heard"], stands["unheard"]) == (0, 0, 3)
    for part in PARTS:
        assert live.html(Chosen(part), {"text": "", "chart": ""})
    assert summary_of(live.overview)["questions"] == []


def test_the_folder_is_read_again_only_where_it_changed(three, hand_in):
    live = LiveClass(three, find_lesson=lambda name: LESSON if name == "coasting_disc" else None)
    assert live.overview.lesson is not None and not live.read()
    version = live.version
    hand_in.write(three, "d-4.json", hand_in.document("d-4", hand_in.answer("turns", "half")))
    assert live.read() and live.version == version + 1 and len(live.overview.groups) == 4
    hand_in.write(three, "d-4.json", b"{")
    assert live.read() and len(live.overview.groups) == 3 and live.overview.refused[0].file == "d-4.json"


def test_a_reader_that_remembers_says_what_a_fresh_one_does(three, hand_in):
    reader = ClassReader(three, LESSON)
    for code in ("d-4", "a-1"):
        reader.read()
        hand_in.write(three, f"{code}.json", hand_in.document(code, hand_in.answer("turns", "half")))
    assert reader.read() == read_class(three, LESSON)


def test_what_is_not_there_can_not_be_shown(three):
    live = LiveClass(three, LESSON)
    for chosen in (Chosen("handed-in"), Chosen("first", "no such question"), Chosen("first", moment="never")):
        with pytest.raises(KitError):
            live.show(chosen)
    assert live.shown is None


def test_the_projectors_page_moves_by_screens_and_begins_at_the_top_of_each_part(three):
    live = LiveClass(three, LESSON)
    live.show(Chosen("first", "two-magnets"))
    version = live.version
    for by, found in ((-1, 0), (1, 1), (1, 2), (-1, 1)):
        live.scroll(by)
        assert live.scrolled == found
    assert live.version == version + 4
    live.show(Chosen("discussed", "two-magnets"))
    assert live.scrolled == 0


def test_sketches_lie_over_each_other_and_over_the_data(three):
    overview = read_class(three, LESSON)
    (before,) = sketches(Show(overview))["quantities"]
    assert before["chart"].count("<path") == 4  # three groups and the dashed middle
    assert before["chart"].count("stroke-dasharray") == 1 and "<rect" not in before["chart"]
    assert before["sentence"].startswith("Thin lines: 3 sketches.")
    (after,) = sketches_and_data(Show(overview))["quantities"]
    assert after["chart"].count("<rect") == 2 and "3 runs" in after["sentence"]


def test_places_on_the_chart_are_those_of_the_values(three):
    """x = 1 and 4 lie as far from 0 as 1 and 4 do: a number line."""
    (part,) = sketches(Show(read_class(three, LESSON)))["quantities"]
    first = re.search(r'<path d="M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)"', part["chart"])
    x1, y1, x2, y2, x4, y4 = map(float, first.groups())
    assert (x4 - x1) / (x2 - x1) == pytest.approx(3, abs=0.01)
    assert (y2 - y1) / (y4 - y2) == pytest.approx(20 / 10, abs=0.02)  # 40, 20, 10


def test_a_sketch_far_above_does_not_press_the_others_flat(three, hand_in):
    hand_in.write(three, "joke.json", hand_in.document("joke", curve(9e5, 9e5, 9e5)))
    (part,) = sketches(Show(read_class(three, LESSON)))["quantities"]
    assert "One sketch went on above the top." in part["sentence"]
    assert ">60<" in part["chart"]


def test_claims_stand_under_their_questions(three):
    overview = read_class(three, LESSON)
    assert claims_table(overview)[["id", "group"]].to_numpy().tolist() == [["loud", "c-3"], ["own", "c-3"]]
    section = next(section for section in SECTIONS if section.id == "claims")
    html = section.html(Show(overview))
    assert "It is &lt;b&gt;louder&lt;/b&gt;" in html and "A claim of the group’s own" in html
    assert overview.lesson.claim("loud").question in html.replace("&#39;", "'")
    assert "louder" not in section.html(Show(overview, search="nowhere"))


@pytest.mark.slow
def test_one_page_says_what_the_tables_do():
    overview = read_class(DEMO, LESSON)
    summary = summary_of(overview, 30)
    rows = {text: counts for _, text, counts in summary["questions"][0]["rows"]}
    assert [sum(column) for column in zip(*rows.values(), strict=True)][:1] == [28]
    assert rows["About 19 s, half as long."][0] == 13
    assert len(summary["reference"]) == 2 and summary["condition"] == "number of magnets = 2"
    assert summary["explained"] > 20 and summary["heard"] == "28 groups"
