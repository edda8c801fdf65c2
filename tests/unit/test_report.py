"""The printable page: complete, escaped, and without a network."""

import re
from pathlib import Path

import pytest

from kit.analysis import analyse, analyse_runs
from kit.errors import KitError
from kit.logs.run import Run, with_repairs
from kit.report import report_html, write_report
from kit.sources.bench import APPARATUS, Gate
from kit.sources.demo_data import session

DEMO = Path(__file__).parents[2] / "datasets_demo" / "coasting_disc"


@pytest.fixture(scope="module")
def analysis():
    return analyse(DEMO)


def test_it_holds_what_the_analysis_says(analysis):
    page = report_html(analysis)
    assert analysis["verdict"]["duration_s"][:40] in page
    assert all(run["source"] in page for run in analysis["runs"])
    assert page.count("Plotly.newPlot(") == 4
    assert page.count("plotly.js v") == 1, "plotly's script goes in once"


def test_it_asks_nothing_of_a_network(analysis):
    page = re.sub(r"<script.*?</script>", "", report_html(analysis), flags=re.DOTALL)
    assert re.findall(r'(?:src|href)="https?:', page) == []
    assert 'src="' not in report_html(analysis).split("<svg")[0][:2000]


def test_markup_in_a_note_is_shown_as_text():
    runs = [with_repairs(r) for r in session(APPARATUS["felt_brake"], 4, gate=Gate.perfect())]
    evil = Run(runs[0].pass_times_s, {"pads": 3.0}, trial=9, set_aside="<script>alert(1)</script>")
    assert "<script>alert(1)" not in report_html(analyse_runs([*runs, evil], 0.25, 1.0))


def test_without_a_trend_it_still_lists_the_runs():
    runs = [with_repairs(r) for r in session(APPARATUS["felt_brake"], 4)]
    page = report_html(analyse_runs(runs, 30.0, 60.0))
    assert "already slower" in page or "never slow enough" in page
    assert "No trend can be fitted" in page


def test_a_place_that_cannot_be_written(analysis, tmp_path):
    with pytest.raises(KitError, match="cannot be written"):
        write_report(analysis, tmp_path / "no" / "page.html")
