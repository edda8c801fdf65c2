"""A live gate read through a pseudo-terminal that plays a recorded run, with everything that goes wrong on a wire."""

from __future__ import annotations

import errno
import io
import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import serial

from kit import KitError, read_log
from kit.launcher import PROJECT, project_environment
from kit.sources.gate import LiveGate, PretendGate, list_ports, open_port, recover
from kit.sources.gate_lines import LONGEST_LINE

pty = pytest.importorskip("pty", reason="this platform has no pseudo-terminals")

DEMO = PROJECT / "datasets_demo" / "coasting_disc" / "passes" / "magnets-01_trial-1.csv"
RUN = read_log(DEMO)[0]
MICROSECONDS = np.rint(RUN.pass_times_s * 1e6).astype(int)
LINES = [b"%d\n" % t for t in MICROSECONDS]
HEADER = b"# unit us\n"


@pytest.fixture
def board():
    """A pseudo-terminal: what is written to `board.fd` arrives at the port `board.port`."""

    class Board:
        def __init__(self):
            self.fd, self.slave = pty.openpty()
            self.port = os.ttyname(self.slave)

        def play(self, data: bytes, step: int = 900) -> None:
            for start in range(0, len(data), step):
                os.write(self.fd, data[start : start + step])

        def unplug(self) -> None:
            for fd in (self.fd, self.slave):
                if fd is not None:
                    os.close(fd)
            self.fd = self.slave = None

    board = Board()
    yield board
    board.unplug()


def listen(board, folder, data: bytes, step: int = 900, unplug: bool = True, **how) -> LiveGate:
    """Open the port, play the bytes, pull the plug, wait for the end."""
    gate = LiveGate(open_port(board.port), folder, **how).start()
    board.play(data, step)
    wait_for(lambda: gate.raw_path.stat().st_size >= len(data) or not gate.running)
    if unplug:
        board.unplug()
        assert gate.wait(20)
    return gate


def wait_for(condition) -> None:
    import time

    for _ in range(4000):
        if condition():
            return
        time.sleep(0.005)
    raise AssertionError("it did not happen")


def sayings(gate) -> str:
    return "\n".join(gate.report())


def check_files(gate, data: bytes) -> None:
    """Every byte is in the raw file, and the log reads like any other."""
    assert gate.raw_path.read_bytes() == data
    (run,) = read_log(gate.log_path)
    assert np.array_equal(run.pass_times_s, gate.pass_times_s)
    (again,) = recover(gate.raw_path)
    assert np.array_equal(again.pass_times_s, gate.pass_times_s)


# --- faults on the wire ----------------------------------------------------------------------------------------------


def test_a_recorded_run_arrives_whole_and_the_log_is_an_ordinary_gate_log(board, tmp_path):
    data = HEADER + b"".join(LINES)
    gate = listen(board, tmp_path, data)
    assert np.array_equal(gate.pass_times_s, MICROSECONDS / 1e6)
    assert np.array_equal(gate.run({"magnets": 8}).pass_times_s, RUN.pass_times_s)
    assert gate.ended == "unplugged"
    assert gate.report()[0] == f"{len(LINES)} passes logged."
    assert len(gate.report()) == 3  # nothing odd to tell
    check_files(gate, data)


@pytest.mark.parametrize("end", [b"\r\n", b"\r"])
def test_other_line_ends_make_no_blank_lines(board, tmp_path, end):
    data = (HEADER + b"".join(LINES)).replace(b"\n", end)
    gate = listen(board, tmp_path, data, step=7)
    assert np.array_equal(gate.pass_times_s, MICROSECONDS / 1e6)
    assert len(gate.report()) == 3


def test_lines_that_arrive_in_pieces_are_put_together(board, tmp_path):
    data = HEADER + b"".join(LINES[:60])
    gate = listen(board, tmp_path, data, step=3)
    assert np.array_equal(gate.pass_times_s, MICROSECONDS[:60] / 1e6)


