"""Open to everyone: our part of every page, checked in a real browser by rule and by keyboard.

axe-core, the rules that many checkers share, looks at what the kit puts on the page: widgets and the notebooks' text.
What belongs to JupyterLab (menus, side bars, code cells, tables that pandas shows) is left out: it is not ours to mend.
Rules can't tell whether a page can be *used* without a mouse, so the keys are pressed too.

A new page joins by one line in PAGES.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import axe_playwright_python
import pytest

from tests.browser.in_page import seal_before

AXE = Path(axe_playwright_python.__file__).with_name("axe.min.js").read_text("utf-8")

OTHERS = """
import numpy as np, pandas as pd
from kit.bench import APPARATUS, Gate, session
from kit.claims import Claim
from kit.sound import write_wav
from kit.threshold import measure
from kit.trend import fit_trend
from kit.widgets import AgreementView, ClaimTester, SoundView, TrialPlanner

disc = session(APPARATUS["coasting_disc"], 3, gate=Gate(bounces=0, misses=0), values=(1, 2, 4, 8), trials=2)
results = measure(disc, 0.25, 1.0)
"""
AGREEMENT = """
view = AgreementView([1, 2, 3, 4], [38.9, 23.8, 17.1, 13.5], [38.0, 23.1, 16.6, 13.0])
view.same_thing = "no"
view
"""
CLAIM = """
two = results[results["magnets"] < 3].assign(level_deg=lambda t: 3 * (t["trial"] - 1))
tester = ClaimTester(Claim("Level matters", "duration_s", "level_deg", (0, 3), ("magnets",)), two, seed=5)
tester.fix()
tester.shuffle(200)
tester.ask()
tester
"""
PLANNER = """
TrialPlanner(fit_trend(results["magnets"], results["duration_s"], "shifted inverse"), "magnets", range(1, 13), seed=3)
"""
SOUND = """
rng = np.random.default_rng(7)
rate_hz = 8000
sound = 0.003 * rng.standard_normal(6 * rate_hz)
for t in np.arange(0.4, 5.8, 0.4):
    sound[int(t * rate_hz) : int(t * rate_hz) + 80] += 0.2
SoundView(write_wav("hub.wav", sound, rate_hz))
"""


@dataclass(frozen=True)
class Opened:
    """A page to check: a notebook, or cells; a button whose result is announced, perhaps after another one that brings
    it; buttons that show further parts."""

    notebook: str = ""
    cells: tuple[str, ...] = ()
    first: str = ""
    press: str = ""
    says: str = ""
    parts: tuple[str, ...] = ()
    sealed: tuple[str, ...] = ("two-magnets", "turns", "level")  # the question about sound keeps some steps waiting


STEPS = ("Who handed in", "First answers", "Reasons", "Who moved", "Confidence", "Class data", "Explanations")
PAGES = {
    "start": Opened("start_here.ipynb"),
    "predict": Opened(
        "coasting_disc/1_predict.ipynb", press="Seal my answer", says="choose an answer first", sealed=()
    ),
    "measure": Opened("coasting_disc/2_measure.ipynb", press="Use these thresholds", says="Every run now counts from"),
    "runs": Opened("coasting_disc/2b_make_runs.ipynb", press="Start over", says="then tap once a turn"),
    "average": Opened(
        "coasting_disc/3_average.ipynb", first="1 magnet, trial 1", press="Set aside", says="Without a cause"
    ),
    "trend": Opened("coasting_disc/4_trend.ipynb", press="Save my graph", says="are not on your graph yet"),
    "explain": Opened("coasting_disc/5_explain.ipynb", press="Save my explanation", says="there is nothing written"),
    "investigate": Opened(
        "coasting_disc/6_investigate.ipynb", press="Save my answer to this claim", says="there is nothing written"
    ),
    "class": Opened("teacher/class_overview.ipynb", press="Show: Who handed in", says="Shown", parts=STEPS),
    "others": Opened(cells=(OTHERS, AGREEMENT, CLAIM, PLANNER, SOUND)),
}

# In the page: what is ours, and what of it the Tab key should reach, in order.
HELPERS = """
window.OURS = ".kit-box, .kit-bench, .kit-picker, .kit-slow, .kit-curve, .kit-plot, .class-view";
window.ours = () => [...document.querySelectorAll(OURS)].filter((node) => !node.parentElement?.closest(OURS));
window.seen = (node) => node.checkVisibility({ visibilityProperty: true });
window.shown = (node) => node.outerHTML.replace(/\\s+/g, " ").slice(0, 120);
window.stopsOf = (root) => [...root.querySelectorAll(
    "a[href], button, input, select, textarea, summary, [tabindex]:not([tabindex='-1'])")]
  .filter((node) => seen(node) && !node.disabled && node.tabIndex >= 0 && !node.closest(".js-plotly-plot"))
  .filter((node, i, all) => {
    if (node.type !== "radio") return true;
    const group = all.filter((other) => other.type === "radio" && other.name === node.name);
    return node === (group.find((radio) => radio.checked) ?? group[0]); // a group is one stop; arrows move in it
  });
