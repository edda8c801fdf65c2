"""Recordings to listen to and to look at: level, clicks, spectrogram, and the speed of the run beside them."""

from __future__ import annotations

import io
import wave
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import ipywidgets as widgets
import numpy as np
import pandas as pd
import traitlets as t

from ..errors import KitError
from ..lessons.claim_runs import ClaimRuns, run_name
from ..logs.run import Run
from ..plots.investigate import clicks_figure, describe_level, level_figure, level_numbers, spectrogram_figure
from ..sound.clicks import Clicks, level_and_clicks, run_from_clicks
from ..sound.level import Calibration, spectrogram, third_octaves
from ..sound.recording import Recording, read_sound
from ..sound.with_run import align, clicks_per_turn, level_against_speed
from ..wording import count_of, number
from .parts import (
    FIELD,
    KitBox,
    PlotView,
    Status,
    action,
    attempt,
    choice_of,
    condition_field,
    heading,
    note,
    row_of,
    side_of,
    stack_of,
)

__all__ = ["ClicksAsRun", "Recordings", "SoundView"]

PLAYED_PEAK = 0.33  # of full scale: about 10 dB below what the player could do
LONGEST_S = 20.0  # of sound sent to the page at once: about 2 MB
_VIEWS = (("level and clicks", "level"), ("spectrogram", "spectrogram"), ("clicks in every turn", "turns"))


