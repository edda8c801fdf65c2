"""A run that a page sends in numbered pieces: cut anywhere, sent twice, out of order, late, and never to its end."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit import KitError, LiveGate, read_log
from kit.launcher import PROJECT
from kit.sources.page import MOST_AT_ONCE, PageSource

RUN = read_log(PROJECT / "datasets_demo" / "coasting_disc" / "passes" / "magnets-08_trial-1.csv")[0]
LINES = [b"# unit us\n", *(b"%d\n" % round(1e6 * t) for t in RUN.pass_times_s)]
WHOLE = b"".join(LINES)


def all_of(source: PageSource) -> bytes:
    """Everything a gate would read, up to the end."""
    found = []
    while True:
        try:
            found.append(source.read(4096))
        except (EOFError, OSError):
            return b"".join(found)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, len(WHOLE)), st.integers(0, 90)), max_size=60))
def test_pieces_sent_twice_and_out_of_order_give_every_byte_once(pieces):
    source = PageSource()
    for at, size in pieces:
        here = source.have
        had = source.take(at, WHOLE[at : at + size], 1.0)
        assert had == (here if at > here else max(here, min(at + size, len(WHOLE))))
    while (at := source.have) < len(WHOLE):  # what a page does when it is told what is here
        source.take(at, WHOLE[at : at + 100], 2.0)
    assert source.end("stopped", len(WHOLE))
    assert all_of(source) == WHOLE


def test_an_end_before_all_has_come_is_no_end():
    source = PageSource()
    source.take(0, WHOLE[:50], 0.1)
    assert not source.end("stopped", len(WHOLE))
    source.take(50, WHOLE[50:], 0.2)
    assert source.end("stopped", len(WHOLE))
    assert all_of(source) == WHOLE


@pytest.mark.parametrize(
    ("at", "data", "page_s"),
    [(-1, b"1\n", 0.0), (True, b"1\n", 0.0), (0, b"", np.nan), (0, bytes(MOST_AT_ONCE + 1), 0)],
)
def test_what_no_page_sends_is_refused(at, data, page_s):
    with pytest.raises(KitError, match="The page sent something that no gate sends"):
        PageSource().take(at, data, page_s)


def play(gate: LiveGate, source: PageSource, silent_s: float) -> None:
    """A run in the page's time, then a page that is there and has nothing new for so long."""
    at = 0
    for line, t in zip(LINES, [0.0, *RUN.pass_times_s], strict=True):
        at = source.take(at, line, float(t))
    for step in np.arange(0.0, silent_s, 0.5):
        source.take(at, b"", float(RUN.pass_times_s[-1] + step))
    for _ in range(200):
        if not gate.running or (gate.saved_bytes == at and source._pieces.empty()):
            return
        gate.wait(0.01)


@pytest.mark.slow
def test_a_disc_at_rest_is_told_from_a_broken_connection_by_the_pages_clock(tmp_path):
    for silent_s, ended in ((60.0, "at rest"), (0.0, "")):
        source = PageSource()
        gate = LiveGate(source, tmp_path, clock=source.clock).start()
        play(gate, source, silent_s)
        gate.wait(0.3)  # a broken connection: nothing comes, and no time passes on the page's clock
        assert gate.ended == ended
        gate.stop()
        assert gate.pass_times_s == pytest.approx(RUN.pass_times_s, abs=1e-6)
        assert gate.raw_path.read_bytes() == WHOLE
        assert read_log(gate.log_path)[0].pass_times_s == pytest.approx(RUN.pass_times_s, abs=1e-6)


@pytest.mark.parametrize(
    ("why", "ended", "said"),
    [
        ("stopped", "stopped", "You stopped it."),
        ("unplugged", "unplugged", "The connection broke (the browser lost the cable)."),
        ("page", "unplugged", "The connection broke (the page was closed or loaded anew)."),
    ],
)
def test_why_the_page_ended_it_is_told(tmp_path, why, ended, said):
    source = PageSource()
    gate = LiveGate(source, tmp_path, clock=source.clock).start()
    source.take(0, WHOLE, 1.0)
    source.end(why, len(WHOLE))
    assert gate.wait(5)
    assert gate.ended == ended
    assert gate.report()[1].startswith(said)