def test_garbage_bytes_cost_their_line_and_are_reported(board, tmp_path):
    lines = list(LINES)
    lines[30] = lines[30][:4] + b"\xff\x00\x1b" + lines[30][4:]
    lines[50] = b"\xfe\xfd\n"
    data = HEADER + b"".join(lines[:40]) + b"\n  \n" + b"".join(lines[40:])
    gate = listen(board, tmp_path, data)
    assert np.array_equal(gate.pass_times_s, np.delete(MICROSECONDS, [30, 50]) / 1e6)
    assert "2 lines with bytes that are no text, not read. (first: line 32: " in sayings(gate)
    assert r"\xff\x00\x1b" in sayings(gate)
    assert "2 lines empty. (first: line 42)" in sayings(gate)
    missed = [r.index for r in gate.run().repairs if r.kind == "missed"]
    assert {30, 49} <= set(missed)  # the angle still counts every turn
    check_files(gate, data)


def test_half_lines_that_still_look_like_numbers_do_not_become_passes(board, tmp_path):
    lines = list(LINES)
    lines[20] = lines[20][3:]  # the head is lost
    lines[40] = lines[40][:-3] + b"\n"  # the tail is lost
    lines[60:62] = [lines[60].strip() + lines[61]]  # the line end is lost
    data = b"".join(lines) + b"1234"
    gate = listen(board, tmp_path, data, unit="us")
    assert np.array_equal(gate.pass_times_s, np.delete(MICROSECONDS, [20, 40, 60, 61]) / 1e6)
    assert "3 lines with a time that does not fit between its neighbours" in sayings(gate)
    assert "one line without an end, cut off when the reading ended; not read. (first: line" in sayings(gate)
    check_files(gate, data)


def test_a_port_opened_in_the_middle_of_a_line(board, tmp_path):
    data = LINES[0][-4:] + b"".join(LINES[1:])
    gate = listen(board, tmp_path, data, unit="us")
    assert np.array_equal(gate.pass_times_s, MICROSECONDS[1:] / 1e6) or gate.pass_times_s[0] < 0.01
    check_files(gate, data)


def test_an_endless_line_is_skipped_and_costs_no_memory(board, tmp_path):
    data = HEADER + b"".join(LINES[:30]) + b"7" * 5000 + b"\n" + b"".join(LINES[30:])
    gate = listen(board, tmp_path, data)
    assert np.array_equal(gate.pass_times_s, MICROSECONDS / 1e6)
    assert f"one line of more than {LONGEST_LINE} characters, not read. (first: line 32)" in sayings(gate)
    check_files(gate, data)


@pytest.mark.parametrize(
    ("unit", "per_second", "wrap"),
    [("us", 10**6, 2**32), ("ms", 10**3, 2**32), ("ms", 10**3, 2**32 / 1000), ("s", 1, 2**32 / 10**6)],
)
def test_a_32_bit_clock_that_runs_over_is_made_continuous(board, tmp_path, unit, per_second, wrap):
    counts = RUN.pass_times_s * per_second
    began = wrap - counts[40]
    shown = (counts + began) % wrap
    data = f"# unit: {unit}\n".encode() + b"".join(b"%.6f\n" % v for v in shown)
    gate = listen(board, tmp_path, data)
    assert gate.pass_times_s - gate.pass_times_s[0] == pytest.approx(RUN.pass_times_s - RUN.pass_times_s[0], abs=2e-6)
    assert "The board's 32-bit clock ran over, one line; the times go on without a step. (first: line" in sayings(gate)
    check_files(gate, data)


@pytest.mark.parametrize("banner", [b"", b"# gate ready\n", b"gate ready\n"])
def test_a_board_that_starts_anew_ends_the_run(board, tmp_path, banner):
    again = b"".join(b"%d\n" % (1500 + t) for t in range(0, 3_000_000, 300_000))
    data = HEADER + b"".join(LINES[:50]) + banner + again
    gate = listen(board, tmp_path, data, unplug=False)
    assert gate.wait(20)
    assert gate.ended == "restart"
    assert np.array_equal(gate.pass_times_s, MICROSECONDS[:50] / 1e6)
    assert "The board started anew, so this run ends there." in sayings(gate)
    assert "9 lines came after the board had started anew; only the raw file has them." in sayings(gate)
    check_files(gate, data)


