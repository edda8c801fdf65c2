"""A remote student's path: from the start page to a fitted trend, with nothing but the virtual bench and a browser.

With KIT_PICTURES=FOLDER the README's picture of the bench is taken anew into that folder.
"""

import re

from playwright.sync_api import expect

from kit.record.workbook import Workbook, default_path
from tests.browser.in_page import PICTURES, follow, keep_picture, panel, seal_before

PUSHES = ((1, 3), (2, 3), (4, 3), (8, 3))  # a number of magnets, and how many runs with it


def test_from_the_start_page_to_a_trend_with_the_bench_alone(lab_page, lesson_copy, kernel_says):
    # the bench's pushes go by the group's code: after some the gate stops logging before the disc is at rest
    Workbook(default_path("coasting_disc", lesson_copy / "notebooks" / "coasting_disc")).choose_code("Heron-12")
    seal_before(lesson_copy)
    page = lab_page("notebooks/start_here.ipynb")
    follow(page, "The coasting disc", "1_predict.ipynb")
    follow(page, "Measure", "2_measure.ipynb")
    panel(page).locator(".jp-showHiddenCellsButton").first.click()  # on the path of 45 minutes it is in "go further"
    follow(page, "make runs of your own", "2b_make_runs.ipynb")

    bench = panel(page).locator(".kit-bench")
    bench.scroll_into_view_if_needed()
    pushed = 0
    for magnets, runs in PUSHES:
        bench.get_by_role("button", name=str(magnets), exact=True).click()
        for _ in range(runs):
            pushed += 1
            bench.get_by_role("button", name="Give it").click()
            if pushed == 1 and PICTURES:  # of the README, in motion
                page.wait_for_timeout(6000)
                keep_picture(bench, "bench", height=605)
            bench.get_by_role("button", name="Skip to the end").click()
            bench.get_by_role("status").filter(has_text=f"It is at rest. Run {pushed}:").wait_for()
            bench.get_by_role("button", name="Keep this run").click()
            bench.get_by_role("status").filter(has_text=f"Kept: number of magnets {magnets}, trial").wait_for()
    sources = panel(page).locator(".kit-box").filter(has_text="Whose runs do you use?").last
    sources.get_by_label("the lesson's runs").uncheck()
    sources.get_by_label("virtual bench").check()
    sources.get_by_role("button", name="Use these runs").click()
    expect(sources).to_contain_text("From now on you use virtual bench")

    follow(page, "Measure", "2_measure.ipynb")
    assert kernel_says(page, "(set(stage.results['origin']), len(stage.results))") == "({'bench'}, 12)"
    follow(page, "Average", "3_average.ipynb")
    follow(page, "Find the trend", "4_trend.ipynb")
    fitter = panel(page).locator(".kit-box").filter(has_text="Predict before you measure").first
    fitter.get_by_role("button", name=re.compile("all", re.I)).first.click()
    expect(fitter).to_contain_text(re.compile("Best first"))
    found = kernel_says(page, "[t.model for t in stage.trends('duration_s')][:3]")
    assert "shifted inverse" in found
