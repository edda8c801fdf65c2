"""A live gate: passes read from a board as they happen, and on disk before anybody is told of them.

Two files a run. `….raw` holds every byte as it came. `….csv` holds the passes, one a line, and is a gate log like any
other: `kit.read_log` reads it, also after a crash. Each batch of lines is written and synced in both files first, and
only then shown.
"""

from __future__ import annotations

import errno
import os
import re
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Protocol

import numpy as np

from ..errors import KitError
from ..logs.run import Run
from ..wording import count_of
from .camera import SampleReader, is_sampled
from .gate_lines import PassReader

if TYPE_CHECKING:
    from serial import Serial

__all__ = [
    "Captured",
    "FileSource",
    "LiveGate",
    "PretendGate",
    "list_ports",
    "open_port",
    "recover",
]

WAIT_S = 0.1  # a read of a port returns after so long, so that a gate can be stopped
AT_ONCE = 4096  # bytes a read
MOST_BYTES = 50_000_000  # in a raw file: hours of passes, and no disk full of noise

ENDINGS = {
    "stopped": "You stopped it.",
    "at rest": "No pass came for {waited:.0f} s after it had slowed down, so it has stopped turning.",
    "unplugged": "The connection broke ({why}). All that came before is kept.",
    "source ended": "The source has no more to say.",
    "restart": "The board started anew, so this run ends there.",
    "disk": "The log could not be written ({why}). What is listed is on disk as far as it could be.",
    "too much": "The board sends far more than a gate can, so listening stopped.",
    "failed": "The reading failed ({why}). All that came before is kept.",
}


# --- where bytes come from -------------------------------------------------------------------------------------------


class Readable(Protocol):
    """Any object with `read(n)`, such as an open file."""

    def read(self, n: int, /) -> bytes | None: ...


class Source(Protocol):
    """What a `LiveGate` reads: no bytes means not yet, `EOFError` the end, `OSError` a cable that was pulled."""

    def read(self, n: int, /) -> bytes: ...

    def close(self) -> None: ...


def list_ports() -> list[tuple[str, str]]:
    """Serial ports of this machine as (name to open, words for a person)."""
    from serial.tools.list_ports import comports  # late: a pretend gate needs no ports

    return [
        (p.device, f"{p.device} ({p.description})" if p.description not in ("n/a", p.device) else p.device)
        for p in sorted(comports())
    ]


def open_port(name: str, baud: int = 115200) -> Source:
    """A source that reads the serial port of this name: 8 data bits, no parity, one stop bit.

    Raises
    ------
    KitError : the port is not there, is in use or may not be read, or cannot be set to this speed.
    """
    from serial import Serial  # late: a pretend gate needs no ports

    try:
        # two readers would share the bytes between them
        return _SerialPort(Serial(name, baud, timeout=WAIT_S, exclusive=True))
    except (OSError, ValueError) as error:
        number = getattr(error, "errno", None)
        ports = ", ".join(port for port, _ in list_ports()) or "none was found"
        fix = f"check the cable, and that no other program uses it; ports now: {ports}"
        if number == errno.EACCES and os.name == "posix":
            fix = "ask who looks after this computer: you may not read serial ports (on Linux: group “dialout”)"
        reason = os.strerror(number) if number else str(error)
        if number in (errno.EAGAIN, errno.EBUSY):
            reason = "another program uses it"
        raise KitError(f"This port can't be opened ({reason})", found=name, fix=fix) from error


class _SerialPort:
    """A port that pyserial opened. Its `read(n)` would wait until n bytes are there; a gate wants each pass at once."""

    def __init__(self, port: Serial):
        self._port = port

    def read(self, n: int, /) -> bytes:
        try:
            first = self._port.read(1)  # waits; the rest is there already
        except OSError as error:
            raise OSError("the port has gone") from error
        if not first:
            return first
        try:
            return first + self._port.read(min(n - 1, self._port.in_waiting))
        except OSError:  # the cable was pulled just now: the next read says so, and this byte is not lost
            return first

    def close(self) -> None:
        self._port.close()


class FileSource:
    """Any object with `read(n)` as a source: no bytes means the end, None or a timeout of its own means not yet."""

    def __init__(self, file: Readable):
        self._file = file

    def read(self, n: int) -> bytes:
        data = self._file.read(n)
        if data == b"" and getattr(self._file, "timeout", None) is None:
            raise EOFError
        if not data:
            time.sleep(0.0 if data == b"" else 0.01)  # without waiting of its own it must not run hot
        return data or b""

    def close(self) -> None:
        close = getattr(self._file, "close", None)
        if close is not None:
            close()