def test_a_board_that_starts_anew_when_the_port_opens_does_not_end_the_run(board, tmp_path):
    data = b"987654321\n" + HEADER + b"".join(LINES)
    gate = listen(board, tmp_path, data)
    assert np.array_equal(gate.pass_times_s, MICROSECONDS / 1e6)
    assert "one line from before the board's clock began anew at the start; not counted." in sayings(gate)
    check_files(gate, data)


def test_unplugging_keeps_all_that_came(board, tmp_path):
    data = HEADER + b"".join(LINES[:45]) + LINES[45][:3]
    gate = listen(board, tmp_path, data)
    assert gate.ended == "unplugged"
    assert "The connection broke (" in sayings(gate)
    assert np.array_equal(gate.pass_times_s, MICROSECONDS[:45] / 1e6)
    check_files(gate, data)


@pytest.mark.parametrize("form", [b"A,%d\n", b"%d,1\n", b"A;%d\n", b"%d A\n", b"1\t%d\n"])
def test_a_channel_may_stand_before_or_behind(board, tmp_path, form):
    gate = listen(board, tmp_path, HEADER + b"".join(form % t for t in MICROSECONDS))
    assert np.array_equal(gate.pass_times_s, MICROSECONDS / 1e6)
    assert len(gate.report()) == 3


def test_of_two_channels_the_one_with_more_passes_is_used_and_it_is_said(board, tmp_path):
    lines = [b"A,%d\n" % t for t in MICROSECONDS]
    for i in range(0, 60, 7):
        lines[i] += b"B,%d\n" % (MICROSECONDS[i] + 40_000)
    data = HEADER + b"".join(lines)
    gate = listen(board, tmp_path, data)
    assert np.array_equal(gate.pass_times_s, MICROSECONDS / 1e6)
    assert f"Passes came from several channels (A: {len(LINES)}, B: 9); “A” is used." in sayings(gate)
    check_files(gate, data)


def test_of_beam_states_the_blocked_ones_are_the_passes(board, tmp_path):
    data = HEADER + b"".join(b"%d,1\n%d,0\n" % (t, t + 9_000) for t in MICROSECONDS)
    gate = listen(board, tmp_path, data)
    assert np.array_equal(gate.pass_times_s, MICROSECONDS / 1e6)
    check_files(gate, data)


def test_a_time_twice_and_words_between_are_reported(board, tmp_path):
    data = HEADER + b"".join(LINES[:10]) + LINES[9] + b"hello there\n" + b"-5\n" + b"".join(LINES[10:])
    gate = listen(board, tmp_path, data)
    assert np.array_equal(gate.pass_times_s, MICROSECONDS / 1e6)
    assert "one line with the same time as the one before; counted once. (first: line 12: " in sayings(gate)
    assert "2 lines of words instead of a time, not read. (first: line 13: hello there)" in sayings(gate)


# --- units -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("per_second", "words"), [(1, "seconds"), (1e3, "milliseconds"), (1e6, "microseconds")])
def test_without_a_unit_it_is_guessed_as_read_log_does_and_said(board, tmp_path, per_second, words):
    data = b"".join(b"%.5f\n" % (t * per_second) for t in RUN.pass_times_s)
    gate = listen(board, tmp_path, data)
    assert gate.pass_times_s == pytest.approx(RUN.pass_times_s)
    assert f"The board did not say its unit. From the usual gap it was taken as {words}." in sayings(gate)
    check_files(gate, data)


def test_an_unknown_unit_is_refused(tmp_path):
    with pytest.raises(KitError, match=r"The unit of the gate's times is s, ms or us\. Found: 'hours'"):
        LiveGate(io.BytesIO(b""), tmp_path, unit="hours")
    assert list(tmp_path.iterdir()) == []


