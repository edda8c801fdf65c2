"""How to build it: drawings to print, labelled in the lesson's words, and a page that says what is from memory."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from kit.lessons.build_it import build_it_cells, gate_drawing, setup_drawing
from kit.lessons.lesson import load_lesson
from kit.lessons.notebooks import DEMO_LESSONS

DEMO = Path(__file__).parents[3] / "datasets_demo"
SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize("drawing", [*(setup_drawing(DEMO / name) for name in DEMO_LESSONS), gate_drawing()])
def test_a_drawing_is_whole_and_its_labels_stay_on_the_sheet(drawing, tmp_path):
    root = ET.fromstring(drawing.write(tmp_path / "a.svg").read_text("utf-8"))
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    labels = root.findall(f"{SVG}text")
    assert len(labels) > 6
    for label in labels:
        wide = 0.55 * float(label.attrib["font-size"]) * len(label.text)  # letters of a sans serif, on average
        assert 0 <= float(label.attrib["x"]) <= width - wide
        assert 14 <= float(label.attrib["y"]) <= height
    boxes = [(float(t.attrib["x"]), float(t.attrib["y"]), 7.7 * len(t.text)) for t in labels]
    for i, (x, y, w) in enumerate(boxes):
        assert not [o for o in boxes[:i] if abs(o[1] - y) < 14 and o[0] < x + w and x < o[0] + o[2]], labels[i].text


def test_the_page_says_what_to_beware_of_and_what_is_from_memory():
    lesson = load_lesson(DEMO / "coasting_disc")
    text = "\n".join(text for _, text in build_it_cells([(lesson, "..")]))
    assert all(note in text for note in lesson.safety)
    assert text.count("from memory") >= 2
    assert "qualified person" in text
    assert "Turn it by hand ten times" in text
    felt = "\n".join(text for _, text in build_it_cells([(load_lesson(DEMO / "felt_brake"), "..")]))
    assert "agnet" not in felt
