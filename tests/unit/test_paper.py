"""Pages to print: what is on them, that nothing of the key is, and what becomes of them as PDF."""

from __future__ import annotations

import re
import shutil
from html import unescape
from pathlib import Path

import pytest

from kit import commands, load_lesson
from kit.errors import KitError
from kit.lessons.teacher_key import load_key
from kit.paper import graph_paper, paper_pages, print_lesson

DEMO = Path(__file__).parents[2] / "datasets_demo"
SIZES_PT = {"A4": (595.3, 841.9), "Letter": (612, 792)}  # ISO 216: 210 mm x 297 mm; ANSI/ASME Y14.1: 8.5 in x 11 in


def plain(html: str) -> str:
    return unescape(re.sub(r"<[^>]+>", " ", html.partition("<body")[2]))


def test_the_command_writes_pages_with_all_that_a_group_fills_in(tmp_path, capsys):
    assert (
        commands.main(["print", "felt_brake", "--out", str(tmp_path / "paper"), "--paper", "Letter"]) == commands.DONE
    )
    assert "4 pages" in capsys.readouterr().out
    lesson = load_lesson(DEMO / "felt_brake")
    worksheet = plain((tmp_path / "paper" / "worksheet.html").read_text("utf-8"))
    for question in lesson.asked("predict"):
        assert all(text in worksheet for text in (question.text, *(choice.text for choice in question.choices)))
    assert all(note in worksheet for note in lesson.safety)
    assert worksheet.count("trial 3") == 2  # a table for the time, one for the turns
    sheet = (tmp_path / "paper" / "run_sheet.html").read_text("utf-8")
    assert sheet.count("<tr class=") == 3 * len(lesson.values) + 3  # three trials each, and the reference three times
    assert {"Group:", "Date:"} < set(plain(sheet).split())
    assert plain((tmp_path / "paper" / "slips.html").read_text("utf-8")).count(lesson.asked("predict")[0].text) == 6


def test_nothing_of_the_key_is_on_paper():
    lesson = load_lesson(DEMO / "coasting_disc")
    text = " ".join(map(plain, paper_pages(lesson).values()))
    ideas = [idea for entry in load_key(lesson.folder, lesson).values() for idea in entry["ideas"].values()]
    assert lesson.asked("predict")[0].choices[1].text in text  # the control
    assert [idea for idea in ideas if len(idea) > 12 and idea in text] == []


def test_graph_paper_has_the_lessons_scales_and_whole_decades():
    lesson = load_lesson(DEMO / "coasting_disc")  # 1 to 12 magnets, up to 50 s
    linear = re.findall(r">([\d.]+)</text>", graph_paper(lesson, "Coasting time (s)", "duration_s", "linear"))
    assert linear == [*map(str, range(0, 13, 2)), *map(str, range(0, 51, 5))]
    log = re.findall(r">([\d.]+)</text>", graph_paper(lesson, "Coasting time (s)", "duration_s", "log-log"))
    assert log == ["1", "2", "5", "10", "20", "50", "100", "1", "2", "5", "10", "20", "50", "100"]


def test_what_cannot_be_printed_is_said(tmp_path):
    with pytest.raises(KitError, match=r"no such paper.*A4, Letter"):
        print_lesson("felt_brake", tmp_path, "A5")
    with pytest.raises(KitError, match="no such lesson"):
        print_lesson("no_such", tmp_path)


@pytest.fixture(scope="module")
def browser():
    """A browser that prints, started once."""
    program = shutil.which("chromium") or shutil.which("google-chrome")
    if program is None:
        pytest.skip("needs a Chromium that prints")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox", "--disable-gpu"])
        yield browser
        browser.close()


@pytest.mark.slow
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_pages_become_whole_sheets_of_paper(paper, tmp_path, browser):
    """Through a browser, as a teacher prints: the right size, and so many pages."""
    paths = print_lesson("coasting_disc", tmp_path, paper)
    counts = {}
    for path in paths:
        page = browser.new_page()
        page.goto(path.as_uri())
        data = page.pdf(prefer_css_page_size=True, print_background=True)
        page.close()
        boxes = {tuple(float(n) for n in found) for found in re.findall(rb"/MediaBox ?\[0 0 ([\d.]+) ([\d.]+)\]", data)}
        assert all(box == pytest.approx(SIZES_PT[paper], abs=1) for box in boxes)
        assert boxes
        counts[path.stem] = len(re.findall(rb"/Type ?/Page\b", data))
    assert counts["class_summary"] == 1
    assert counts["run_sheet"] <= 2
    assert 5 <= counts["worksheet"] <= 8
