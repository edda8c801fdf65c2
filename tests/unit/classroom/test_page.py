import re

import pytest

from kit.classroom.overview import read_class
from kit.classroom.page import class_report, write_class_report
from kit.classroom.sections import SECTIONS
from kit.errors import KitError
from kit.launcher import PROJECT

DEMO = read_class(PROJECT / "datasets_demo" / "class_handins", PROJECT / "datasets_demo" / "coasting_disc")


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


@pytest.mark.slow
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


@pytest.mark.slow
def test_the_page_is_written_or_the_reason_given(tmp_path):
    path = write_class_report(DEMO, tmp_path / "page.html")
    assert path.read_text("utf-8") == class_report(DEMO)
    with pytest.raises(KitError, match=r"missing.page\.html: The report can't be written"):
        write_class_report(DEMO, tmp_path / "missing" / "page.html")


def test_without_lesson_and_key_the_page_still_works():
    page = class_report(read_class(PROJECT / "datasets_demo" / "class_handins"))
    assert "teacher_key.toml" in page and "For you, not for the projector" not in page


@pytest.mark.slow
def test_what_is_for_the_teacher_alone_is_never_printed_and_can_be_left_out():
    ideas = "Aluminium is not magnetic, so magnets cannot matter."
    page = class_report(DEMO)
    assert page.count('<details class="part screen"><summary>For you') == len(DEMO.questions)
    assert re.search(r"@media print \{[^@]*\.screen \{ display: none !important; \}", page)
    without = class_report(DEMO, for_teacher=False)
    assert ideas in page and ideas not in without and "For you, not for the projector" not in without