class PretendGate:
    """A source that plays pass times as a board would print them: to try things out without a board.

    Parameters
    ----------
    pass_times_s : (n,) increasing, s.
    speed : how many times faster than it happened; infinite: all at once.
    clock : seconds that grow; another one for tests.

    >>> import kit
    >>> kit.PretendGate([0.5, 0.71], speed=float("inf")).read(100)
    b'# pretend gate\\n# unit us\\n500000\\n710000\\n'
    """

    def __init__(self, pass_times_s: Iterable[float], speed: float = 1.0, clock: Callable[[], float] = time.monotonic):
        times = np.asarray(list(pass_times_s), dtype=float)
        self._due_s = (times - times[0] + 1.0) / speed if np.isfinite(speed) else np.zeros(len(times))
        self._lines = [b"# pretend gate\n# unit us\n"] + [b"%d\n" % round(1e6 * t) for t in times]
        self._next, self._clock = 0, clock
        self._begin: float | None = None

    def read(self, n: int) -> bytes:
        if self._begin is None:
            self._begin = self._clock()
        now = self._clock() - self._begin
        due = 1 + int(np.searchsorted(self._due_s, now, side="right"))
        if due <= self._next:
            time.sleep(0.02)
            return b""
        data = b"".join(self._lines[self._next : due])
        self._next = due
        return data

    def close(self) -> None:
        self._next = len(self._lines)


# --- the gate ---------------------------------------------------------------------------------------------------------