# --- the end of a run ------------------------------------------------------------------------------------------------


class Clock:
    """Seconds that only a test moves."""

    def __init__(self):
        self.now = 0.0

    def __call__(self):
        return self.now


def test_it_stops_by_itself_when_the_disc_rests_and_not_before(board, tmp_path):
    clock = Clock()
    gate = LiveGate(open_port(board.port), tmp_path, clock=clock).start()
    board.play(HEADER + b"".join(LINES))
    wait_for(lambda: len(gate.pass_times_s) == len(LINES))
    last_turn_s = float(np.diff(RUN.pass_times_s)[-1])
    clock.now += max(3.0, 4 * last_turn_s) - 0.01
    assert not gate.wait(0.05)
    clock.now += 0.02
    assert gate.wait(20)
    assert gate.ended == "at rest"
    assert "s after it had slowed down, so it has stopped turning." in sayings(gate)


def test_it_does_not_stop_while_the_disc_is_only_being_pushed(board, tmp_path):
    clock = Clock()
    gate = LiveGate(open_port(board.port), tmp_path, clock=clock).start()
    faster = np.cumsum(np.linspace(900_000, 300_000, 12)).astype(int)
    board.play(HEADER + b"".join(b"%d\n" % t for t in faster))
    wait_for(lambda: len(gate.pass_times_s) == 12)
    clock.now += 1000
    assert not gate.wait(0.1)
    gate.stop()
    assert gate.ended == "stopped"


def test_it_can_be_told_to_run_until_stopped(tmp_path):
    clock = Clock()
    gate = LiveGate(PretendGate(RUN.pass_times_s, np.inf), tmp_path, rest_s=None, clock=clock).start()
    wait_for(lambda: len(gate.pass_times_s) == len(LINES))
    clock.now += 1000
    assert not gate.wait(0.05)
    gate.stop()
    assert gate.ended == "stopped"


def test_a_file_is_a_source_and_ends_by_itself(tmp_path):
    gate = LiveGate(io.BytesIO(HEADER + b"".join(LINES)), tmp_path).start()
    assert gate.wait(20)
    assert gate.ended == "source ended"
    assert len(gate.pass_times_s) == len(LINES)
    with pytest.raises(KitError, match="This run has been started already"):
        gate.start()


def test_a_driver_that_fails_in_its_own_way_ends_the_run_and_is_named(tmp_path):
    parts = [HEADER + b"".join(LINES[:20])]

    class Driver:
        def read(self, n):
            return parts.pop()  # IndexError at the second call

        def close(self):
            pass

    gate = LiveGate(Driver(), tmp_path).start()
    assert gate.wait(20)
    assert gate.ended == "failed"
    assert "The reading failed (IndexError" in sayings(gate)
    assert len(gate.pass_times_s) == 20


def test_nothing_is_overwritten_and_a_second_run_gets_its_own_files(tmp_path):
    gates = [LiveGate(io.BytesIO(b"".join(LINES)), tmp_path, name="my / disc").start() for _ in range(3)]
    for gate in gates:
        assert gate.wait(20)
    assert len({gate.raw_path for gate in gates}) == len({gate.log_path for gate in gates}) == 3
    assert all(gate.raw_path.name.startswith("my-disc_") for gate in gates)


def test_too_few_passes_make_no_run(tmp_path):
    gate = LiveGate(io.BytesIO(b"123\n"), tmp_path).start()
    assert gate.wait(20)
    with pytest.raises(KitError, match=r"A run needs two passes or more\. Found: 'one pass'"):
        gate.run()


def test_a_full_disk_is_not_taken_for_a_pulled_cable(tmp_path, monkeypatch):
    def full(fd):
        raise OSError(28, "No space left on device")

    gate = LiveGate(io.BytesIO(b"".join(LINES)), tmp_path)
    monkeypatch.setattr(os, "fsync", full)
    gate.start()
    assert gate.wait(20)
    assert gate.ended == "disk"
    assert "The log could not be written (No space left on device)" in sayings(gate)


