"""The line protocol: any bytes, however they are cut."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit import read_log
from kit.launcher import PROJECT
from kit.sources.gate_lines import LineReader, PassReader

DEMO = PROJECT / "datasets_demo" / "coasting_disc" / "passes" / "magnets-01_trial-1.csv"
RUN = read_log(DEMO)[0]
MICROSECONDS = np.rint(RUN.pass_times_s * 1e6).astype(int)
LINES = [b"%d\n" % t for t in MICROSECONDS]
HEADER = b"# unit us\n"


@pytest.mark.parametrize("header", [b"# unit us\n", b"# unit: \xb5s\n", "# Unit=µs\n".encode(), b"time (us)\n"])
def test_the_board_says_its_unit_in_several_ways(header):
    reader = PassReader()
    reader.feed(header + b"".join(LINES))
    assert reader.unit_declared == "us"


def test_a_board_that_changes_its_unit_is_reported():
    reader = PassReader("us")
    reader.feed(b"# unit ms\n" + b"".join(LINES))
    assert reader.unit == "us"
    assert reader.report()[0].startswith("one line named another unit than the one in use; the first one stays.")


@given(st.lists(st.sampled_from([b"12", b"\n", b"\r\n", b"\r", b"a b", b"9" * 50, b"\xff"]), max_size=40), st.data())
def test_lines_do_not_depend_on_how_the_bytes_are_cut(pieces, data):
    whole = b"".join(pieces)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(whole)), max_size=6)))
    reader, split = LineReader(), LineReader()
    lines = reader.feed(whole) + reader.finish()
    parts = [split.feed(whole[a:b]) for a, b in zip([0, *cuts], [*cuts, len(whole)], strict=True)]
    assert [line for part in parts for line in part] + split.finish() == lines


@given(st.binary(max_size=400))
def test_any_bytes_are_survived_and_every_line_is_a_pass_a_remark_or_reported(data):
    reader = PassReader()
    reader.feed(data)
    reader.finish()
    passes = sum(len(reader.counts(name)) for name in reader.channels)
    informative = {"wrap", "unit"}
    told = sum(n for kind, n in reader.oddities.items() if kind not in informative)
    assert passes + told + len(reader.remarks) == reader.lines
    for name in reader.channels:
        assert (np.diff([float(c) for c in reader.counts(name)]) >= 0).all()