class SoundView(KitBox):
    """Listen to a recording, and see all that can be heard in it.

    Parameters
    ----------
    recording : a file, or what `kit.sound.recording.read_sound` returned.
    run : the run that was recorded, if its gate log is there; its speed is then shown beside the level.
    offset_s : time in the log = time in the recording + offset_s. "clicks" finds it from clicks that belong to the
        turning.
    calibration : from `kit.sound.level.calibrate`; without it levels are relative to full scale, and it says so.
    loudest : largest sample among all recordings that are listened to side by side; they are then played as loud as
        they were to one another. Without it every part is played as loud as fits, and it says so.

    Nothing plays by itself, and the player gets no sample beyond a third of full scale.

    `levels`, `clicks` (of the whole recording) and `offset_s` are what is shown; `listening` is (start, length) of
    the part that can be heard.

    Raises
    ------
    KitError : a recording that can't be read.
    """

    offset_s = t.Float(read_only=True)
    listening = t.Tuple(read_only=True)

    def __init__(
        self,
        recording: Recording | str | Path,
        run: Run | None = None,
        *,
        offset_s: float | str = 0.0,
        calibration: Calibration | None = None,
        loudest: float | None = None,
    ):
        self.recording = recording if isinstance(recording, Recording) else read_sound(recording)
        self.run = run
        self.levels: pd.DataFrame
        self.clicks: Clicks
        self.levels, self.clicks = level_and_clicks(self.recording, calibration)
        self._sayings = list(self.recording.notes)
        self._loudest = loudest
        self._sayings.append(
            "The player makes every part as loud as fits: judge how loud it was by the plot."
            if loudest is None
            else "All recordings of this set are played with the same gain."
        )
        self._set_offset(offset_s)
        self._build()
        super().__init__(
            [
                row_of(self._start, self._length, self._listen),
                self._audio,
                self._view,
                side_of(stack_of("kit-main", self._plot), stack_of("kit-rail kit-narrow", self._say)),
            ]
        )
        self._view.observe(lambda _: self._show(), "value")
        self.listen(self._start.value, self._length.value)
        self._show()

    # --- for code and for buttons alike ---------------------------------------------------------------------------

    def listen(self, start_s: float, length_s: float) -> None:
        """Put a part of the recording into the player, at most 20 s. Raises KitError for a moment it does not have."""
        if not 0 <= start_s < self.recording.duration_s:
            raise KitError(
                "The recording has no such moment", found=start_s, fix=f"it lasts {self.recording.duration_s:.1f} s"
            )
        length_s = min(length_s, LONGEST_S, self.recording.duration_s - start_s)
        self._audio.value = _wav_of(self.recording, start_s, length_s, self._loudest)
        self.set_trait("listening", (float(start_s), float(length_s)))

    @property
    def view(self) -> str:
        """Which plot is shown: "level", "spectrogram" or "turns"."""
        return self._view.value

    # --- what is on the page --------------------------------------------------------------------------------------

    def _build(self) -> None:
        end = self.recording.duration_s
        self._start = widgets.BoundedFloatText(
            0.0, min=0, max=max(0.0, end - 0.1), step=1, description="Listen from (s):", **FIELD
        )
        self._length = widgets.BoundedFloatText(
            min(10.0, max(0.1, int(10 * end) / 10)), min=0.1, max=LONGEST_S, step=1, description="for (s):", **FIELD
        )
        self._listen = action("Put into the player", lambda: attempt(self._say, self._listen_now))
        self._audio = widgets.Audio(autoplay=False, loop=False, controls=True, layout={"width": "100%"})
        views = _VIEWS if self.run is not None else _VIEWS[:2]
        self._view = choice_of("Show", views)
        self._plot, self._say = PlotView(name="the sound"), Status()

    def _listen_now(self) -> None:
        self.listen(self._start.value, self._length.value)
        start, length = self.listening
        self._say.say(f"The player holds {length:.1f} s from {start:.1f} s on.", *self._what_is_known())

    def _set_offset(self, offset_s: float | str) -> None:
        if isinstance(offset_s, str):
            if offset_s != "clicks" or self.run is None:
                raise KitError("The offset is a number of seconds, or 'clicks' if there is a run", found=offset_s)
            found = align(self.clicks, self.run)
            self._sayings.append(found.sentence)
            offset_s = found.offset_s
        self.set_trait("offset_s", float(offset_s))

    def _speed(self) -> pd.DataFrame | None:
        """Level and speed on the recording's clock."""
        if self.run is None:
            return None
        table = level_against_speed(self.levels, self.run, self.offset_s)
        return table.assign(time_s=table["time_s"] - self.offset_s)

    def _show(self) -> None:
        steps = {"level": self._show_level, "spectrogram": self._show_spectrogram, "turns": self._show_turns}
        attempt(self._say, steps[self.view])

    def _show_level(self) -> None:
        words = describe_level(self.levels, self.clicks)
        self._plot.show(
            level_figure(self.levels, self.clicks, self._speed()), words, level_numbers(self.levels, self.clicks)
        )
        self._say.say(words, *self._what_is_known())

    def _show_spectrogram(self) -> None:
        bands = third_octaves(self.recording)
        loudest = float(bands["middle_hz"].iloc[int(bands["level_dB"].to_numpy().argmax())])
        high = bands["middle_hz"].between(1000, 6400)
        power = 10 ** (bands["level_dB"] / 10)
        share = power[high].sum() / power.sum()
        words = f"Most of the sound lies around {number(loudest, 2)} Hz. "
        words += f"{100 * share:.0f} % of its power lies between 1 and 6 kHz."
        table = pd.DataFrame(
            {
                "middle (Hz)": bands["middle_hz"].map("{:.0f}".format),
                "level (dB)": bands["level_dB"].map("{:.1f}".format),
            }
        )
        self._plot.show(spectrogram_figure(*spectrogram(self.recording)), words, table)
        self._say.say(words, *self._what_is_known())

    def _show_turns(self) -> None:
        if self.run is None:
            raise KitError("Without its gate log a recording has no turns", fix="give the run that was recorded")
        counted = clicks_per_turn(self.clicks, self.run, self.offset_s)
        mean, u = counted.attrs["per_turn"], counted.attrs["per_turn_u"]
        words = f"{count_of(len(counted), 'whole turn')} heard: {number(mean, 3)} clicks in a turn"
        words += f" (standard uncertainty {number(u, 2)})." if np.isfinite(u) and u > 0 else "."
        shown = counted.assign(
            start_s=counted["start_s"].map("{:.2f}".format), turns_per_s=counted["turns_per_s"].map("{:.2f}".format)
        )
        shown.columns = ["turn", "starts at (s)", "turns a second", "clicks"]
        self._plot.show(clicks_figure(counted), words, shown)
        self._say.say(words, *self._what_is_known())

    def _what_is_known(self) -> list[str]:
        clipped = self.levels.attrs["clipped"]
        notes = [self.levels.attrs["sentence"], *self._sayings]
        if clipped > 0:
            notes.append("Some of it was too loud for the recorder: the true level was higher there.")
        return notes


