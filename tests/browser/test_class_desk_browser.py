"""A lesson in the room: six groups, one of them on a real page, and the teacher's screens on a real class desk.

Sealed, sent, shown, discussed, answered again, data opened. Five groups send with the real client code from workbooks
of their own; what is on the projector is looked at in a page of 1920 × 1080.
"""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from kit.record.entries import Kind, Moment
from kit.record.sending import Outbox, Place
from tests.browser.in_page import follow, keep_picture, panel
from tests.served_desk import answer, document_of, group_of, served

CHOSEN = {
    "coral-lynx-1": ("half", "half"),
    "coral-lynx-2": ("half", "between"),
    "coral-lynx-3": ("same", "between"),
    "coral-lynx-4": ("between", "between"),
    "coral-lynx-5": ("fixed-step", "half"),
}
BESIDE_IT = (1920, 1080)

# The smallest type that is seen, in pixels: of words in a drawing, as large as they are drawn.
SMALLEST_TYPE = """() => {
    const content = document.getElementById('content'), sizes = [];
    const walker = document.createTreeWalker(content, NodeFilter.SHOW_TEXT);
    while (walker.nextNode()) {
        const element = walker.currentNode.parentElement;
        if (!walker.currentNode.textContent.trim() || !element.checkVisibility()) continue;
        const drawing = element.closest('svg');
        sizes.push(parseFloat(getComputedStyle(element).fontSize) * (drawing ? drawing.getScreenCTM().a : 1));
    }
    return Math.min(...sizes);
}"""


@pytest.fixture
def class_desk(tmp_path):
    with served(tmp_path / "desk", groups=6) as desk:
        yield desk


@pytest.fixture
def teacher(chromium, class_desk):
    """The teacher's own page, and the projector's."""
    pages = chromium.new_page(), chromium.new_page()
    errors: list[str] = []
    for page in pages:
        page.set_viewport_size(dict(zip(("width", "height"), BESIDE_IT, strict=True)))
        page.on("pageerror", lambda error: errors.append(str(error)))
    pages[0].goto(class_desk.teacher_address)
    pages[1].goto(re.sub(r"\?.*", "/screen", class_desk.teacher_address))
    yield pages
    for page in pages:
        page.close()
    assert errors == []


def send(workbook, desk):
    Outbox(workbook).put(document_of(workbook))
    assert Outbox(workbook).send(Place(desk.address), {}).waiting == 0


def show(own, screen, part, says):
    """Show a part; what is then on the projector is large enough to be read from the back of the room."""
    own.locator("#part").select_option(label=part)
    own.get_by_role("button", name="Show").click()
    expect(screen.locator("#content")).to_contain_text(says)
    assert screen.evaluate(SMALLEST_TYPE) >= 28
    assert screen.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0


def seal(page, words, reason, says="Saved and sealed."):
    card = page.locator(".kit-box").filter(has=page.get_by_role("heading", name=words)).last
    card.locator("input[type=radio]").first.click()
    card.get_by_label("Why do you think so?").fill(reason)
    card.locator(".kit-choice button").nth(1).click()
    card.get_by_role("button", name=re.compile("Seal my answer|Save this answer")).click()
    expect(card.get_by_text(says)).to_be_visible()


def test_a_lesson_with_six_groups(lab_page, lesson_copy, class_desk, teacher, tmp_path):
    own, screen = teacher
    groups = {code: group_of(tmp_path, code) for code in CHOSEN}
    for code, workbook in groups.items():
        answer(workbook, "two-magnets", CHOSEN[code][0], reason=f"we of {code} think so")
        answer(workbook, "turns", "half")
        curve = {"x": [1, 2, 4, 8, 12], "values": [40, 20 + len(code), 12, 8, 5]}
        workbook.add("predict", Kind.PREDICTED_CURVE.of("duration_s"), curve, sealed=True)
        click = {"source": "a.csv", "start_period_s": 0.25, "pass": 20 + len(curve), "member": 1, "after_look": False}
        workbook.add("measure", Kind.FIRST_PASS, click)
        send(workbook, class_desk)
    expect(own.locator("#standing")).to_contain_text("5 of 6 groups have sealed.")
    expect(own.locator("#standing")).to_contain_text("Not heard from yet: 1.")

    page = lab_page("notebooks/coasting_disc/1_predict.ipynb", viewport=(1366, 2200))
    seal(page, re.compile("How long does it take now"), "twice the magnets")
    assert own.locator("#standing").inner_text().startswith("5 of 6")  # nothing went without the click
    page.get_by_label("Address of your class desk").first.fill(class_desk.address.removeprefix("http://"))
    page.get_by_role("button", name="Use this address").first.click()
    page.get_by_label("Your group's code").first.fill("amber-otter-6")
    page.get_by_role("button", name="Send your answers").click()
    expect(page.get_by_text(re.compile("Sent to the class desk at"))).to_be_visible()
    expect(own.locator("#standing")).to_contain_text("6 of 6 groups have sealed.")
    expect(screen.locator("#content")).to_be_empty()  # nothing for the projector yet

    show(own, screen, "First answers", "6 groups answered")
    expect(own.locator("#now")).to_contain_text("First answers")
    assert "coral-lynx" not in screen.locator("#content").inner_text()
    own.get_by_role("button", name="Cover").click()
    expect(screen.locator("#content")).to_be_empty()

    for code, workbook in groups.items():
        answer(workbook, "two-magnets", CHOSEN[code][1], Moment.DISCUSSED)
        send(workbook, class_desk)
    seal(page, re.compile("How long does it take now"), "we talked", "Your earlier answers are kept.")
    page.get_by_role("button", name="Send your answers").click()
    expect(own.locator("#standing")).to_contain_text("6 of 6", timeout=10_000)
    show(own, screen, "Who moved", "3 of 6 groups kept the answer, 3 changed it.")
    keep_picture(screen, "class_screen", width=960)
    show(own, screen, "Reasons", "twice the magnets")
    screen.set_viewport_size({"width": 1366, "height": 400})
    expect(screen.locator("#content h3")).to_be_in_viewport()
    own.get_by_role("button", name="Scroll down").click()  # for a teacher who is not at the projector's machine
    expect(screen.locator("#content h3")).not_to_be_in_viewport()
    screen.set_viewport_size({"width": 1920, "height": 1080})
    show(own, screen, "Sketches", "5 sketches")
    show(own, screen, "First passes by eye", "5 clicks of 5 groups: all on pass 22.")

    follow(page, "Measure", "2_measure.ipynb")
    data = panel(page)
    expect(data.locator(".kit-table").first).to_be_visible()
    data.locator(".jp-showHiddenCellsButton").first.click()  # on the path of 45 minutes this is in "go further"
    data.get_by_role("button", name="Show this part").last.click()
    data.get_by_role("button", name="Send your results").click()
    expect(data.get_by_text(re.compile("Sent to the class desk at"))).to_be_visible()
    expect(own.locator("#standing")).to_contain_text("results of runs\t1 of 6", use_inner_text=True)
    show(own, screen, "Data over the sketches", "what the class measured")

    latest = list(class_desk.live.folder.glob("handin_*.json"))
    assert len(latest) == 6
    assert (
        len(list((class_desk.live.folder / ".moments").rglob("*.json"))) == 13
    )  # 6 sealed, 6 discussed, one with results

    own.goto(re.sub(r"\?.*", "/summary", class_desk.teacher_address))
    expect(own.get_by_role("heading", name="The coasting disc")).to_be_visible()
    assert len(re.findall(rb"/Type\s*/Page\b", own.pdf(prefer_css_page_size=True))) == 1
