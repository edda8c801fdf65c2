"""The benchmark table is well formed: every item has its row, ratios are what they say. No figure is judged here."""

from __future__ import annotations

import json
from types import SimpleNamespace

import pytest

from tests.benchmarks.__main__ import main
from tests.benchmarks.race import Job, Row, race
from tests.benchmarks.table import HEADINGS, as_text


@pytest.mark.slow
def test_two_quick_items_make_a_table_on_paper_and_in_json(tmp_path, capsys):
    chosen = ["--small", "--only", "dialects", "--only", "drag-laws", "--json", str(tmp_path / "table.json")]
    assert main(chosen) == 0
    printed = capsys.readouterr().out
    rows = json.loads((tmp_path / "table.json").read_text(encoding="utf-8"))
    assert [row["item"].split(",")[0] for row in rows] == [
        "dialects mistaken",
        "seven drag laws",
        "the three-term law alone",
    ]
    for row in rows[1:]:
        assert row["unit"] == "ms" and row["floor"] > 0 and row["ours"] > 0  # which is less is no matter for a test
        assert row["gain"] == pytest.approx(row["usual"] / row["ours"])
    heading, _, *lines = printed.splitlines()
    assert heading.split("  ")[0] == HEADINGS[0]
    for row, line in zip(rows, lines, strict=False):
        assert line.startswith(row["item"]) and row["usual_what"] in line


def test_every_item_has_a_name_of_its_own(capsys):
    with pytest.raises(SystemExit, match="0"):
        main(["--help"])
    named = " ".join(capsys.readouterr().out.split()).split("--only NAME")[-1]
    for item in ("thresholds", "prepare", "bootstrap", "drag-laws", "sound", "hand-ins", "browser", "accuracy"):
        assert item in named


def test_a_share_of_the_work_is_scaled_to_the_whole_and_missing_figures_are_dashes(monkeypatch):
    clock = [0.0]  # of its own, so that nothing here depends on how busy the machine is
    monkeypatch.setattr("tests.benchmarks.race.time", SimpleNamespace(perf_counter=lambda: clock[0]))

    def work():
        clock[0] += 0.3

    row = race("a second", Job("", work), Job("half of it", work, 0.5))
    assert (row.ours, row.usual, row.gain) == pytest.approx((300, 600, 2))
    assert (row.floor, row.above_floor) == (None, None)
    assert "–" in as_text([row]).splitlines()[-1]


def test_ratios_of_rows_without_figures():
    assert Row("not measured", None, usual=3.0).gain is None
    assert Row("none", 0.0, usual=3.0, floor=1.0).gain is None
    assert Row("twice", 2.0, usual=6.0, floor=0.5).gain == 3
    assert Row("twice", 2.0, usual=6.0, floor=0.5).above_floor == 4
