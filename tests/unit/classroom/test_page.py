import re
import xml.etree.ElementTree as ET

import numpy as np
import pandas as pd
import pytest

from kit.classroom import sections as class_html
from kit.classroom.charts import confidence_chart, letter, moves_chart, pooled_chart, reference_chart
from kit.classroom.overview import read_class
from kit.classroom.page import class_report, write_class_report
from kit.classroom.sections import SECTIONS, Show
from kit.classroom.tables import confidence_table, moves, pooled_data, pooled_means, reference_table
from kit.errors import KitError
from kit.launcher import PROJECT

DEMO = read_class(PROJECT / "datasets_demo" / "class_handins", PROJECT / "datasets_demo" / "coasting_disc")


def section(name):
    return next(section for section in SECTIONS if section.id == name)


def text_of(html):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def test_the_page_shows_nothing_before_it_is_unfolded():
    page = class_report(DEMO)
    assert "<details open" not in page and " open>" not in page
    outside = re.sub(
        r'<details class="part">.*?</details>(?=<details class="part">|</section>|<h2>|\s*</main>)',
        "",
        page,
        flags=re.S,
    )
    assert "28 hand-ins read" in outside and "Something is missing in 5." in outside
    for hidden in ("very sure", "kept the answer", "demo-", "what the data support", "spindle, and that"):
        assert hidden not in outside.partition("<body>")[2], hidden
    assert "no student wrote this" in outside  # an invented class says so at once


def test_the_page_stands_alone():
    page = class_report(DEMO)
    assert not re.search(r"(src|href|action)\s*=|@import|url\(", page)
    assert page.count("<script>") == 1 and page.startswith("<!DOCTYPE html>")
    assert class_report(DEMO) == page


def test_every_question_and_every_part_is_there():
    page = class_report(DEMO)
    for question in DEMO.questions:
        assert question.text in page
    for part in SECTIONS:
        assert page.count(f"<summary>{part.title} ") == (len(DEMO.questions) if part.per_question else 1)
    assert "For you, not for the projector" in page and "Aluminium is not magnetic, so magnets cannot matter." in page


def test_the_page_is_written_or_the_reason_given(tmp_path):
    path = write_class_report(DEMO, tmp_path / "page.html")
    assert path.read_text("utf-8") == class_report(DEMO)
    with pytest.raises(KitError, match=r"missing.page\.html: The report can't be written"):
        write_class_report(DEMO, tmp_path / "missing" / "page.html")


def test_what_the_data_support_is_marked_only_when_asked():
    for name in ("first", "discussed", "end", "moved"):
        plain = section(name).html(Show(DEMO, "two-magnets"))
        assert "data support" not in plain
        assert "data support" in section(name).html(Show(DEMO, "two-magnets", marked=True))


def test_without_lesson_and_key_the_page_still_works():
    page = class_report(read_class(PROJECT / "datasets_demo" / "class_handins"))
    assert "teacher_key.toml" in page and "For you, not for the projector" not in page


def test_bars_hold_what_the_counts_say():
    html = section("first").html(Show(DEMO, "two-magnets"))
    row = next(row for row in html.split("<tr") if "half as long" in row)
    widths = [float(width) for width in re.findall(r"width:([\d.]+)%", row)]
    counts = [int(n) for n in re.findall(r"<td[^>]*>(\d+)</td>", row)]
    assert widths == pytest.approx([100 * n / 13 for n in counts[:3]], abs=0.01) and counts[3] == sum(counts[:3]) == 13


def test_a_long_list_is_cut_with_a_word_about_it(monkeypatch):
    monkeypatch.setattr(class_html, "MOST_SHOWN", 5)
    assert "… and 23 more; the CSV files hold them all." in section("handed-in").html(Show(DEMO))


# --- charts ----------------------------------------------------------------------------------------------------------


def charts():
    means = pooled_means(DEMO)
    counts = moves(DEMO, "two-magnets").counts
    yield moves_chart(counts, [str(choice) for choice in counts.index])
    yield confidence_chart(confidence_table(DEMO), ["very sure", "fairly sure", "not sure"])
    yield pooled_chart(means, pooled_data(DEMO), "number of magnets", "Coasting time (s)")
    yield reference_chart(reference_table(DEMO))


def test_charts_are_well_formed_described_and_inside_their_frame():
    for chart in charts():
        root = ET.fromstring(chart)
        width, height = map(float, root.get("viewBox").split()[2:])
        assert root.get("role") == "img" and len(root.get("aria-label")) > 30
        for node in root.iter():
            for name, limit in (
                ("x", width),
                ("cx", width),
                ("x1", width),
                ("y", height),
                ("cy", height),
                ("y2", height),
            ):
                assert 0 <= float(node.get(name, 0)) <= limit, (node.tag, name)


def test_ribbons_carry_every_mover_and_every_stayer():
    table = pd.DataFrame([[4, 2, 0], [0, 3, 1], [0, 0, 0]], index=list("abc"), columns=list("abc"))
    root = ET.fromstring(moves_chart(table, ["<first>", "second", "third"]))
    ribbons = [node for node in root.iter() if node.tag.endswith("path")]
    assert len(ribbons) == 4
    words = [node.text for node in root.iter() if node.tag.endswith("text")]
    assert [w for w in words if w[1:2] == ":"] == ["A: 6", "A: 4", "B: 4", "B: 5", "C: 0", "C: 1"]
    assert "<first>" in words


def test_charts_stand_odd_classes():
    one = pd.DataFrame({"x": [-3.0], "mean": [1e-6], "usual": [True]})
    assert ET.fromstring(pooled_chart(one, pd.DataFrame({"x": [-3.0], "median": [1e-6]}), "x", "y")) is not None
    wide = pd.DataFrame({"x": [0.0, 1e6], "mean": [1e-300, 1e6], "usual": [True, False]})
    medians = pd.DataFrame({"x": [0.0, 1e6], "median": [1e-300, 1e6]})
    assert len(pooled_chart(wide, medians, "x", "y")) < 20_000
    same = pd.DataFrame(
        {"group": ["a", "b"], "mean": [2.0, 2.0], "u": [np.nan] * 2, "percent": [0.0, 0.0], "usual": [True] * 2}
    )
    assert ET.fromstring(reference_chart(same)) is not None
    assert [letter(0), letter(25), letter(26)] == ["A", "Z", "27"]