class ClicksAsRun(KitBox):
    """The clicks of a recording as a run: which part of it, how many clicks make a turn, and a button to keep it.

    Parameters
    ----------
    recording : what was recorded.
    on_keep : called with (run, note); returns a sentence to show, or raises KitError.
    x : name of a condition to ask for; `values`: the values to choose from, else a number is typed.
    conditions : those that are known.
    """

    def __init__(
        self,
        recording: Recording,
        on_keep: Callable[[Run, str], str],
        x: str = "",
        values: Sequence[float | str] = (),
        conditions: Mapping[str, float | str] | None = None,
    ):
        self.recording, self._on_keep, self._x, self._known = recording, on_keep, x, dict(conditions or {})
        self._kept: Run | None = None
        end_s = float(np.ceil(10 * recording.duration_s) / 10)
        self._value = condition_field(x, values)
        self._per_turn = widgets.BoundedIntText(value=1, min=1, max=100, description="Clicks in one turn", **FIELD)
        self._from = widgets.BoundedFloatText(0, min=0, max=end_s, step=0.1, description="Clicks from (s):", **FIELD)
        self._to = widgets.BoundedFloatText(end_s, min=0, max=end_s, step=0.1, description="to (s):", **FIELD)
        self._note = widgets.Text(description="Note (if anything was odd):", **FIELD)
        self._button, self.say = action("Keep the clicks as a run", lambda: attempt(self.say, self.keep)), Status()
        super().__init__(
            [
                heading("These clicks as a run"),
                note("Leave out what came before and after: your push, your voice, the hand that stopped it."),
                row_of(*([self._value] if x else []), self._per_turn, self._from, self._to),
                self._note,
                self._button,
                self.say,
            ]
        )

    def keep(self) -> str:
        """Hand the run over. Raises KitError if there are too few clicks, or if this run was kept before."""
        run = run_from_clicks(
            self.recording,
            clicks_per_turn=self._per_turn.value,
            conditions=self._known | ({self._x: self._value.value} if self._x else {}),
            start_s=self._from.value,
            stop_s=self._to.value,
        )
        if self._kept is not None and _same_run(run, self._kept):
            raise KitError("These clicks are kept already", fix="choose another part, or another recording")
        words = f"{self._note.value.strip()} From the recording {run.source}. {run.note}".strip()
        said = self._on_keep(run, words)
        self._kept = run
        return said


def _same_run(a: Run, b: Run) -> bool:
    same = a.flags_per_turn == b.flags_per_turn and dict(a.conditions) == dict(b.conditions)
    return same and np.array_equal(a.pass_times_s, b.pass_times_s)


class Recordings(KitBox):
    """Every recording of a claim's runs, one at a time, all played as loud as they were to one another."""

    def __init__(self, runs: ClaimRuns):
        super().__init__()
        if not runs.recorded:
            self.children = [note("There are no recordings of these runs.")]
            return
        self._runs, self._loudest = runs, runs.loudest()
        names = [(run_name(run), i) for i, run in enumerate(runs.recorded)]
        self.which, self._place = widgets.Dropdown(options=names, description="Recording:", **FIELD), widgets.VBox()
        self.children = [self.which, self._place]
        self.which.observe(lambda _: self._show(), "value")
        self._show()

    def _show(self) -> None:
        run = self._runs.recorded[self.which.value]
        view = SoundView(self._runs.recording(run), run, offset_s=run.sound_start_s, loudest=self._loudest)
        self._place.children, before = (view,), self._place.children
        for old in before:
            old.close()


def _wav_of(recording: Recording, start_s: float, length_s: float, loudest: float | None) -> bytes:
    """A part of a recording as a 16-bit mono WAV, quiet hubs raised (by 30 dB at most) and loud ones held back."""
    rate = recording.sample_rate_hz
    samples = recording.samples(int(start_s * rate), int((start_s + length_s) * rate))
    peak = float(np.abs(samples).max(initial=0.0)) if loudest is None else loudest
    if peak > 0:
        samples = samples * min(PLAYED_PEAK / peak, 30.0)
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes((np.clip(samples, -1, 1) * 32767).astype("<i2").tobytes())
    return out.getvalue()
