"""A teacher makes a lesson in a real page, by keyboard alone, and sees what the check says while typing."""

from __future__ import annotations

import tomllib

import pytest


@pytest.fixture
def page(desk):
    page = desk.open("notebooks/teacher/adapt_lesson.ipynb")
    page.get_by_label("Title", exact=True).wait_for()
    return page


def fill(page, label, text):
    """Type into a field and leave it, without the mouse."""
    page.get_by_label(label, exact=True).first.focus()
    page.keyboard.press("Control+A")
    page.keyboard.type(text)
    page.keyboard.press("Tab")


def test_a_lesson_is_made_by_keyboard_and_its_pages_are_linked(page, desk):
    form = page.locator(".kit-lesson-form")
    page.get_by_role("button", name="The felt brake").focus()
    page.keyboard.press("Enter")
    page.wait_for_function(
        "() => [...document.querySelectorAll('.kit-writing input')].some(i => i.value === 'The felt brake')"
    )
    fill(page, "Title", 'Pads & "brakes" <b>')
    page.get_by_role("button", name="What is changed").focus()
    page.keyboard.press("Enter")
    fill(page, "Values", "3, 4, seven")
    form.get_by_text("Values needs a number").wait_for()
    fill(page, "Values", "3, 4, 7")
    form.get_by_text("There are no runs for these values").wait_for()
    page.get_by_role("button", name="Make the lesson").focus()
    page.keyboard.press("Enter")
    page.get_by_text("Not made yet: mend the problems").wait_for()
    assert not (desk.copy / "lessons").exists()
    fill(page, "Values", "3, 4, 5, 6, 8")
    form.get_by_text("No problem found. The lesson is ready.").wait_for()  # the page shows another lesson's check too
    page.get_by_role("button", name="Make the lesson").focus()
    page.keyboard.press("Enter")
    page.get_by_role("link", name="The students' first page").wait_for()
    made = desk.copy / "lessons" / "my_lesson"
    text = (made / "student" / "my_lesson" / "lesson.toml").read_text("utf-8")
    assert tomllib.loads(text)["title"] == 'Pads & "brakes" <b>'
    assert (made / "teacher" / "teacher_key.toml").is_file()
    page.get_by_role("button", name="Make the lesson").focus()
    page.keyboard.press("Enter")
    page.get_by_text("not empty, and nothing is written over").wait_for()


def test_the_form_fits_a_small_laptop_and_its_buttons_can_be_hit(page):
    form = page.locator(".kit-lesson-form")
    for part in ("What is changed", "Question 2", "New question", "Safety", "Texts", "The lesson"):
        page.get_by_role("button", name=part, exact=True).click()
        page.wait_for_function(
            "part => [...document.querySelectorAll('.kit-choice button.mod-active')].some(b => b.innerText === part)",
            arg=part,
        )
        assert_fits(form)


def assert_fits(form):
    assert form.evaluate("node => node.scrollWidth - node.clientWidth") <= 0
    low = form.locator("button:visible, input:visible, select:visible").evaluate_all(
        "found => found.filter(one => one.getBoundingClientRect().height < 24).length"
    )
    assert low == 0
