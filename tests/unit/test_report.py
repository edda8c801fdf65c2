"""The printable pages: complete, escaped, and without a network."""

import re
from pathlib import Path

import numpy as np
import pytest

from kit import Analysis, analyse
from kit.errors import KitError
from kit.lessons.lesson import load_lesson
from kit.logs.run import Run, with_repairs
from kit.report import report_html, run_sheet_html, write_report
from kit.sources.bench import APPARATUS, Gate
from kit.sources.demo_data import session
from kit.stats.planning import run_order

DEMO = Path(__file__).parents[2] / "datasets_demo" / "coasting_disc"
pytestmark = pytest.mark.usefixtures("runs_read_once")


@pytest.fixture(scope="module")
def analysis():
    return analyse(DEMO)


@pytest.fixture(scope="module")
def page(analysis):
    return report_html(analysis)


def felt(seed=4, **more):
    return [with_repairs(run) for run in session(APPARATUS["felt_brake"], seed, **more)]


def words_of(page):
    """What a reader sees: no scripts, no style, no tags."""
    page = re.sub(r"<(script|style).*?</\1>", " ", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))


def test_it_holds_what_the_analysis_says(analysis, page):
    assert all(analysis.conclusion(name)[:40] in words_of(page) for name in ("duration_s", "turns", "same_shape"))
    assert all(source in page for source in analysis.results["source"])
    assert page.count("Plotly.newPlot(") == 4
    assert page.count("plotly.js v") == 1, "plotly's script goes in once"


@pytest.mark.slow
def test_it_names_the_lesson(page):
    assert f"<h1>Analysis: {load_lesson(DEMO).title}</h1>" in page
    assert "<h1>Analysis: pads</h1>" in report_html(Analysis(felt(), 0.25, 1.0, x="pads"))


def test_every_plot_is_described(page):
    captions = re.findall(r"<figcaption>(.+?)</figcaption>", page)
    assert len(captions) == 4 and all(len(caption) > 80 for caption in captions)


def test_conditions_are_written_as_people_write_them(page):
    runs = page.partition("<h2>Runs</h2>")[2].partition("</section>")[0]
    first_cells = re.findall(r"<tr><td>([^<]*)</td><td>([^<]*)</td>", runs)
    assert first_cells[0] == ("1", "1") and all("." not in a + b for a, b in first_cells)


def test_it_asks_nothing_of_a_network(page):
    outside = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)
    assert re.findall(r'(?:src|href)="https?:', outside) == []
    assert 'src="' not in page.split("<svg")[0][:2000]


@pytest.mark.slow
def test_markup_in_a_note_is_shown_as_text():
    runs = felt(gate=Gate.perfect())
    evil = Run(runs[0].pass_times_s, {"pads": 3.0}, trial=9, set_aside="<script>alert(1)</script>")
    page = report_html(Analysis([*runs, evil], 0.25, 1.0, x="pads", title="<b>x</b>"))
    assert "<script>alert(1)" not in page and "<b>x" not in page
    assert "&lt;script&gt;alert(1)" in page


def test_without_a_trend_it_still_lists_the_runs():
    page = report_html(Analysis(felt(), 30.0, 60.0, x="pads"))
    assert "already slower" in page or "never slow enough" in page
    assert "No trend can be fitted" in page


@pytest.mark.slow
def test_a_run_that_ended_early_says_how_long_it_lasted_at_least():
    runs = felt(gate=Gate.perfect())
    early = Run(runs[0].pass_times_s[:-12], runs[0].conditions, trial=9)
    analysis = Analysis([*runs, early], 0.25, 1.0, x="pads")
    lasted = analysis.results["more_than_s"].iloc[-1]
    assert f"{runs[0].conditions['pads']:g} 9 more than {lasted:.2f} s" in words_of(report_html(analysis))


@pytest.mark.slow
@pytest.mark.parametrize("kept", [1, 2])
def test_however_few_trials_there_are_no_nan_is_shown(kept):
    runs = [run for run in felt(gate=Gate.perfect()) if run.trial <= kept]
    early = Run(np.arange(0.0, 3.0, 0.02), {"pads": 2.0}, trial=9)
    page = report_html(Analysis([*runs, early], 0.25, 1.0, x="pads"))
    assert not re.search(r"\bnan\b|\binf\b|None", words_of(page), re.IGNORECASE)
    assert words_of(page).count("Turns") >= 2


def test_words_as_conditions_have_averages_and_no_trend():
    floors = {3.0: "carpet", 4.0: "wood"}
    runs = [
        Run(run.pass_times_s, {"floor": floors[run.conditions["pads"]]}, trial=run.trial)
        for run in felt(gate=Gate.perfect())
        if run.conditions["pads"] in floors
    ]
    words = words_of(report_html(Analysis(runs, 0.25, 1.0, x="floor")))
    assert "carpet 3" in words and "No trend can be fitted" in words


def test_a_place_that_cannot_be_written(analysis, tmp_path):
    with pytest.raises(KitError, match="cannot be written"):
        write_report(analysis, tmp_path / "no" / "page.html")


class TestRunSheet:
    def test_one_line_a_run_with_room_to_write(self):
        order = run_order([0, 3] * 2, reference=0, seed=3)
        page = run_sheet_html(order, "level_deg", title="Does level matter?", cautions=["Hair & sleeves back."])
        assert page.count("<tr") == 1 + 7
        assert page.count('class="reference"') == 3
        assert "Level (°)" in page
        assert "Hair &amp; sleeves back." in page

    def test_the_reference_is_named_in_the_first_empty_column(self):
        page = run_sheet_html(run_order([3.0], reference=1.5, seed=3), "level_deg", blank=["file", "seen", "heard"])
        rows = [re.findall(r"<td>(.*?)</td>", row) for row in re.findall(r"<tr.*?</tr>", page)[1:]]
        assert rows[0] == ["1", "1.5", "1", "reference", "", ""] and ["3", "1", "", "", ""] in [r[1:] for r in rows]
        assert re.findall(r'<th scope="col">(.*?)</th>', page) == ["Run", "Level (°)", "Trial", "File", "Seen", "Heard"]

    def test_text_cannot_become_markup(self):
        page = run_sheet_html(run_order(["<b>x</b>"]), "hub", title="<script>", cautions=["<i>"], blank=["<u>"])
        for markup in ("<b>x", "<script>", "<i>", "<u>"):
            assert markup not in page
