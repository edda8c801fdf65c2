"""A teacher makes a lesson in a real page, by keyboard alone, and sees what the check says while typing."""

from __future__ import annotations

import re
import shutil
import tomllib

import pytest
from playwright.sync_api import expect

from kit.lessons.check import check_lesson
from tests.unit.lessons.sponge_logs import write_sponge_logs

FOREIGN = re.compile(
    r"\b(magnets?|felt|pads?|vanes?|tilt\w*|hubs?|discs?|turntables?|rotors?|invented)\b", re.IGNORECASE
)
MOST_ACTIONS = 30


@pytest.fixture
def form_page(desk):
    shutil.rmtree(desk.copy / "lessons", ignore_errors=True)  # a draft that another test has left
    page = desk.open("notebooks/teacher/adapt_lesson.ipynb")
    page.get_by_label("Folder of your logs", exact=True).wait_for()
    return page


@pytest.fixture
def page(form_page):
    """The form with a lesson of the kit to begin from."""
    form_page.get_by_role("button", name="One of the kit's lessons").click()
    form_page.get_by_label("Title", exact=True).wait_for()
    return form_page


class Hand:
    """Types, ticks and presses as a teacher does, and counts each of it as one action."""

    def __init__(self, page):
        self.page, self.actions = page, 0

    def type(self, label, text, nth=0):
        self.actions += 1
        field = self.page.get_by_label(label, exact=True).nth(nth)
        field.fill(text)
        field.press("Tab")

    def press(self, name):
        self.actions += 1
        self.page.get_by_role("button", name=name, exact=True).click()

    def tick(self, label):
        self.actions += 1
        self.page.get_by_label(label, exact=True).check()


def test_a_lesson_is_made_of_own_logs_by_the_form_alone(form_page, desk):
    """Logs in two dialects, a question of one's own, cautions: in no more than thirty actions, and page 1 opens."""
    write_sponge_logs(desk.copy / "my_logs")
    form, hand = form_page.locator(".kit-lesson-form"), Hand(form_page)
    assert form.get_by_text("problem").count() == 0  # nothing is checked before there is something to check
    hand.type("Folder of your logs", "../../my_logs")
    hand.press("Read them")
    expect(form.get_by_text("15 runs read.")).to_be_visible(timeout=30_000)
    hand.type("What was changed, in one word (its column), such as sponges", "sponges")
    hand.type("How students read it, such as number of wet sponges", "number of wet sponges")
    hand.tick("liquids")
    hand.press("Propose a lesson")
    expect(form.get_by_text("No problem found. The lesson is ready.")).to_be_visible(timeout=30_000)
    hand.type("Title", "Wet sponges on a wheel")
    hand.press("New question")
    hand.type("New question", "How many turns does it make with 4?")
    for number, (choice, idea) in enumerate(
        (("About 30 turns.", "Less time, fewer turns."), ("About 78 turns.", "Turns stay.")), 1
    ):
        hand.type(f"Choice {number}", choice)
        hand.type(f"Idea behind choice {number}", idea)
    expect(form.get_by_text("supported can't be used")).to_be_visible(timeout=30_000)  # empty until chosen
    hand.press("By your runs: choice 1. Take it")
    expect(form.get_by_text("No problem found. The lesson is ready.")).to_be_visible(timeout=30_000)
    hand.type("Folder of the new lesson", "../../lessons/sponge_wheel")
    with form_page.context.expect_page(timeout=30_000) as opened:
        hand.press("Make the lesson")
    assert hand.actions <= MOST_ACTIONS, hand.actions
    assert opened.value.url.partition("?")[0].endswith("/lessons/sponge_wheel/student/1_predict.ipynb")
    heading = opened.value.get_by_role("heading", name="Predict: Wet sponges on a wheel")
    expect(heading).to_be_visible(timeout=60_000)
    opened.value.close()
    made = desk.copy / "lessons" / "sponge_wheel"
    assert check_lesson(made) == []
    words = {str(path): FOREIGN.search(path.read_text("utf-8")) for path in made.rglob("*") if path.is_file()}
    assert {path: found[0] for path, found in words.items() if found} == {}


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
    assert not (desk.copy / "lessons" / "my_lesson").exists()
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
