"""The teacher's overview in a real page: covered until asked, moved by keys, and deaf to what strangers wrote."""

from __future__ import annotations

import json

import pytest
from playwright.sync_api import expect

from kit.record.entries import make_entry
from kit.record.handin import handin_document

TIME = "2031-05-17T08:30:00.000+00:00"
HOSTILE = '<img src=x onerror="window.hacked=1"><script>window.hacked=1</script>'


def add_hostile(folder):
    answer = {"choice": HOSTILE, "reason": HOSTILE, "confidence": HOSTILE, "moment": "first"}
    entries = [make_entry(None, "predict", "prediction:two-magnets", answer, True, time=TIME)]
    entries.append(make_entry(entries[0], "predict", "data_notice", HOSTILE, False, time=TIME))
    document = handin_document(entries, "hostile", "coasting_disc", TIME, damage=[HOSTILE])
    (folder / "hostile.json").write_text(json.dumps(document), encoding="utf-8")
    (folder / "<img src=x onerror=window.hacked=1>.json").write_text("{", encoding="utf-8")


@pytest.fixture
def page(desk):
    add_hostile(desk.copy / "datasets_demo" / "class_handins")
    page = desk.open("notebooks/teacher/class_overview.ipynb")
    page.locator(".kit-class").evaluate("node => node.scrollIntoView()")
    yield page
    assert page.evaluate("window.hacked") is None


def show(page, step):
    page.get_by_role("button", name=step, exact=True).click()
    page.get_by_role("button", name=f"Show: {step}").click()


def test_steps_are_covered_until_their_button_is_pressed(page):
    page.get_by_role("button", name="First answers", exact=True).click()
    page.get_by_text("Wait until all have talked").wait_for()
    expect(page.locator(".kit-class .cv-bar")).to_have_count(0)
    page.get_by_role("button", name="Show: First answers").click()
    page.locator(".kit-class .cv-bar").first.wait_for()
    expect(page.get_by_text("29 groups answered.")).to_be_visible()
    page.get_by_role("button", name="question 2").click()
    page.get_by_text("How many turns does").wait_for()
    expect(page.locator(".kit-class .cv-bar")).to_have_count(0)


def test_what_strangers_wrote_is_text_in_every_step(page):
    for step in ("Who handed in", "First answers", "Reasons", "Who moved", "Confidence", "Class data", "Explanations"):
        show(page, step)
        page.get_by_role("button", name="Cover it again").wait_for()
        page.wait_for_function(
            "() => !document.querySelector('.kit-class .class-view').textContent.includes('Covered.')"
        )
        assert page.locator(".kit-class img, .kit-class script").count() == 0
        page.get_by_role("button", name="Cover it again").click()
    show(page, "Reasons")
    page.get_by_text("onerror").first.wait_for()


def test_everything_can_be_done_by_keys(page):
    page.get_by_role("button", name="Reasons", exact=True).focus()
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Show: Reasons").focus()
    page.keyboard.press("Enter")
    page.locator(".kit-class .cv-reasons").first.wait_for()
    page.get_by_label("Find words").focus()
    page.keyboard.type("get doubled")
    page.get_by_text("one reason with “get doubled”").wait_for()


def test_it_fits_a_small_laptop(page):
    show(page, "First answers")
    page.locator(".kit-class .cv-bar").first.wait_for()
    wide = page.locator(".kit-class").evaluate("node => node.scrollWidth - node.clientWidth")
    assert wide <= 0
    small = page.locator(".kit-class button:visible").evaluate_all(
        "buttons => buttons.filter(b => b.getBoundingClientRect().height < 24).length"
    )
    assert small == 0
