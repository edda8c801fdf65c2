"""A run from the brightness of a field: how samples are read, what is refused, how sure a pass is, the result."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kit import KitError, LiveGate, Run, measure, passes_from_samples, read_log, recover
from kit.logs.sampled import sharpened
from kit.sources.camera import SampleReader, by_both_edges, within_sight
from kit.sources.page import PageSource
from tests.reference.rendered import LAWS, Exact, brightness_of

WIDE = {"field": 0.2, "mark": 0.35, "noise": 0.7}  # as the page advises


def lines(times_s, levels) -> bytes:
    return b"".join(b"%d;%.3f\n" % (round(1e6 * (1 + t)), level) for t, level in zip(times_s, levels, strict=True))


def read(rng, exact: Exact, **how) -> SampleReader:
    reader = SampleReader()
    reader.feed(b"# a camera\ntime (us);brightness\n" + lines(*brightness_of(rng, exact, **how)))
    reader.finish()
    return reader


def test_samples_cut_anywhere_give_the_same_passes_and_odd_ones_are_counted():
    data = lines(*brightness_of(np.random.default_rng(1), Exact("linear", 10), **WIDE))
    whole, cut = SampleReader(), SampleReader()
    whole.feed(data)
    extra = data[:2000] + b"\nno number\n1;2;3\n5;100\n" + data[2000:]  # half a line, then what is none
    for at in range(0, len(data), 7):
        cut.feed(data[at : at + 7])
    assert np.array_equal(cut.times_s(), whole.times_s())
    odd = SampleReader()
    odd.feed(extra)
    assert "lines could not be read" in " ".join(odd.report())
    assert "not later than the one before" in " ".join(odd.report())


def test_what_turns_too_fast_for_the_camera_is_not_counted():
    exact = Exact("linear", 60, first=9.0, last=0.8)
    reader = read(np.random.default_rng(2), exact, **WIDE)
    limit = reader.fastest_turns_per_s
    assert limit == pytest.approx(0.35 * 30 / 2, rel=0.15)  # two frames on the mark
    assert reader.left_out > 10
    first_s = reader.times_s()[0] - 1
    assert exact.speed_after(exact.angle_at(first_s)) < 1.15 * limit
    assert "at the start came faster; not counted" in " ".join(reader.report())
    assert within_sight(np.array([0.0, 0.3, 0.6, 0.605, 0.9, 1.2]), 5.0) == 0  # a pass found twice is no speed


def test_a_field_beside_the_mark_makes_no_run_and_says_what_to_do(tmp_path):
    rng, source, reader = np.random.default_rng(3), PageSource(), SampleReader()
    gate = LiveGate(source, tmp_path, clock=source.clock, reader=reader).start()
    data = lines(np.arange(0, 6, 1 / 30), 120 + rng.standard_normal(180))
    source.take(0, data, 6.0)
    source.end("stopped", len(data))
    assert gate.wait(5)
    assert "Place the field where the mark passes" in " ".join(gate.report())
    with pytest.raises(KitError, match="A run needs two passes or more"):
        gate.run()


def test_samples_and_passes_are_on_the_disk_and_can_be_read_again(tmp_path):
    source, reader = PageSource(), SampleReader()
    gate = LiveGate(source, tmp_path, clock=source.clock, reader=reader).start()
    head = b"# brightness of a field of a film, one frame a line\ntime (us);brightness\n"
    data = head + lines(*brightness_of(np.random.default_rng(4), Exact("constant", 14), **WIDE))
    half = data.index(b"\n", len(data) // 2) + 1
    at = source.take(0, data[:half], 2.0)
    at = source.take(at, data[half:], 4.0)
    source.end("stopped", at)
    assert gate.wait(5)
    assert gate.raw_path.read_bytes() == data
    assert read_log(gate.log_path)[0].pass_times_s == pytest.approx(gate.pass_times_s, abs=1e-6)
    assert np.array_equal(recover(gate.raw_path)[0].pass_times_s, gate.pass_times_s)
    assert gate.run({"magnets": 2}).pass_times_s == pytest.approx(reader.times_s())


def test_dropped_frames_are_noticed():
    times_s, levels = brightness_of(np.random.default_rng(5), Exact("linear", 20), **WIDE)
    kept = np.ones(len(times_s), bool)
    kept[[30, 77, 78, 120]] = False
    reader = SampleReader()
    reader.feed(lines(times_s[kept], levels[kept]))
    assert reader.dropped == 4
    assert "4 frames dropped" in " ".join(reader.report())


def test_an_edge_between_two_frames_is_unsure_and_a_pass_is_as_unsure_as_is_said():
    rng, exact, told, off_s = np.random.default_rng(6), Exact("squared", 25), [], []
    for how in ({"field": 0.01, "exposure": 0.02, "rolling": 0.0}, {"field": 0.04}, WIDE):
        reader = read(rng, exact, **how)
        angle = exact.angle_at(reader.times_s() - 1) - how["field"] / 2  # half of the field is covered at a pass
        late_s = (angle - np.rint(angle)) / exact.speed_after(angle)
        off_s.append(np.std(late_s[1:-1]))  # when it comes, by whole exposures, does not matter
        told.append(reader.timing_u_s)
        assert ("a wider field" in " ".join(reader.report())) == (how["field"] == 0.01)
    assert np.all(np.array(off_s) < 1.5 * np.array(told))
    assert told == sorted(told, reverse=True)
    assert 1 / 30 / 12**0.5 / 3 < told[0] < 1 / 30 / 12**0.5  # both edges of a mark somewhere between two frames
    assert told[2] < told[0] / 8


def test_the_other_edge_helps_and_what_it_can_t_help_stays_as_it_is():
    rng, exact, off_s = np.random.default_rng(8), Exact("linear", 30), []
    for phase in rng.uniform(size=8):
        times_s, levels = brightness_of(rng, exact, phase=phase, **(WIDE | {"noise": 4.0}))
        moments_s, u_s, into = sharpened(times_s, levels, passes_from_samples(times_s, levels, ramps=True)[1])
        for passes_s in (moments_s[into], by_both_edges(moments_s, u_s, into)[0]):
            angle = exact.angle_at(passes_s) + phase - 0.1
            off_s.append(np.std(((angle - np.rint(angle)) / exact.speed_after(angle))[1:-1]))
    assert np.median(off_s[1::2]) < 0.8 * np.median(off_s[::2])  # two independent edges: about 0.62
    jolted_s = moments_s + 0.02 * rng.standard_normal(len(moments_s))  # far beyond what is known of the edges
    assert np.array_equal(by_both_edges(jolted_s, u_s, into)[0], jolted_s[into])


def test_ramps_are_no_beam_for_a_file_and_are_one_for_a_camera():
    times_s, levels = brightness_of(np.random.default_rng(31), Exact("constant", 25), **(WIDE | {"exposure": 1.0}))
    ramp = np.arange(400) % 40 / 40
    with pytest.raises(KitError, match="do not lie at two clear levels"):
        passes_from_samples(np.arange(400.0), ramp)
    noise = np.random.default_rng(1).standard_normal(400)
    with pytest.raises(KitError, match="do not lie at two clear levels"):
        passes_from_samples(np.arange(400.0), noise, ramps=True)
    assert len(passes_from_samples(times_s, levels, ramps=True)[0]) >= 24


@pytest.mark.slow
def test_a_coasting_time_is_right_to_a_part_of_a_frame_and_its_uncertainty_holds():
    """A small, fixed part of `python3 -m kit test --benchmarks --only camera`; exact runs, rendered."""
    rng, off, u = np.random.default_rng(7), [], []
    for how in ({}, {"exposure": 1.0}, {"exposure": 0.05, "rolling": 0.02}, {"dropped": 0.03}):
        for law in LAWS:
            exact = Exact(law, 40, last=0.6)
            reader = read(rng, exact, **(WIDE | how), phase=rng.uniform())
            run = replace(Run(reader.times_s()).repaired(), timing_u_s=reader.timing_u_s)
            row = measure([run], 0.3, 1.0, rule="best").iloc[0]
            off.append(row.duration_s - exact.duration_s(0.3, 1.0))
            u.append(row.duration_u_s)
    assert np.median(np.abs(off)) < 1 / 40 / 30  # s
    assert np.mean(np.abs(off) <= 2 * np.array(u)) >= 10 / 12
    assert np.max(np.abs(off) / u) < 5
