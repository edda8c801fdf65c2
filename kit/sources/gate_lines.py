"""The line protocol of a live gate: from bytes as they arrive to pass times, and a list of all that was odd.

One pass a line: a number that only grows, in s, ms or µs, with a decimal point if any. A channel may stand before or
behind it, set off by a comma, semicolon, tab or blank: `A,123456` or `123456,1`. A line that begins with # is a
remark; `# unit us` says the unit. Nothing that arrives is passed over in silence: each line either becomes a pass or
is counted, by its kind, with the first one as an example.

A damaged line may still look like a number. It gives itself away because its neighbours do not fit it, so a time that
does not follow from the one before waits for the next line: that one either follows from the time before (the line
between was damaged) or from the waiting one (a long pause, or a board whose clock began anew).
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from decimal import Decimal

import numpy as np

from ..errors import KitError
from ..logs.columns import SLOWEST_USUAL_GAP_S
from ..logs.units import UNIT_WORDS, UNITS, name_and_unit
from ..wording import count_of

__all__ = ["LONGEST_LINE", "LineReader", "PassReader", "check_unit"]

LONGEST_LINE = 120  # bytes; a time and a channel need 30
FEWEST_BEFORE_RESTART = 3  # a clock that begins anew before so many passes belongs to the opening of the port
_TIME = rb"\d{1,17}(?:\.\d{0,12})?"
_LABEL = rb"[A-Za-z\xb5\xc2\xce][\w\xb5\xbc]{0,15}|\d{1,2}"
_GAP = rb"\s*[,;\t ]\s*"
_PASS = re.compile(rb"(?:(%s)%s)?(%s)(?:(?:%s)(%s))?" % (_LABEL, _GAP, _TIME, _GAP, _LABEL))
_TWO_NUMBERS = re.compile(rb"(%s)%s(%s)" % (_TIME, _GAP, _TIME))
_UNIT = re.compile(r"\bunit\b\s*[:=]?\s*(\w+)", re.IGNORECASE)
#: Clocks of 32 bits that count µs or ms run over after so many seconds.
_WRAPS_S = (Decimal(2**32) / 10**6, Decimal(2**32) / 10**3)


def check_unit(unit: str | None) -> str | None:
    """ "s", "ms" or "us" for any usual way to write it; None stays None.

    Raises
    ------
    KitError : anything else.
    """
    if unit is None:
        return None
    known = UNIT_WORDS.get(str(unit).strip().lower())
    if known is None:
        raise KitError("The unit of the gate's times is s, ms or us", found=unit)
    return known


class LineReader:
    """Cuts bytes into lines as they come, whatever ends them: LF, CR LF or CR. Its memory is bounded."""

    def __init__(self):
        self._rest = b""
        self._after_cr = self._skipping = False

    def feed(self, data: bytes) -> list[bytes | None]:
        """Whole lines, without their ends; None for a line that was too long."""
        lines: list[bytes | None] = []
        for piece in re.findall(rb"[^\r\n]+|\r\n|\r|\n", data):
            if piece[:1] not in b"\r\n":
                self._after_cr = False
                if self._skipping:
                    continue
                self._rest += piece
                if len(self._rest) > LONGEST_LINE:
                    self._rest, self._skipping = b"", True
                continue
            if not (piece == b"\n" and self._after_cr):  # else the second half of a CR LF
                lines.append(None if self._skipping else self._rest)
                self._rest, self._skipping = b"", False
            self._after_cr = piece == b"\r"
        return lines

    def finish(self) -> list[bytes | None]:
        """The half line at the end, if there is one."""
        rest, skipping = self._rest, self._skipping
        self._rest, self._skipping = b"", False
        return [None] if skipping else [rest] if rest.strip() else []


@dataclass
class _Track:
    """The clock of one channel, made continuous."""

    counts: list[Decimal] = field(default_factory=list)  # in the board's unit, after unwrapping
    offset: Decimal = Decimal(0)
    waiting: tuple[Decimal, int, str] | None = None  # count as it came, number of its line, its text


class PassReader:
    """Reads the protocol. Feed it bytes; `counts` of each channel grow, `oddities` and `ended` say the rest.

    Parameters
    ----------
    unit : "s", "ms" or "us", if the board does not say so itself. Without either it is guessed as in
        `kit.read_log`: seconds, unless the usual gap would then be longer than 20 s.

    `ended` is "restart" once the board's clock has begun anew after three passes or more; what arrives after that is
    only counted. A clock that begins anew earlier belongs to the opening of the port: the run then begins there.
    """

    changes_its_mind = False  # what was told as a pass stays one, or the run begins anew

    def __init__(self, unit: str | None = None):
        self.unit_given = check_unit(unit)
        self.unit_declared: str | None = None
        self.ended = ""
        self.remarks: list[str] = []
        self.lines = 0
        self._reader = LineReader()
        self._tracks: dict[str, _Track] = {}
        self._kinds: Counter[str] = Counter()
        self._examples: dict[str, str] = {}
        self._banner = False
        self._channel_first: bool | None = None

    # --- what was read ---------------------------------------------------------------------------------------------

    @property
    def unit(self) -> str:
        """The unit in use: given, declared, or guessed from the usual gap so far."""
        return self.unit_given or self.unit_declared or self._guess()

    @property
    def unit_known(self) -> bool:
        """Whether somebody said the unit."""
        return bool(self.unit_given or self.unit_declared)

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels that have passes; "" for lines without one."""
        return tuple(sorted(name for name, track in self._tracks.items() if track.counts))

    @property
    def main_channel(self) -> str:
        """The channel with most passes. Of 0 and 1 that take turns, which are beam states, it is 1: blocked."""
        sizes = {name: len(self._tracks[name].counts) for name in self.channels}
        if set(sizes) == {"0", "1"} and abs(sizes["0"] - sizes["1"]) <= 1:
            return "1"
        return max(sizes, key=lambda name: sizes[name], default="")

    def counts(self, channel: str | None = None) -> list[Decimal]:
        """A channel's times in the board's unit, exactly as written, made continuous where a clock ran over."""
        name = self.main_channel if channel is None else channel
        return list(self._tracks[name].counts) if name in self._tracks else []

    def times_s(self, channel: str | None = None) -> np.ndarray:
        """(n,) pass times in s, strictly increasing."""
        return np.array([float(count) for count in self.counts(channel)]) / UNITS[self.unit]

    def report(self) -> tuple[str, ...]:
        """What was odd, one sentence a kind, with how often and the first example."""
        said = [f"{_WORDS[kind](count_of(n, 'line'))} {self._examples[kind]}" for kind, n in self._kinds.items()]
        if not self.unit_known and any(len(track.counts) > 1 for track in self._tracks.values()):
            names = {"s": "seconds", "ms": "milliseconds", "us": "microseconds"}
            said.append(f"The board did not say its unit. From the usual gap it was taken as {names[self.unit]}.")
        if len(self.channels) > 1:
            sizes = ", ".join(f"{name or 'none'}: {len(self._tracks[name].counts)}" for name in self.channels)
            said.append(f"Passes came from several channels ({sizes}); “{self.main_channel}” is used.")
        return tuple(said)

    @property
    def oddities(self) -> dict[str, int]:
        """How many lines there were of each kind that made no pass or needed care."""
        return dict(self._kinds)

    # --- reading ---------------------------------------------------------------------------------------------------

    def feed(self, data: bytes) -> None:
        """Take the next bytes, however they are cut."""
        for line in self._reader.feed(data):
            self._line(line)

    def finish(self) -> None:
        """Nothing more will come: say what is left of a half line, or of a time that waited for the next one."""
        for line in self._reader.finish():
            self.lines += 1
            self._odd("half", line or b"")
        for track in self._tracks.values():
            if track.waiting is not None and not self.ended:
                self._odd_at("apart", track.waiting)
            track.waiting = None

    def _line(self, line: bytes | None) -> None:
        self.lines += 1
        if self.ended:
            self._odd("after", line or b"")
        elif line is None:
            self._odd("long", b"")
        elif not line.strip():
            self._odd("blank", b"")
        elif line.lstrip()[:1] == b"#":
            self._remark(line)
        else:
            self._pass_or_not(line.strip())

    def _remark(self, line: bytes) -> None:
        try:
            text = line.decode("utf-8").strip()
        except UnicodeDecodeError:
            text = line.decode("latin-1").strip()
        self._banner = True
        if len(self.remarks) < 100:
            self.remarks.append(text)
        said = _UNIT.search(text)
        word = said[1] if said else name_and_unit(text.lstrip("# "))[1]
        self._declare(UNIT_WORDS.get(word.lower()), line)

    def _declare(self, unit: str | None, line: bytes) -> None:
        if unit is None:
            return
        before = self.unit_given or self.unit_declared
        if before is None:
            self.unit_declared = unit
        elif unit != before:
            self._odd("unit", line)

    def _pass_or_not(self, line: bytes) -> None:
        channel, time = self._cells(line)
        if time is None:
            readable = all(32 <= byte < 127 or byte == 9 for byte in line)
            self._banner |= readable
            if readable and not any(t.counts for t in self._tracks.values()):  # a header such as 'time (us)'
                self._declare(UNIT_WORDS.get(name_and_unit(line.decode())[1].lower()), line)
            self._odd("words" if readable else "garbage", line)
            return
        if channel and UNIT_WORDS.get(channel.lower()):  # '123456 us'
            self._declare(UNIT_WORDS[channel.lower()], line)
            channel = ""
        track = self._tracks.setdefault(channel, _Track())
        self._take(track, (Decimal(time), self.lines, _shown(line)))
        self._banner = False

    def _cells(self, line: bytes) -> tuple[str, str | None]:
        """(channel, time). Of two numbers, the channel is the whole number below 100; the order then stays."""
        pair = _TWO_NUMBERS.fullmatch(line)
        if pair:
            small = [re.fullmatch(rb"\d{1,2}", cell) is not None for cell in pair.groups()]
            if not any(small):
                return "", None
            if small[0] != small[1]:
                self._channel_first = small[0]
            first = bool(self._channel_first) if all(small) else small[0]
            channel, time = pair.groups() if first else pair.groups()[::-1]
            return channel.decode(), time.decode()
        found = _PASS.fullmatch(line)
        if not found or (found[1] and found[3]):
            return "", None
        label = found[1] or found[3] or b""
        try:
            return label.decode("utf-8"), found[2].decode()
        except UnicodeDecodeError:
            return label.decode("latin-1"), found[2].decode()

    # --- the clock -------------------------------------------------------------------------------------------------

    def _take(self, track: _Track, came: tuple[Decimal, int, str]) -> None:
        if not track.counts:
            track.counts.append(came[0])
            return
        last = track.counts[-1] - track.offset
        if track.waiting is None:
            if came[0] == last:
                self._odd_at("twice", came)
            elif self._follows(track, last, came[0]):
                self._accept(track, last, came)
            elif came[0] < last and self._banner:
                self._restart(track, [came])
            else:
                track.waiting = came
            return
        waiting = track.waiting
        if self._follows(track, last, came[0]):
            track.waiting = None
            self._odd_at("damaged", waiting)
            self._accept(track, last, came)
        elif self._follows(track, waiting[0], came[0]):
            track.waiting = None
            if waiting[0] < last:
                self._restart(track, [waiting, came])
                return
            if len(track.counts) == 1:  # the port was opened in the middle of a line
                self._odd_at("apart", (track.counts.pop(), 1, str(last)))
            track.counts.append(waiting[0] + track.offset)
            self._accept(track, waiting[0], came)
        else:
            self._odd_at("damaged", waiting)
            track.waiting = came

    def _accept(self, track: _Track, last: Decimal, came: tuple[Decimal, int, str]) -> None:
        if (lost := self._wrap(last, came[0])) is not None:
            track.offset += lost
            self._odd_at("wrap", came)
        track.counts.append(came[0] + track.offset)

    def _follows(self, track: _Track, last: Decimal, now: Decimal) -> bool:
        """Whether `now` can be the pass after `last`: later, perhaps by a clock that ran over, and not by too much."""
        if now < last:
            return self._wrap(last, now) is not None
        return last < now and now - last <= self._longest_gap(track)

    def _longest_gap(self, track: _Track) -> Decimal:
        if not self.unit_known and len(track.counts) < 3:
            return Decimal("Infinity")
        gap = track.counts[-1] - track.counts[-2] if len(track.counts) > 1 else Decimal(0)
        return max(self._per_second() * Decimal(SLOWEST_USUAL_GAP_S), 6 * gap)

    def _wrap(self, last: Decimal, now: Decimal) -> Decimal | None:
        """What a 32-bit clock that ran over between the two has lost; None if it did not, or none such explains it."""
        for wrap_s in _WRAPS_S:
            lost = wrap_s * self._per_second()
            if (
                not self._banner
                and now < last < lost
                and 0 < now + lost - last <= self._per_second() * Decimal(SLOWEST_USUAL_GAP_S)
            ):
                return lost
        return None

    def _per_second(self) -> Decimal:
        return Decimal(int(UNITS[self.unit]))

    def _restart(self, track: _Track, begun: list[tuple[Decimal, int, str]]) -> None:
        if len(track.counts) < FEWEST_BEFORE_RESTART:
            for other in self._tracks.values():  # one board, one clock
                for count in other.counts:
                    self._odd_at("stale", (count, begun[0][1], str(count)))
                other.counts, other.offset, other.waiting = [], Decimal(0), None
            for came in begun:
                self._take(track, came)
            return
        self.ended = "restart"
        for came in begun:
            self._odd_at("restart" if came is begun[0] else "after", came)

    def _guess(self) -> str:
        track = max(self._tracks.values(), key=lambda t: len(t.counts), default=_Track())
        gaps = np.diff([float(count) for count in track.counts[:60]])
        usual = float(np.median(gaps)) if len(gaps) else 0.0
        return next((unit for unit, per in UNITS.items() if usual / per <= SLOWEST_USUAL_GAP_S), "us")

    # --- the list of what was odd -----------------------------------------------------------------------------------

    def _odd(self, kind: str, line: bytes) -> None:
        self._odd_at(kind, (None, self.lines, _shown(line)))

    def _odd_at(self, kind: str, came: tuple[Decimal | None, int, str]) -> None:
        self._kinds[kind] += 1
        place = f"line {came[1]}: {came[2]}" if came[2] else f"line {came[1]}"
        self._examples.setdefault(kind, f"(first: {place})")