# --- crashes ---------------------------------------------------------------------------------------------------------

CHILD = """
import sys, time
from kit.sources.gate import LiveGate, open_port

gate = LiveGate(open_port(sys.argv[1]), sys.argv[2]).start()
print(gate.log_path, flush=True)
told = 0
while True:
    now = len(gate.pass_times_s)
    if now > told:
        told = now
        print(told, gate.pass_times_s[-1], flush=True)
    time.sleep(0.001)
"""


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="this platform has no kill -9")
def test_after_kill_9_every_pass_that_was_told_of_is_in_the_log(board, tmp_path):
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, board.port, str(tmp_path)],
        env=project_environment(), stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        log = Path(child.stdout.readline().strip())
        board.play(HEADER)
        told, last = 0, 0.0
        for number, line in enumerate(LINES[:60]):
            board.play(line)
            if number % 10 == 9:
                while told < number - 5:  # it must have told of some before the next come
                    told, last = (float(x) for x in child.stdout.readline().split())
        child.send_signal(signal.SIGKILL)
        rest = child.stdout.read().split("\n")
    finally:
        child.kill()
        child.wait(20)
        child.stdout.close()
    whole = [line.split() for line in rest if len(line.split()) == 2]
    if whole:
        told, last = (float(x) for x in whole[-1])
    (run,) = read_log(log)
    assert len(run.pass_times_s) >= told >= 45
    assert last in run.pass_times_s
    (again,) = recover(tmp_path)
    assert set(run.pass_times_s) <= set(again.pass_times_s)


def test_recovering_uses_the_unit_a_person_gave(tmp_path):
    gate = LiveGate(io.BytesIO(b"".join(b"%d\n" % (t // 1000) for t in MICROSECONDS)), tmp_path, unit="ms").start()
    assert gate.wait(20)
    (found,) = recover(tmp_path)
    assert np.array_equal(found.pass_times_s, gate.pass_times_s)
    assert found.run({"magnets": 8}, trial=2).conditions == {"magnets": 8}
    with pytest.raises(KitError, match="There is no raw file of a live gate here"):
        recover(tmp_path / "elsewhere")


# --- ports -----------------------------------------------------------------------------------------------------------


def test_a_port_that_is_not_there_is_refused_with_what_to_do():
    with pytest.raises(KitError, match=r"This port can't be opened \(.*No such file.* Found: '/dev/no-such-gate'"):
        open_port("/dev/no-such-gate")


def test_a_file_is_no_port(tmp_path):
    path = tmp_path / "x"
    path.write_text("1\n")
    with pytest.raises(KitError, match=r"This port can't be opened \("):
        open_port(str(path))


def test_a_port_that_is_in_use_is_refused_and_free_again_after_closing(board):
    first = open_port(board.port)
    with pytest.raises(KitError, match=r"This port can't be opened \(another program uses it\)"):
        open_port(board.port)
    first.close()
    open_port(board.port).close()


def test_a_port_that_may_not_be_read_says_whom_to_ask(monkeypatch):
    def refuse(*_, **__):
        raise serial.SerialException(errno.EACCES, "could not open port: [Errno 13] Permission denied")

    monkeypatch.setattr(serial, "Serial", refuse)
    with pytest.raises(KitError, match=r"\(Permission denied\).*ask who looks after this computer.*dialout"):
        open_port("/dev/ttyACM0")


def test_ports_can_be_listed():
    assert all(len(pair) == 2 and all(isinstance(word, str) for word in pair) for pair in list_ports())


# --- without a board --------------------------------------------------------------------------------------------------


def test_a_pretend_gate_plays_in_its_own_time():
    clock = Clock()
    gate = PretendGate([5.0, 6.0, 7.5], speed=10, clock=clock)
    assert gate.read(100) == b"# pretend gate\n# unit us\n"
    clock.now = 0.1501
    assert gate.read(100) == b"5000000\n"
    clock.now = 0.36
    assert gate.read(100) == b"6000000\n7500000\n"
    assert gate.read(100) == b""
