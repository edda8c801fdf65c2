"""The tables of the README and of the guide are the kit's own; the README is short enough to be read."""

import re

import pytest

from tests.readme import DEVELOPERS, README, analysis_block, benchmarks_block, block, with_block
from tests.reference.faults.faults import FAULTS

TEXT = README.read_text(encoding="utf-8")


@pytest.mark.slow
def test_the_analysis_shown_is_what_the_kit_prints():
    assert block(TEXT, "analysis") == analysis_block(), "run `python3 -m tests.readme`"


def test_it_is_read_in_five_minutes():
    assert len(TEXT.split()) <= 1200


def test_a_block_is_replaced_and_nothing_else():
    assert (
        with_block("a\n<!-- made: x -->\nold\n<!-- end -->\nb", "x", "new\n")
        == "a\n<!-- made: x -->\nnew\n<!-- end -->\nb"
    )


def test_the_guide_tells_of_each_fault_how_often_it_is_silent():
    shown = block(DEVELOPERS.read_text(encoding="utf-8"), "faults")
    for name, fault in FAULTS.items():
        assert len(re.findall(rf"^\| {name}(?: \(leaves no trace\))? \| [1-9]", shown, re.M)) == 1, fault.cause


def test_the_benchmark_table_as_markdown(tmp_path):
    path = tmp_path / "rows.json"
    path.write_text(
        '[{"item": "read", "unit": "ms", "ours": 1.5, "usual": 3.0, "usual_what": "slowly", "gain": 2.0,'
        ' "above_floor": 1.25, "goal": "≤ 1 ms"},'
        ' {"item": "missed", "unit": "files", "ours": 0, "usual": null, "usual_what": "", "gain": null,'
        ' "above_floor": null, "goal": ""}]',
        encoding="utf-8",
    )
    table = benchmarks_block(path)
    assert "| read (ms) | 1.5 | 3 (slowly) | 2 × | 1.25 × | ≤ 1 ms |\n| missed (files) | 0 | – | – | – | – |" in table
