"""What a student's own browser measures, on its way to a live gate: numbered pieces, each taken once and in order.

A hosted student's cable ends at the student's machine, and the kernel runs elsewhere. So the page reads, and this
source takes what it sends. A piece says at which byte of the run it begins. What has come before is dropped, what
leaves a gap is not taken: the page keeps every piece until it is told that the bytes are on the disk, and sends it
again. So nothing is lost or doubled, however often the connection breaks.
"""

from __future__ import annotations

import math
import queue
import threading

from ..errors import KitError

__all__ = ["MOST_AT_ONCE", "PageSource"]

WAIT_S = 0.1  # a read returns after so long, so that a gate can be stopped
MOST_AT_ONCE = 1_000_000  # bytes of one piece

#: Why the page ended a run, and what a broken connection is called; "" where the student stopped it.
ENDS = {"stopped": "", "unplugged": "the browser lost the cable", "page": "the page was closed or loaded anew"}


class PageSource:
    """A source for `kit.LiveGate`, filled by `take` and `end` from another thread.

    `clock` belongs to it: give it to the gate. It is the page's clock, and it goes on only with what the page says, so
    that a broken connection is not taken for a disc at rest.

    >>> source = PageSource()
    >>> source.take(0, b"1200\\n", 0.5), source.take(0, b"1200\\n13", 0.6), source.take(90, b"1500\\n", 0.9)
    (5, 7, 7)
    >>> source.read(100), source.read(100), source.clock()
    (b'1200\\n', b'13', 0.6)
    """

    def __init__(self):
        self._pieces: queue.SimpleQueue[tuple[bytes, float]] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._have, self._now_s = 0, 0.0
        self._closed = False
        self._end: str | None = None
        self.notes: list[str] = []  # what the page noticed, one sentence each

    @property
    def have(self) -> int:
        """How many bytes of the run have come."""
        return self._have

    def take(self, at: int, data: bytes, page_s: float) -> int:
        """Take a piece that begins at byte `at` of the run and came at `page_s` on the page's clock.

        Returns
        -------
        how many bytes of the run are here now: the page goes on from there.

        Raises
        ------
        KitError : a place or a time that cannot be, or a piece of more than 1 MB.
        """
        if type(at) is not int or at < 0 or not math.isfinite(page_s) or len(data) > MOST_AT_ONCE:
            raise KitError("The page sent something that no gate sends", found=f"{len(data)} bytes at {at}, {page_s} s")
        with self._lock:
            new = data[self._have - at :] if at <= self._have < at + len(data) else b""
            self._have += len(new)
            if not self._closed and at <= self._have:  # a piece after a gap tells no time either: it comes again
                self._pieces.put((new, float(page_s)))
            return self._have

    def end(self, why: str, at: int) -> bool:
        """The page says that the run is over after byte `at`, because of `why`: a key of `ENDS`.

        Returns whether all bytes up to there are here; if not, the page sends them and says so again.
        """
        with self._lock:
            if at > self._have:
                return False
            if self._end is None:
                self._end = why
                self._pieces.put((b"", math.nan))
            return True

    def read(self, n: int, /) -> bytes:
        """The next piece, whole. After the last one EOFError, or OSError where the connection to the board broke."""
        try:
            data, now_s = self._pieces.get(timeout=WAIT_S)
        except queue.Empty:
            return b""
        if math.isnan(now_s):
            self._pieces.put((b"", math.nan))  # it stays ended
            if broken := ENDS.get(self._end or "", "the page does not say why"):
                raise OSError(broken)
            raise EOFError(self._end)
        self._now_s = max(self._now_s, now_s)
        return data

    def clock(self) -> float:
        """Seconds on the page's clock when what was read last came."""
        return self._now_s

    def close(self) -> None:
        """Take no more: what still comes is told as had, and forgotten."""
        self._closed = True
