"""Recordings: WAV files read in blocks, so that ten minutes need no more memory than one second.

The reader walks the chunks of a RIFF file itself (Microsoft & IBM 1991, Multimedia Programming Interface and Data
Specifications; WAVE_FORMAT_EXTENSIBLE 2001): it must say at which byte a broken file breaks, and read the rest of a
file whose recorder was switched off too early. What phones record besides (m4a, mp3, ogg) is first turned into a
temporary WAV by an optional package.
"""

from __future__ import annotations

import struct
import wave
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from shutil import rmtree
from tempfile import mkdtemp
from weakref import finalize

import numpy as np

from ..errors import KitError

__all__ = ["Recording", "Spectra", "read_sound", "write_wav"]

SLOWEST_RATE_HZ, FASTEST_RATE_HZ = 8_000, 192_000
_PHONE_ENDINGS = {".m4a", ".mp3", ".ogg", ".aac", ".mp4", ".3gp", ".amr", ".flac", ".webm", ".opus", ".wma"}
_AS_WAV = "save the recording as WAV (PCM) and try again"
_MOST_CHUNKS = 1_000  # a file with more is no recording
_FORMATS = {  # (format tag, bits a sample) → how numpy reads it, and what full scale is there
    (1, 8): ("u1", 128.0),
    (1, 16): ("<i2", 32_768.0),
    (1, 24): ("3u1", 2.0**31),
    (1, 32): ("<i4", 2.0**31),
    (3, 32): ("<f4", 1.0),
    (3, 64): ("<f8", 1.0),
}
_EXTENSIBLE = 0xFFFE
_GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")  # bytes 2 to 15 of the sub-formats that carry a plain tag