def _shown(line: bytes) -> str:
    """A line for people, at most 40 characters: strange bytes as \\x.."""
    text = "".join(chr(b) if 32 <= b < 127 else f"\\x{b:02x}" for b in line[:41])
    return text if len(text) <= 40 else text[:39] + "…"


_WORDS = {
    "blank": lambda n: f"{n} empty.",
    "long": lambda n: f"{n} of more than {LONGEST_LINE} characters, not read.",
    "garbage": lambda n: f"{n} with bytes that are no text, not read.",
    "words": lambda n: f"{n} of words instead of a time, not read.",
    "unit": lambda n: f"{n} named another unit than the one in use; the first one stays.",
    "half": lambda n: f"{n} without an end, cut off when the reading ended; not read.",
    "apart": lambda n: f"{n} with a time that fits no other; not counted.",
    "damaged": lambda n: f"{n} with a time that does not fit between its neighbours, so it is damaged; not counted.",
    "twice": lambda n: f"{n} with the same time as the one before; counted once.",
    "stale": lambda n: f"{n} from before the board's clock began anew at the start; not counted.",
    "wrap": lambda n: f"The board's 32-bit clock ran over, {n}; the times go on without a step.",
    "restart": lambda n: f"The board started anew, {n}: its clock went back, and the run ends before it.",
    "after": lambda n: f"{n} came after the board had started anew; only the raw file has them.",
}