class LiveGate:
    """Reads a board in the background, from `start()` until the disc rests, `stop()`, or the cable is pulled.

    Parameters
    ----------
    source : what `kit.sources.gate.open_port` returns, a `PretendGate`, or any object with `read(n)` that returns
        bytes. It is closed at the end.
    folder : where both files of the run go; made if it is not there. Nothing in it is ever overwritten.
    name : beginning of the file names.
    unit : "s", "ms" or "us" if the board does not say so itself.
    flags_per_turn : flags that pass the gate in one turn.
    rest_s, rest_turns : after the disc has slowed down, the run ends when no pass comes for the longer of `rest_s`
        seconds and `rest_turns` times the last turn. None for either: it ends only when told.
    clock : seconds that grow, to judge how long no pass came.
    reader : what makes passes of the bytes, where they are no lines of a board (`kit.sources.camera.SampleReader`).

    Use it as `with LiveGate(...) as gate:` or call `start()` and `stop()`. All properties may be read at any time.

    Raises
    ------
    KitError : an unknown unit, or a folder that cannot be written to.

    >>> import io, kit, tempfile
    >>> lines = io.BytesIO(b"# unit ms\\n1000\\n1210\\n1430\\n1660\\n")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     gate = kit.LiveGate(lines, folder).start()
    ...     ended = gate.wait(5)
    ...     print(*gate.report()[:2], gate.run({"magnets": 2}), sep="\\n")
    4 passes logged.
    The source has no more to say.
    Run(2 magnets, trial 1: 4 passes in 0.660 s)
    """

    def __init__(
        self,
        source: Source | Readable,
        folder: str | Path,
        *,
        name: str = "gate",
        unit: str | None = None,
        flags_per_turn: int = 1,
        rest_s: float | None = 3.0,
        rest_turns: float | None = 4.0,
        clock: Callable[[], float] = time.monotonic,
        reader: PassReader | SampleReader | None = None,
    ):
        self._reader = reader or PassReader(unit)
        self._source = source if hasattr(source, "close") and not hasattr(source, "readable") else FileSource(source)
        self.flags_per_turn = flags_per_turn
        self._rest = None if rest_s is None or rest_turns is None else (rest_s, rest_turns)
        self._clock, self._lock = clock, threading.RLock()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._written, self._bytes, self._last_pass_at, self._waited_s = 0, 0, clock(), 0.0
        self._ended, self._why = "", ""
        self._times_s = np.empty(0)
        self.started = datetime.now().astimezone().isoformat(timespec="seconds")
        self.raw_path, self._raw = _new_file(Path(folder), name)
        self.log_path = self.raw_path.with_suffix(".csv")
        self._log = self.log_path.open("xb")

    # --- what there is ---------------------------------------------------------------------------------------------

    @property
    def pass_times_s(self) -> np.ndarray:
        """(n,) passes that are safe on disk, s on the board's clock."""
        with self._lock:
            return self._times_s

    @property
    def saved_bytes(self) -> int:
        """How many bytes of the source are safe on disk."""
        return self._bytes

    @property
    def running(self) -> bool:
        """Whether it still listens."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def ended(self) -> str:
        """Why it ended, a key of `ENDINGS`; empty while it runs."""
        return self._ended

    def report(self) -> tuple[str, ...]:
        """How many passes, why it ended, everything odd with its first example, and where the bytes are."""
        with self._lock:
            said = [f"{count_of(len(self._times_s), 'pass', 'passes').capitalize()} logged."]
            if self._ended:
                said.append(ENDINGS[self._ended].format(waited=self._waited_s, why=self._why))
            return (*said, *self._reader.report(), f"Every byte is in {self.raw_path.name}.")

    def run(self, conditions: Mapping[str, float | str] | None = None, trial: int = 1) -> Run:
        """What was logged, as a run with its repairs found. Raises KitError if there are fewer than two passes."""
        return _run_of(self.pass_times_s, conditions, trial, self.flags_per_turn, self.log_path.name)

    # --- start and stop --------------------------------------------------------------------------------------------

    def start(self) -> LiveGate:
        """Begin to listen. Raises KitError if it has done so before: each run is a new LiveGate."""
        if self._thread is not None:
            raise KitError("This run has been started already", fix="make a new LiveGate for the next run")
        self._last_pass_at = self._clock()
        self._thread = threading.Thread(target=self._listen, name="live gate", daemon=True)
        self._thread.start()
        return self

    def stop(self) -> None:
        """End the run and close port and files. Does nothing if it has ended by itself."""
        self._stop.set()
        self.wait(10.0)

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until the run has ended. Returns whether it has."""
        if self._thread is not None:
            self._thread.join(timeout_s)
        return not self.running

    def __enter__(self) -> LiveGate:
        return self.start()

    def __exit__(self, *_) -> None:
        self.stop()

    # --- the listener's own thread ---------------------------------------------------------------------------------

    def _listen(self) -> None:
        why, ended = "", "stopped"
        try:
            while not self._stop.is_set() and (ended := self._step()) == "":
                ended = "stopped"
        except EOFError as error:
            ended = "stopped" if str(error) == "stopped" else "source ended"
        except OSError as error:
            ended, why = "unplugged", error.strerror or str(error) or type(error).__name__
        except _DiskError as error:
            ended, why = "disk", str(error)
        except Exception as error:  # a driver may raise anything; the run must still be closed and told of
            ended, why = "failed", f"{type(error).__name__}: {error}"
        finally:
            self._close(ended, why)

    def _step(self) -> str:
        """Read once. Returns why the run is over, or ""."""
        data = self._source.read(AT_ONCE)
        now = self._clock()
        if data:
            before = len(self._times_s)
            self._take(data)
            if len(self._times_s) > before:
                self._last_pass_at = now
            if self._bytes > MOST_BYTES:
                return "too much"
        if self._reader.ended:
            return self._reader.ended
        self._waited_s = now - self._last_pass_at
        return "at rest" if self._at_rest() else ""

    def _at_rest(self) -> bool:
        times, flags = self._times_s, self.flags_per_turn
        if self._rest is None or len(times) < 5 * flags:
            return False
        turns_s = times[flags:] - times[:-flags]
        has_slowed = np.median(turns_s[-3:]) > 1.1 * np.quantile(turns_s, 0.1)  # a bounce makes a turn or two short
        return bool(has_slowed and self._waited_s > max(self._rest[0], self._rest[1] * turns_s[-1]))

    def _take(self, data: bytes) -> None:
        try:
            _save(self._raw, data)
            self._bytes += len(data)
            self._reader.feed(data)
            self._write_log()
        except OSError as error:
            raise _DiskError(error.strerror or str(error)) from error

    def _write_log(self, anew: bool = False) -> None:
        """Bring the log to what the reader knows: add new lines; where it changed its mind, write all anew."""
        counts = self._reader.counts()
        heading = self._heading()
        anew |= self._reader.changes_its_mind and len(counts) > 0
        anew |= heading != getattr(self, "_heading_written", None) or len(counts) < self._written
        if anew:
            self._log.close()
            fresh = self.log_path.with_suffix(".new")
            with fresh.open("wb") as file:
                _save(file, heading + b"".join(_line(count) for count in counts))
            fresh.replace(self.log_path)
            self._log = self.log_path.open("ab")
            self._heading_written = heading
        elif len(counts) > self._written:
            _save(self._log, b"".join(_line(count) for count in counts[self._written :]))
        self._written = len(counts)
        with self._lock:
            self._times_s = self._reader.times_s()

    def _heading(self) -> bytes:
        reader = self._reader
        channel = f", channel {reader.main_channel}" if reader.main_channel else ""
        unit = f" ({reader.unit})" if reader.unit_known or self._ended else ""
        given = f", unit given: {reader.unit_given}" if reader.unit_given else ""
        first = f"# live gate, started {self.started}{channel}{given}; every byte is in {self.raw_path.name}\n"
        return (first + f"time{unit}\n").encode()

    def _close(self, ended: str, why: str) -> None:
        with self._lock:
            self._ended, self._why = ended, why
        try:
            self._reader.finish()
            self._write_log()
        except OSError as error:
            self._ended, self._why = "disk", error.strerror or str(error)
        for file in (self._log, self._raw, self._source):
            try:
                file.close()
            except OSError:  # a port that has gone cannot be closed; there is nothing left to do
                continue


