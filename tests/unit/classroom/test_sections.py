"""What each part of a class overview shows, and how the templates draw it."""

import re

import pytest

from kit.classroom import sections
from kit.classroom.overview import Show, read_class
from kit.classroom.sections import HERE, SECTIONS
from kit.launcher import PROJECT
from kit.plots.pages import templates

DEMO = read_class(PROJECT / "datasets_demo" / "class_handins", PROJECT / "datasets_demo" / "coasting_disc")


def section(name):
    return next(section for section in SECTIONS if section.id == name)


@pytest.mark.slow
def test_what_the_data_support_is_marked_only_when_asked():
    for name in ("first", "discussed", "end", "moved"):
        plain = section(name).html(Show(DEMO, "two-magnets"))
        assert "data support" not in plain
        assert "data support" in section(name).html(Show(DEMO, "two-magnets", marked=True))


def test_bars_hold_what_the_counts_say():
    html = section("first").html(Show(DEMO, "two-magnets"))
    row = next(row for row in html.split("<tr") if "half as long" in row)
    widths = [float(width) for width in re.findall(r"width:([\d.]+)%", row)]
    counts = [int(n) for n in re.findall(r"<td[^>]*>(\d+)</td>", row)]
    assert widths == pytest.approx([100 * n / 13 for n in counts[:3]], abs=0.01) and counts[3] == sum(counts[:3]) == 13


def test_a_long_list_is_cut_with_a_word_about_it(monkeypatch):
    monkeypatch.setattr(sections, "MOST_SHOWN", 5)
    assert "… and 23 more; the CSV files hold them all." in section("handed-in").html(Show(DEMO))


def test_every_section_has_a_macro_that_draws_it():
    macros = dir(templates(HERE).get_template("sections.html.j2").module)
    assert {part.macro for part in SECTIONS} <= set(macros)


def test_only_drawings_of_the_kit_itself_are_let_through_unescaped():
    """Every `safe` in a template: charts (which escape their own words), style and script."""
    found = [name for file in HERE.glob("*.j2") for name in re.findall(r"(\S+) *\| *safe", file.read_text("utf-8"))]
    assert {name.rpartition(".")[2] for name in found} == {"chart", "style", "script"}
    assert not [file for file in HERE.glob("*.j2") if "autoescape" in file.read_text("utf-8")]


def test_sections_say_what_they_show_without_markup():
    for part in SECTIONS:
        content = part.content(Show(DEMO, "two-magnets", marked=True))
        assert "<" not in str(without_charts(content)), part.id


def without_charts(value):
    if isinstance(value, dict):
        return {key: without_charts(inner) for key, inner in value.items() if key != "chart"}
    return [without_charts(inner) for inner in value] if isinstance(value, list) else value