@dataclass(frozen=True, eq=False)
class Recording:
    """An opened recording. Samples stay on the disk until they are asked for; full scale is ±1."""

    path: Path
    sample_rate_hz: int
    channels: int
    frames: int  # samples of each channel
    bits: int
    notes: tuple[str, ...] = ()  # what was odd about the file but could be read all the same
    _data_at: int = 0  # byte
    _kind: tuple[int, int] = (1, 16)

    @property
    def duration_s(self) -> float:
        """Length of the recording, s."""
        return self.frames / self.sample_rate_hz

    @property
    def resolution(self) -> float:
        """One step of the smallest kind the file can hold, as a part of full scale."""
        return 2.0 ** (1 - min(self.bits, 24))

    def samples(self, start: int = 0, stop: int | None = None, channel: int | None = None) -> np.ndarray:
        """Samples from frame `start` up to `stop`, (n,) float32: one channel, or the mean of all.

        Frames before the beginning and after the end are zero, so blocks may overlap both.
        """
        stop = self.frames if stop is None else stop
        first, last = min(max(start, 0), self.frames), max(min(stop, self.frames), 0)
        if first == start < stop == last:
            return self._read(first, last - first, channel)
        out = np.zeros(max(stop - start, 0), dtype=np.float32)
        if last > first:
            out[first - start : last - start] = self._read(first, last - first, channel)
        return out

    def blocks(self, frames: int, overlap: int = 0, channel: int | None = None) -> Iterator[tuple[int, np.ndarray]]:
        """Successive blocks (first frame, samples), each reaching `overlap` frames into both its neighbours."""
        step = frames - 2 * overlap
        for start in range(0, self.frames, step):
            yield start - overlap, self.samples(start - overlap, start - overlap + frames, channel)

    def _read(self, first: int, count: int, channel: int | None) -> np.ndarray:
        dtype, full_scale = _FORMATS[self._kind]
        width = self.channels * self._kind[1] // 8
        at = self._data_at + first * width
        raw = np.fromfile(self.path, dtype=np.uint8, count=count * width, offset=at)
        if raw.size < count * width:
            raise KitError(f"The recording became shorter while it was read, at byte {at + raw.size}", file=self.path)
        if dtype == "3u1":
            wide = np.zeros((raw.size // 3, 4), dtype=np.uint8)
            wide[:, 1:] = raw.reshape(-1, 3)
            raw, dtype = wide.reshape(-1), "<i4"
        values = raw.view(dtype)
        if self._kind == (1, 8):
            values = values.astype(np.int16) - 128
        values = values.astype(np.float32)
        if full_scale != 1:
            values *= np.float32(1 / full_scale)
        elif not np.isfinite(values.sum()):  # a sum is cheap; only then look closer
            bad = np.flatnonzero(~np.isfinite(values))
            if bad.size:
                byte = at + int(bad[0]) * self._kind[1] // 8
                raise KitError(f"A sample is not a number, at byte {byte}", file=self.path, fix="record again")
        if self.channels == 1:
            return values
        values = values.reshape(-1, self.channels)
        return np.ascontiguousarray(values[:, channel]) if channel is not None else values.mean(axis=1)


class Spectra:
    """Overlapping blocks of a recording and their spectra, for filtering without seams (overlap-save).

    One block's float32 spectrum serves every filter. Filters must die away within `guard_s`, which lies on both
    sides of the part of each block that is kept.

    Parameters
    ----------
    multiple : the kept part is a whole number of this many frames.
    """

    SIZE = 1 << 16  # long enough for a guard of 0.1 s up to 192 kHz
    TOGETHER = 4  # blocks are transformed four at a time: one processor instruction then serves all four

    def __init__(self, recording: Recording, guard_s: float = 0.1, multiple: int = 1, channel: int | None = None):
        rate = recording.sample_rate_hz
        self.recording, self.channel = recording, channel
        self.guard = -(-int(guard_s * rate) // multiple) * multiple
        self.kept = (self.SIZE - 2 * self.guard) // multiple * multiple
        self.frequency_hz = np.arange(self.SIZE // 2 + 1) * (rate / self.SIZE)

    def __iter__(self) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """Yields (kept samples of a few blocks on end, their spectra (blocks, SIZE/2 + 1) complex64)."""
        from scipy.fft import rfft

        # Larger than any array of a block, and given back at once: the C library of Linux then keeps what it gets back
        # for the next block. New pages for each would take as long as the transforms.
        np.empty(8 * self.SIZE, dtype=np.complex64)
        for start in range(0, self.recording.frames, self.TOGETHER * self.kept):
            count = min(self.TOGETHER, -(-(self.recording.frames - start) // self.kept))
            first = start - self.guard
            samples = self.recording.samples(first, first + (count - 1) * self.kept + self.SIZE, self.channel)
            blocks = np.ndarray((count, self.SIZE), np.float32, samples, strides=(4 * self.kept, 4))  # they overlap
            yield samples[self.guard : self.guard + count * self.kept], rfft(blocks)

    def filtered(self, spectra: np.ndarray, gain: np.ndarray) -> np.ndarray:
        """The kept parts of blocks after a filter of real gain (no delay): (blocks, kept) float32.

        In the spectra's own place, which afterwards holds the filtered ones: so use them for all else before.
        """
        from scipy.fft import irfft

        spectra *= gain  # new memory for every block would take as long as the transform
        return irfft(spectra, n=self.SIZE)[:, self.guard : self.guard + self.kept]


def read_sound(path: str | Path) -> Recording:
    """Open a recording: WAV with 8, 16, 24 or 32 bits or floating point, or what phones record (m4a, mp3, ogg, …).

    Raises
    ------
    KitError : no such file, not a recording, a kind that can't be read, or a broken file (with the byte).

    >>> import kit
    >>> recording = kit.read_sound("datasets_demo/coasting_disc/claims/hub/sound/magnets-08_dry_trial-1.wav")
    >>> recording.sample_rate_hz, recording.channels, f"{recording.duration_s:.1f} s"
    (16000, 1, '3.0 s')
    """
    path = Path(path)
    if not path.is_file():
        raise KitError("There is no such recording", file=path, fix="check the folder and the spelling")
    with path.open("rb") as file:
        head = file.read(12)
    if head[:4] == b"RIFF" and head[8:12] == b"WAVE":
        return _open_wav(path)
    if head[:4] in (b"RIFX", b"RF64", b"BW64"):
        raise KitError("This kind of WAV is not read", file=path, found=head[:4].decode(), fix=_AS_WAV)
    if path.suffix.lower() in _PHONE_ENDINGS:
        return _decoded(path)
    if not head:
        raise KitError("The recording is empty, at byte 0", file=path, fix="record again")
    raise KitError("This is not a recording that can be read: at byte 0", file=path, found=head[:4], fix=_AS_WAV)


def write_wav(path: str | Path, samples: np.ndarray, sample_rate_hz: int) -> Path:
    """Write samples, (n,) or (n, channels) within ±1, as 16-bit WAV. What lies beyond ±1 is cut there."""
    samples = np.asarray(samples)
    steps = np.clip(np.round(samples * 32_768.0), -32_768, 32_767).astype("<i2")
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1 if samples.ndim == 1 else samples.shape[1])
        file.setsampwidth(2)
        file.setframerate(sample_rate_hz)
        file.writeframes(steps.tobytes())
    return Path(path)


def _open_wav(path: Path) -> Recording:
    """Walk the chunks until the format and the samples are found."""
    size = path.stat().st_size
    layout, data, notes = None, None, []
    with path.open("rb") as file:
        at = 12
        for _ in range(_MOST_CHUNKS):
            if at + 8 > size or (layout and data):
                break
            file.seek(at)
            name, length = struct.unpack("<4sI", file.read(8))
            if name == b"fmt ":
                layout = _read_format(path, file.read(min(length, 40)), at + 8)
            elif name == b"data":
                data = (at + 8, length)
            at += 8 + length + length % 2  # chunks are padded to an even length
        else:
            raise KitError(f"The file is a string of {_MOST_CHUNKS} odd pieces, at byte {at}", file=path, fix=_AS_WAV)
    if data is None or layout is None:
        missing = "samples" if data is None else "description of its samples"
        raise KitError(f"The recording has no {missing}: it ends at byte {size}", file=path, fix="record again")
    start, length = data
    rate, channels, kind = layout
    frame = channels * kind[1] // 8
    there = size - start
    if length > there:  # a recorder that was switched off, or wrote while it played
        if length < 0xFFFF_0000:
            notes.append(
                f"The file promises {length / frame / rate:.1f} s but ends after {there / frame / rate:.1f} s, "
                f"at byte {size}. What is there was read."
            )
        length = there
    frames = length // frame
    if frames == 0:
        raise KitError(f"The recording has no samples, at byte {start}", file=path, fix="record again")
    return Recording(path, rate, channels, frames, kind[1], tuple(notes), start, kind)


def _read_format(path: Path, chunk: bytes, at: int) -> tuple[int, int, tuple[int, int]]:
    """Sample rate, channels and kind of the samples, from the format chunk that begins at byte `at`."""
    if len(chunk) < 16:
        raise KitError(f"The description of the samples is cut off, at byte {at + len(chunk)}", file=path, fix=_AS_WAV)
    tag, channels, rate, _, frame, bits = struct.unpack("<HHIIHH", chunk[:16])
    if tag == _EXTENSIBLE:
        if len(chunk) < 40 or chunk[26:40] != _GUID_TAIL:
            raise KitError(f"The samples are of an unknown kind, at byte {at + 24}", file=path, fix=_AS_WAV)
        tag = struct.unpack("<H", chunk[24:26])[0]
    if (tag, bits) not in _FORMATS:
        raise KitError(
            f"The samples are of a kind that can't be read, at byte {at}",
            file=path,
            found=f"format {tag} with {bits} bits",
            fix=_AS_WAV,
        )
    if not 1 <= channels <= 32:
        raise KitError(f"The number of channels is impossible, at byte {at + 2}", file=path, found=channels)
    if not SLOWEST_RATE_HZ <= rate <= FASTEST_RATE_HZ:
        raise KitError(
            f"The sample rate is out of reach, at byte {at + 4}",
            file=path,
            found=f"{rate} Hz",
            fix=f"record with {SLOWEST_RATE_HZ} to {FASTEST_RATE_HZ} samples a second",
        )
    if frame != channels * bits // 8:
        raise KitError(
            f"The description of the samples contradicts itself, at byte {at + 12}",
            file=path,
            found=f"{frame} bytes for {channels} samples of {bits} bits",
            fix=_AS_WAV,
        )
    return rate, channels, (tag, bits)


def _decoded(path: Path) -> Recording:
    """Turn a phone's recording into a temporary WAV, a little at a time, and open that."""
    try:
        import av
    except ImportError:
        raise KitError(
            "This kind of recording needs an extra package",
            file=path,
            found=path.suffix,
            fix='install it with  pip install "spin-down-inquiry-kit[phone-sound]",  or save the recording as WAV',
        ) from None
    folder = Path(mkdtemp(prefix="recording-"))
    target = folder / "decoded.wav"
    try:
        _decode(av, path, target)
        opened = replace(_open_wav(target), notes=(f"Decoded from {path.name}.",))
    except av.error.FFmpegError as problem:
        rmtree(folder, ignore_errors=True)
        raise KitError("The recording can't be decoded", file=path, found=str(problem), fix=_AS_WAV) from None
    except KitError:
        rmtree(folder, ignore_errors=True)
        raise
    finalize(opened, rmtree, folder, ignore_errors=True)  # the temporary file goes when the recording goes
    return opened


def _decode(av, path: Path, target: Path) -> None:
    with av.open(str(path)) as container:
        if not container.streams.audio:
            raise KitError("There is no sound in this file", file=path)
        stream = container.streams.audio[0]
        rate = stream.rate
        if not SLOWEST_RATE_HZ <= rate <= FASTEST_RATE_HZ:
            raise KitError("The sample rate is out of reach", file=path, found=f"{rate} Hz")
        to_steps = av.AudioResampler(format="s16", layout="mono", rate=rate)
        with wave.open(str(target), "wb") as out:
            out.setnchannels(1)
            out.setsampwidth(2)
            out.setframerate(rate)
            for frame in container.decode(stream):
                for part in to_steps.resample(frame):
                    out.writeframes(part.to_ndarray().tobytes())
