"""Recordings of every usual kind, and broken ones."""

import importlib.util
import struct
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.errors import KitError
from kit.sound.clicks import find_clicks
from kit.sound.level import level
from kit.sound.recording import read_sound, write_wav

RATE_HZ = 16_000
TONE = 0.5 * np.sin(2 * np.pi * 440 * np.arange(RATE_HZ) / RATE_HZ)
EXTENSIBLE_TAIL = bytes.fromhex("000000001000800000aa00389b71")


def wav_bytes(samples, rate=RATE_HZ, bits=16, tag=1, extensible=False, extra=b"", data_size=None):
    """A WAV file put together byte by byte, (n,) or (n, channels) samples."""
    samples = np.asarray(samples, dtype=float)
    channels = 1 if samples.ndim == 1 else samples.shape[1]
    if tag == 3:
        data = samples.astype("<f4" if bits == 32 else "<f8").tobytes()
    elif bits == 8:
        data = (np.round(samples * 127) + 128).astype("u1").tobytes()
    else:
        steps = np.round(samples * (2 ** (bits - 1) - 1)).astype("<i8")
        data = steps[..., None].view("u1").reshape(-1, 8)[:, : bits // 8].tobytes()
    frame = channels * bits // 8
    layout = struct.pack("<HHIIHH", 0xFFFE if extensible else tag, channels, rate, rate * frame, frame, bits)
    if extensible:
        layout += struct.pack("<HHIH", 22, bits, 0, tag) + EXTENSIBLE_TAIL
    chunks = b"fmt " + struct.pack("<I", len(layout)) + layout + extra
    chunks += b"data" + struct.pack("<I", len(data) if data_size is None else data_size) + data
    return b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks


def wav(tmp_path, *args, **kw):
    path = tmp_path / "sound.wav"
    path.write_bytes(wav_bytes(*args, **kw))
    return path


class TestReading:
    @pytest.mark.parametrize("extensible", [False, True])
    @pytest.mark.parametrize(
        ("bits", "tag", "tolerance"),
        [(8, 1, 0.01), (16, 1, 1e-4), (24, 1, 1e-6), (32, 1, 1e-7), (32, 3, 1e-7), (64, 3, 1e-7)],
    )
    def test_every_usual_kind(self, tmp_path, bits, tag, tolerance, extensible):
        recording = read_sound(wav(tmp_path, TONE, bits=bits, tag=tag, extensible=extensible))
        assert recording.samples() == pytest.approx(TONE, abs=tolerance)
        assert (recording.sample_rate_hz, recording.channels, recording.frames) == (RATE_HZ, 1, RATE_HZ)

    @pytest.mark.parametrize("rate", [8_000, 11_025, 22_050, 44_100, 48_000, 96_000])
    def test_rates(self, tmp_path, rate):
        assert read_sound(wav(tmp_path, TONE, rate=rate)).duration_s == pytest.approx(RATE_HZ / rate)

    def test_stereo(self, tmp_path):
        recording = read_sound(wav(tmp_path, np.stack([TONE, -0.5 * TONE], axis=1), bits=24))
        assert recording.samples(channel=0) == pytest.approx(TONE, abs=1e-6)
        assert recording.samples(channel=1) == pytest.approx(-0.5 * TONE, abs=1e-6)
        assert recording.samples() == pytest.approx(0.25 * TONE, abs=1e-6)

    def test_other_chunks_are_stepped_over_and_odd_ones_padded(self, tmp_path):
        extra = b"LIST" + struct.pack("<I", 5) + b"hello\0" + b"fact" + struct.pack("<I", 4) + b"\0\0\0\0"
        assert read_sound(wav(tmp_path, TONE, extra=extra)).samples() == pytest.approx(TONE, abs=1e-4)

    def test_a_recorder_switched_off_too_early(self, tmp_path):
        recording = read_sound(wav(tmp_path, TONE, data_size=4 * TONE.size))
        assert recording.frames == TONE.size
        assert "promises 2.0 s but ends after 1.0 s" in recording.notes[0]

    def test_a_recorder_that_never_wrote_the_length(self, tmp_path):
        recording = read_sound(wav(tmp_path, TONE, data_size=0xFFFFFFFF))
        assert recording.frames == TONE.size
        assert recording.notes == ()

    @given(st.integers(-300, 1500), st.integers(0, 1500), st.integers(40, 400), st.integers(0, 15))
    @settings(max_examples=30, deadline=None)
    def test_blocks_and_samples_agree(self, tmp_path_factory, start, length, frames, overlap):
        samples = np.round(np.random.default_rng(1).uniform(-1, 1, 1000) * 32767) / 32768
        path = write_wav(tmp_path_factory.mktemp("w") / "noise.wav", samples, RATE_HZ)
        recording = read_sound(path)
        padded = np.concatenate([np.zeros(300), samples, np.zeros(2000)]).astype(np.float32)
        assert recording.samples(start, start + length).tolist() == padded[300 + start : 300 + start + length].tolist()
        kept = [block[overlap : frames - overlap] for _, block in recording.blocks(frames, overlap)]
        assert np.concatenate(kept)[:1000].tolist() == padded[300:1300].tolist()

    def test_a_long_recording_needs_little_memory(self, tmp_path):
        path = write_wav(tmp_path / "long.wav", np.zeros(6_000_000, dtype=np.float32), 44_100)  # 24 MB as floats
        recording = read_sound(path)
        level(recording)  # imports
        tracemalloc.start()
        level(recording)
        find_clicks(recording)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert peak < 10_000_000


class TestBrokenFiles:
    def refuse(self, path, message):
        with pytest.raises(KitError, match=message) as caught:
            read_sound(path).samples()
        assert str(path) in str(caught.value)

    def write(self, tmp_path, content):
        path = tmp_path / "broken.wav"
        path.write_bytes(content)
        return path

    def test_missing(self, tmp_path):
        self.refuse(tmp_path / "none.wav", "no such recording")

    def test_empty(self, tmp_path):
        self.refuse(self.write(tmp_path, b""), "empty, at byte 0")

    def test_not_sound_at_all(self, tmp_path):
        self.refuse(self.write(tmp_path, b"time_s;state\n0,1;1\n"), "not a recording.*byte 0")

    @pytest.mark.parametrize("kind", [b"RIFX", b"RF64"])
    def test_kinds_that_are_not_read(self, tmp_path, kind):
        self.refuse(self.write(tmp_path, kind + wav_bytes(TONE)[4:]), "kind of WAV is not read.*save the recording")

    def test_cut_off_before_the_samples(self, tmp_path):
        self.refuse(self.write(tmp_path, wav_bytes(TONE)[:36]), "no samples: it ends at byte 36")
        self.refuse(self.write(tmp_path, wav_bytes(TONE)[:44]), "no samples, at byte 44")

    def test_cut_off_in_the_description(self, tmp_path):
        self.refuse(self.write(tmp_path, wav_bytes(TONE)[:28]), "cut off, at byte 28")

    @pytest.mark.parametrize(
        ("at", "value", "message"),
        [
            (20, b"\x06\x00", "kind that can't be read, at byte 20.*format 6 with 16 bits"),
            (22, b"\x00\x00", "channels is impossible, at byte 22"),
            (24, b"\x01\x00\x00\x00", "rate is out of reach, at byte 24.*1 Hz"),
            (24, b"\xff\xff\xff\xff", "rate is out of reach, at byte 24"),
            (32, b"\x09\x00", "contradicts itself, at byte 32"),
            (34, b"\x0d\x00", "can't be read.*13 bits"),
        ],
    )
    def test_impossible_descriptions(self, tmp_path, at, value, message):
        content = bytearray(wav_bytes(TONE))
        content[at : at + len(value)] = value
        self.refuse(self.write(tmp_path, bytes(content)), message)

    def test_unknown_extensible_kind(self, tmp_path):
        content = wav_bytes(TONE, extensible=True).replace(EXTENSIBLE_TAIL, b"x" * 14)
        self.refuse(self.write(tmp_path, content), "unknown kind, at byte 44")

    def test_a_sample_that_is_no_number(self, tmp_path):
        samples = TONE.copy()
        samples[100] = np.nan
        self.refuse(wav(tmp_path, samples, bits=32, tag=3), "not a number, at byte 444")

    def test_a_file_of_thousands_of_empty_pieces_does_not_hang(self, tmp_path):
        self.refuse(self.write(tmp_path, wav_bytes(TONE)[:12] + b"\0" * 100_000), "odd pieces")

    @given(st.integers(0, 100), st.binary(min_size=1, max_size=8))
    @settings(max_examples=60, deadline=None)
    def test_any_damage_is_refused_in_words_or_read(self, tmp_path_factory, at, damage):
        content = bytearray(wav_bytes(TONE[:500], extensible=True))
        content[at : at + len(damage)] = damage
        path = tmp_path_factory.mktemp("d") / "damaged.wav"
        path.write_bytes(bytes(content))
        try:
            samples = read_sound(path).samples()
        except KitError as error:
            assert "damaged.wav" in str(error)
        else:
            assert np.isfinite(samples).all()

    def test_phone_formats_say_what_to_install(self, tmp_path):
        path = tmp_path / "phone.m4a"
        path.write_bytes(b"\0\0\0\x18ftypM4A ")
        if importlib.util.find_spec("av"):
            self.refuse(path, "can't be decoded")
        else:
            self.refuse(path, r"needs an extra package.*phone-sound.*or save the recording as WAV")


class TestPhoneFormats:
    @pytest.mark.parametrize(("ending", "codec"), [("m4a", "aac"), ("mp3", "libmp3lame"), ("ogg", "libopus")])
    def test_read_like_a_wav(self, tmp_path, ending, codec):
        av = pytest.importorskip("av")
        rate = 48_000
        tone = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(2 * rate) / rate)
        path = tmp_path / f"phone.{ending}"
        with av.open(str(path), "w") as container:
            stream = container.add_stream(codec, rate=rate)
            stream.layout = "mono"
            for start in range(0, tone.size, 960):
                steps = (tone[start : start + 960] * 32767).astype(np.int16)[None, :]
                frame = av.AudioFrame.from_ndarray(steps, format="s16", layout="mono")
                frame.sample_rate, frame.pts = rate, start
                container.mux(stream.encode(frame))
            container.mux(stream.encode(None))
        recording = read_sound(path)
        assert recording.duration_s == pytest.approx(2, abs=0.1)
        loud = level(recording)["level_dB"].max()
        assert loud == pytest.approx(20 * np.log10(0.5), abs=0.5)
        assert "phone" in recording.notes[0]