class _DiskError(Exception):
    """Writing failed: not to be taken for a port that has gone."""


# --- after a crash ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Captured:
    """What a raw file holds: the passes, and what was odd in them."""

    raw_path: Path
    pass_times_s: np.ndarray  # (n,)
    report: tuple[str, ...]

    def run(self, conditions: Mapping[str, float | str] | None = None, trial: int = 1, flags_per_turn: int = 1) -> Run:
        """The passes as a run with its repairs found. Raises KitError if there are fewer than two."""
        return _run_of(self.pass_times_s, conditions, trial, flags_per_turn, self.raw_path.stem)


def recover(path: str | Path) -> list[Captured]:
    """What the raw files of a folder, or one raw file, hold: after a crash, or to look again.

    The unit a person gave is taken from the log beside the raw file, if it is there.

    Raises
    ------
    KitError : there is no raw file.

    >>> import io, kit, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     ended = kit.LiveGate(io.BytesIO(b"# unit ms\\n1000\\n1210\\n1430\\n1660\\n"), folder).start().wait(5)
    ...     [captured] = kit.recover(folder)
    ...     print(captured.run({"magnets": 2}))
    Run(2 magnets, trial 1: 4 passes in 0.660 s)
    """
    path = Path(path)
    files = [path] if path.is_file() else sorted(path.glob("*.raw"))
    if not files:
        raise KitError("There is no raw file of a live gate here", file=path, fix="choose the folder of the live logs")
    found = []
    for file in files:
        log = file.with_suffix(".csv")
        heading = log.read_bytes()[:400].decode("utf-8", "replace") if log.is_file() else ""
        given = re.search(r"^# live gate.*, unit given: (\w+);", heading)
        data = file.read_bytes()
        reader = SampleReader() if is_sampled(data) else PassReader(given[1] if given else None)
        reader.feed(data)
        reader.finish()
        found.append(Captured(file, reader.times_s(), reader.report()))
    return found


# --- files -----------------------------------------------------------------------------------------------------------


def _run_of(times_s, conditions, trial: int, flags: int, source: str) -> Run:
    if len(times_s) < 2:
        raise KitError(
            "A run needs two passes or more",
            file=source,
            found=count_of(len(times_s), "pass", "passes"),
            fix="check that the flag cuts the beam, and that the board prints one line a pass",
        )
    return Run(times_s, conditions or {}, flags_per_turn=flags, trial=trial, source=source).repaired()


def _new_file(folder: Path, name: str) -> tuple[Path, BinaryIO]:
    """A raw file nobody has used: name, date and time, and a number if that is taken."""
    safe = re.sub(r"[^\w.\-]+", "-", name).strip("-.") or "gate"
    stem = f"{safe}_{datetime.now():%Y-%m-%d_%H-%M-%S}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for number in range(1, 1000):
            path = folder / f"{stem}{f'_{number}' if number > 1 else ''}.raw"
            try:
                if not path.with_suffix(".csv").exists():
                    return path, path.open("xb")
            except FileExistsError:
                continue
    except OSError as error:
        raise KitError("The log can't be written here", file=folder, found=error.strerror or str(error)) from error
    raise KitError("There are too many logs of this second", file=folder, fix="wait a moment")


def _line(count) -> bytes:
    return f"{count}\n".encode()


def _save(file: BinaryIO, data: bytes) -> None:
    file.write(data)
    file.flush()
    os.fsync(file.fileno())
