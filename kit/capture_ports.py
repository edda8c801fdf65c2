"""Where a live gate's bytes come from: a serial port, by pyserial or by the system itself, or a pretend gate.

A source has `read(n)`, which waits a moment and returns the bytes that are there (b"" if none came), raises OSError
when the port is gone and EOFError when nothing will ever come again; and `close()`.
"""

from __future__ import annotations

import os
import select
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np

from kit.errors import KitError

__all__ = ["FileSource", "PretendGate", "list_ports", "open_port"]

WAIT_S = 0.1  # a read returns after so long, so that a gate can be stopped
BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400)
_DEVICES = ("ttyACM*", "ttyUSB*", "cu.usb*")  # how Linux and macOS name boards on a USB cable
HINT = "run `python3 -m pip install pyserial` in the kit's environment (the kit's extra “live-gate”), then start again"


def list_ports() -> list[tuple[str, str]]:
    """Serial ports of this machine as (name to open, words for a person); without pyserial, boards on a USB cable."""
    try:
        from serial.tools.list_ports import comports
    except ImportError:
        found = sorted(path for pattern in _DEVICES for path in Path("/dev").glob(pattern))
        return [(str(path), path.name) for path in found]
    return [(p.device, f"{p.device} ({p.description})" if p.description not in ("n/a", p.device) else p.device)
            for p in sorted(comports())]  # fmt: skip


def open_port(name: str, baud: int = 115200):
    """A source that reads the serial port of this name: 8 data bits, no parity, one stop bit.

    With pyserial (the extra "live-gate") on every system; without it on Linux and macOS, by the system's own
    terminal settings.

    Raises KitError if the port is not there, is in use or may not be read, for an unusual speed, and on Windows if
    pyserial is missing.
    """
    try:
        import serial
    except ImportError:
        serial = None
    try:
        if serial is not None:
            return _SerialPort(serial.Serial(name, baud, timeout=WAIT_S))
        return _TerminalPort(name, baud)
    except ImportError:
        raise KitError("Reading a serial port needs the package pyserial here", fix=HINT) from None
    except (OSError, ValueError) as error:
        ports = ", ".join(port for port, _ in list_ports()) or "none was found"
        fix = f"check the cable, and that no other program uses it; ports now: {ports}"
        if isinstance(error, PermissionError) or "ermission" in str(error):
            fix = "ask who looks after this computer: you may not read serial ports (on Linux: group “dialout”)"
        reason = getattr(error, "strerror", None) or str(error)
        raise KitError(f"This port can't be opened ({reason})", found=name, fix=fix) from error


class _SerialPort:
    """A port that pyserial opened."""

    def __init__(self, port):
        self._port = port

    def read(self, n: int) -> bytes:
        first = self._port.read(1)  # waits; the rest is there already
        return first + self._port.read(min(n - 1, self._port.in_waiting)) if first else first

    def close(self) -> None:
        self._port.close()


class _TerminalPort:
    """A port read with nothing but the system: Linux, macOS and other POSIX systems."""

    def __init__(self, name: str, baud: int):
        import termios  # not on Windows: open_port says what to do
        import tty

        if baud not in BAUDS:
            raise KitError("This speed is unusual", found=baud, fix=f"use one of: {', '.join(map(str, BAUDS))}")
        self._fd = os.open(name, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            tty.setraw(self._fd)
            settings = termios.tcgetattr(self._fd)
            settings[2] |= termios.CLOCAL | termios.CREAD
            settings[4] = settings[5] = getattr(termios, f"B{baud}")
            termios.tcsetattr(self._fd, termios.TCSANOW, settings)
        except termios.error as error:
            os.close(self._fd)
            raise OSError(f"it is no serial port ({error.args[-1]})") from error

    def read(self, n: int) -> bytes:
        if not select.select([self._fd], [], [], WAIT_S)[0]:
            return b""
        data = os.read(self._fd, n)
        if not data:
            raise OSError("the port has gone")
        return data

    def close(self) -> None:
        os.close(self._fd)


class FileSource:
    """Any object with `read(n)` as a source: no bytes means the end, None or a timeout of its own means not yet."""

    def __init__(self, file):
        self._file = file

    def read(self, n: int) -> bytes:
        data = self._file.read(n)
        if data == b"" and getattr(self._file, "timeout", None) is None:
            raise EOFError
        if not data:
            time.sleep(0.0 if data == b"" else 0.01)  # without waiting of its own it must not run hot
        return data or b""

    def close(self) -> None:
        self._file.close()


class PretendGate:
    """A source that plays pass times as a board would print them: to try things out without a board.

    Parameters
    ----------
    pass_times_s : (n,) increasing, s.
    speed : how many times faster than it happened; infinite: all at once.
    clock : seconds that grow; another one for tests.
    """

    def __init__(self, pass_times_s: Iterable[float], speed: float = 1.0, clock: Callable[[], float] = time.monotonic):
        times = np.asarray(list(pass_times_s), dtype=float)
        self._due_s = (times - times[0] + 1.0) / speed if np.isfinite(speed) else np.zeros(len(times))
        self._lines = [b"# pretend gate\n# unit us\n"] + [b"%d\n" % round(1e6 * t) for t in times]
        self._next, self._clock, self._begin = 0, clock, None

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