"""
AXE_ON_OURS = """async () => {
    const nodes = [...ours(), ...document.querySelectorAll(".jp-MarkdownOutput")];
    const { violations, passes } = await axe.run({ include: nodes }, { resultTypes: ["violations"] });
    return { checked: nodes.length && passes.length, problems: violations.flatMap(({ id, impact, nodes }) =>
        nodes.map((node) => `${id} (${impact}): ${node.html.slice(0, 120)} ${node.any[0]?.message ?? ""}`)) };
}"""
WHITE_ON_DARK = """() => document.body.dataset.jpThemeLight === "true" ? [] :
    [...document.querySelectorAll(".kit-plot .js-plotly-plot")]
      .filter((plot) => !getComputedStyle(plot.firstElementChild).filter.startsWith("invert(")).map(shown)"""
TAB_STOP = """(root) => {
    const stops = root.stops ??= stopsOf(root), node = document.activeElement;
    const { outlineStyle, outlineWidth } = getComputedStyle(node);
    const box = node.getBoundingClientRect();
    return { at: stops.indexOf(node), inside: root.contains(node), node: shown(node),
        outlined: outlineStyle !== "none" && parseFloat(outlineWidth) >= 2,
        onScreen: box.bottom > 0 && box.top < innerHeight };
}"""
PLOTS = """() => ours().flatMap((root) => [...root.querySelectorAll(".js-plotly-plot, canvas, svg")])
    .filter((plot) => seen(plot) && plot.getBoundingClientRect().width > 100)
    .filter((plot) => !plot.closest("[aria-hidden=true]") && !plot.parentElement.closest(".js-plotly-plot"))
    .map((plot) => {
        const named = plot.closest("[aria-label]:is([role=img], [role=figure], [role=group])");
        const boxes = ".kit-plot, .kit-box, .kit-picker, .class-view", own = plot.closest(boxes);
        const table = [own, own?.parentElement.closest(boxes)] // alone in a box: beside that box
            .map((box) => box?.querySelector("table :is(td, th), .kit-curve-fields input"))
            .find(Boolean); // also one that is folded in
        return [shown(plot), named?.getAttribute("aria-label") ?? "", table !== null && table !== undefined];
    })"""
MOVING = """() => ours().flatMap((root) => [root, ...root.querySelectorAll("*")])
    .filter((node) => !node.closest(".js-plotly-plot"))
    .flatMap((node) => ["", "::before", "::after"].map((part) => [node, getComputedStyle(node, part)]))
    .filter(([, css]) => [css.transitionDuration, css.animationName === "none" ? "0s" : css.animationDuration]
        .some((times) => times.split(",").some((time) => parseFloat(time) * (/ms$/.test(time) ? 0.001 : 1) > 0.01)))
    .map(([node]) => shown(node))"""
TOO_WIDE = """() => ours().filter(seen).flatMap((root) => {
    const right = root.getBoundingClientRect().right + 1;
    const scrolls = (node) => node !== root && /auto|scroll/.test(getComputedStyle(node).overflowX);
    const inOwnBox = (node) => { // a table may scroll in a box of its own, which fits
        for (let at = node.parentElement; at && at !== root; at = at.parentElement) if (scrolls(at)) return true;
        return false;
    };
    const parts = [...root.querySelectorAll("*")].filter((node) => seen(node) && !inOwnBox(node)
        && !node.parentElement.closest("svg, .js-plotly-plot") && !node.closest("svg[aria-hidden=true]")
        && !node.closest(".pick-hidden, option"));
    const out = parts.filter((node) => node.getBoundingClientRect().right > right);
    const cut = parts.filter((node) => node.matches("button, label, p, h3, h4, summary, legend, td, th, span")
        && getComputedStyle(node).overflowX === "hidden" && node.scrollWidth > node.clientWidth + 1);
    return [...out, ...cut].map(shown);
})"""
LAYOUT_ALL = ".jp-Cell { content-visibility: visible !important; }"  # also what is far down the page


def helped(page):
    page.add_script_tag(content=AXE)
    page.add_script_tag(content=HELPERS)
    return page


@pytest.fixture(scope="module", params=PAGES)
def opened(request, shared_pages):
    """A page of PAGES, opened once for all checks, with everything on it unfolded."""
    what = PAGES[request.param]
    with shared_pages(lambda copy: what.sealed and seal_before(copy, "coasting_disc", *what.sealed)) as (
        open_page,
        make_notebook,
    ):
        page = open_page(f"notebooks/{what.notebook}" if what.notebook else make_notebook("others.ipynb", *what.cells))
        page.what = what
        page.add_style_tag(content=LAYOUT_ALL)
        page.evaluate("jupyterapp.commands.execute('application:toggle-left-area')")
        page.wait_for_function(
            """() => [...document.querySelectorAll('.kit-plot')].filter((plot) => plot.checkVisibility())
                .every((plot) => plot.querySelector('.js-plotly-plot'))"""  # some wait for an answer before they show
        )
        yield helped(page)


def each_part(page):
    """Everything the page can show: at once, or one part after the other where the page has parts."""
    page.evaluate("() => document.querySelectorAll('.jp-OutputArea details').forEach((one) => { one.open = true; })")
    yield
    for part in page.what.parts:
        page.get_by_role("button", name=part, exact=True).click()
        page.get_by_role("button", name=f"Show: {part}").click()
        cover = page.get_by_role("button", name="Cover it again")
        cover.wait_for()
        page.wait_for_function("() => !document.querySelector('.class-view').textContent.startsWith('Covered.')")
        yield
        cover.click()
        page.get_by_role("button", name=f"Show: {part}").wait_for()


def none_of(problems) -> None:
    found = list(problems)
    assert not found, "\n".join(found)


def axe_problems(page) -> list[str]:
    found = page.evaluate(AXE_ON_OURS)
    assert found["checked"]
    return found["problems"]


def keyboard_problems(page, roots) -> list[str]:
    """Walk through each of our boxes by the Tab key: every control in order, seen while it has the focus, and out."""
    problems = []
    page.keyboard.press("Tab")  # from now on the browser takes us for someone who uses keys
    for root in roots:
        count = root.evaluate("root => (root.stops = stopsOf(root)).length")
        if count == 0:
            continue
        root.evaluate("root => root.stops[0].focus()")
        reached = []
        for _ in range(3 * count + 10):
            at = page.evaluate(TAB_STOP, root)
            if not at["inside"]:
                break
            if at["at"] >= 0:
                reached.append(at["at"])
                if not (at["outlined"] and at["onScreen"]):
                    problems.append(f"no visible focus: {at['node']}")
            page.keyboard.press("Tab")
        else:
            problems.append(f"no way out: {at['node']}")
        missed = [i for i in range(count) if i not in reached]
        if missed:
            problems += root.evaluate(
                "(root, missed) => missed.map((i) => `not reached: ${shown(root.stops[i])}`)", missed
            )
        elif reached != list(range(count)):
            problems.append(f"order of {root.evaluate('shown')}: {reached}")
    return problems


def roots_of(page):
    return page.evaluate_handle("ours()").get_properties().values()


@pytest.mark.parametrize("theme", ["Light", "Dark"])
def test_no_rule_of_access_is_broken(opened, theme):
    opened.evaluate(
        "(name) => jupyterapp.commands.execute('apputils:change-theme', { theme: name })", f"JupyterLab {theme}"
    )
    opened.wait_for_function(
        "(light) => document.body.dataset.jpThemeLight === light", arg=str(theme == "Light").lower()
    )
    none_of(problem for _ in each_part(opened) for problem in axe_problems(opened))
    none_of(opened.evaluate(WHITE_ON_DARK))


def test_everything_is_reached_by_the_tab_key_and_seen(opened):
    none_of(keyboard_problems(opened, roots_of(opened)))


def test_what_happens_is_announced(opened):
    """The line is there before, and only its text changes: else a screen reader says nothing."""
    if not opened.what.press:
        pytest.skip("nothing to press on this page")
    if opened.what.parts:
        opened.get_by_role("button", name=opened.what.parts[0], exact=True).click()
        opened.get_by_role("button", name=opened.what.press).wait_for()
    if opened.what.first:
        opened.get_by_role("button", name=opened.what.first).first.click()
        opened.get_by_role("button", name=opened.what.press).first.wait_for()
    opened.evaluate("window.lines = [...document.querySelectorAll('[role=status], [role=alert], [aria-live=polite]')]")
    opened.get_by_role("button", name=opened.what.press).first.focus()
    opened.keyboard.press("Enter")
    opened.wait_for_function(
        "(says) => lines.some((line) => line.isConnected && line.textContent.includes(says))", arg=opened.what.says
    )
    if opened.what.parts:
        opened.get_by_role("button", name="Cover it again").click()  # as it was for the checks that follow


def test_nothing_moves_where_motion_is_not_wanted(opened):
    opened.emulate_media(reduced_motion="reduce")
    none_of(opened.evaluate(MOVING))
    opened.emulate_media(reduced_motion="null")  # whatever the system says


WIDTHS = {"laptop": 1366, "projector": 1920, "at 400 %": 342}


def widen(page, width: int) -> None:
    if width != 342:
        page.set_viewport_size({"width": width, "height": 1080 if width == 1920 else 768})
        return
    page.set_viewport_size({"width": 700, "height": 700})
    page.wait_for_function("() => (document.querySelector('.jp-OutputArea-output')?.clientWidth ?? 0) < 700")
    boxes = page.evaluate("document.querySelector('.jp-OutputArea-output')?.clientWidth ?? 600")
    page.set_viewport_size({"width": 700 - boxes + width, "height": 700})
    page.wait_for_function("() => !ours().length || ours()[0].closest('.jp-OutputArea-output').clientWidth <= 343")


def test_it_fits_and_every_plot_has_words_and_numbers(opened):
    """A laptop's page enlarged four times leaves 342 px for our boxes, where the next part is chosen; a projector shows
    1920 px."""
    problems = []
    for _ in each_part(opened):
        for name, width in WIDTHS.items():
            widen(opened, width)
            opened.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
            found = opened.evaluate(TOO_WIDE)
            if width == 342:  # what scrolls in a box of its own now has to do so by keys too
                found += axe_problems(opened)
            if width == 1366:
                plots = opened.evaluate(PLOTS)
                found += [
                    f"{plot} name: {says} table: {table}" for plot, says, table in plots if len(says) < 20 or not table
                ]
            problems += [f"{name}: {problem}" for problem in found]
    none_of(problems)


SINS = """<body data-jp-theme-light="true"><div class="jp-OutputArea-output"><div class="kit-box" style="width: 300px">
<button></button> <p style="color: #bbb">Too pale to read</p>
<button style="outline: none">no outline</button> <button tabindex="5">out of order</button>
<p style="width: 400px; transition: color 1s">Wider than its box</p>
<canvas width="200" height="100"></canvas>
<button onkeydown="event.preventDefault()">no way out</button></div></div></body>"""


def test_the_checks_notice_what_is_wrong(chromium):
    """Negative control: one box with every sin."""
    page = chromium.new_page()
    page.set_content(SINS)
    helped(page)
    rules = {problem.split(" ")[0] for problem in axe_problems(page)}
    assert {"button-name", "color-contrast"} <= rules
    keys = " ".join(keyboard_problems(page, roots_of(page)))
    for words in ("no visible focus: <button style", "no way out: <button onkeydown"):
        assert words in keys
    assert "out of order" in keys
    assert [name for _, name, table in page.evaluate(PLOTS) if not name and not table] == [""]
    assert len(page.evaluate(MOVING)) == 1
    assert any("Wider than its box" in node for node in page.evaluate(TOO_WIDE))
    page.close()
