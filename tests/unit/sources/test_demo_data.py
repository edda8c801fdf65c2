"""The invented data: the same bytes again, the designed effects, recordings that hold what they should."""

import hashlib
from pathlib import Path

import numpy as np
import pytest

from kit.errors import KitError
from kit.logs.folder import read_folder
from kit.sound.clicks import find_clicks
from kit.sound.level import level
from kit.sound.recording import read_sound, write_wav
from kit.sources.bench import simulate
from kit.sources.demo_data import (
    DRY_LOUDER_DB,
    RATE_HZ,
    SESSIONS,
    claim_files,
    recorded,
    session,
    write_claim_data,
    write_lesson_data,
)
from kit.sources.setup import APPARATUS

DEMO = Path(__file__).parents[3] / "datasets_demo"
SEEDS = {"coasting_disc": 20, "felt_brake": 34, "card_vanes": 30}


# --- a lesson's own runs ---------------------------------------------------------------------------------------------


def test_session_scatter_and_warm_up():
    runs = session(APPARATUS["coasting_disc"], seed=3, trials=3)
    assert len(runs) == 21
    assert len({run.source for run in runs}) == 21
    assert [run.trial for run in runs] == sorted(run.trial for run in runs)


@pytest.mark.parametrize("name", SEEDS)
def test_making_the_demo_data_again_gives_the_same_bytes(name, tmp_path):
    paths = write_lesson_data(name, tmp_path / name, SEEDS[name])
    assert len(paths) > 15
    for path in paths:
        kept = DEMO / name / path.relative_to(tmp_path / name)
        assert hashlib.sha256(path.read_bytes()).hexdigest() == hashlib.sha256(kept.read_bytes()).hexdigest(), kept


def test_another_seed_gives_other_data(tmp_path):
    first, second = (write_lesson_data("felt_brake", tmp_path / str(s), s) for s in (1, 2))
    assert first[0].read_text() != second[0].read_text()
    assert "Invented data" in first[0].read_text()


def test_nothing_is_overwritten(tmp_path):
    write_lesson_data("card_vanes", tmp_path, 1)
    with pytest.raises(KitError, match="not overwritten"):
        write_lesson_data("card_vanes", tmp_path, 2)


def test_unknown_apparatus(tmp_path):
    with pytest.raises(KitError, match=r"no such apparatus.*coasting_disc"):
        write_lesson_data("yo-yo", tmp_path, 1)


# --- the sessions behind claims, and their recordings ----------------------------------------------------------------


@pytest.fixture
def spin():
    law = APPARATUS["coasting_disc"].law(6)
    return simulate(law, 5.0, np.random.RandomState(3))


@pytest.mark.slow
@pytest.mark.parametrize("name", SEEDS)
def test_making_the_claims_data_again_gives_the_same_bytes(name, tmp_path):
    paths = write_claim_data(name, tmp_path, SEEDS[name])
    kept = DEMO / name
    made = {path.relative_to(tmp_path) for path in paths}
    assert made == {p.relative_to(kept) for p in (kept / "claims").rglob("*") if p.is_file()}
    for path in made:
        assert (tmp_path / path).read_bytes() == (kept / path).read_bytes(), path


def test_all_recordings_together_are_small_and_quiet():
    sounds = list(DEMO.rglob("*.wav"))
    assert sum(path.stat().st_size for path in sounds) <= 2.5e6
    for path in sounds:
        recording = read_sound(path)
        assert (recording.sample_rate_hz, recording.channels, recording.bits) == (16_000, 1, 16)
        assert np.abs(recording.samples()).max() <= 0.5


@pytest.mark.slow
@pytest.mark.parametrize("name", SEEDS)
def test_every_setting_comes_once_a_round_in_mixed_order(name):
    for claimed in SESSIONS[name]:
        runs = read_folder(DEMO / name / claimed.folder)
        assert [run.order for run in runs] == list(range(1, len(runs) + 1))
        settings = len(claimed.settings())
        for start in range(0, len(runs), settings):
            block = runs[start : start + settings]
            assert len({tuple(run.conditions.items()) for run in block}) == settings
            assert len({run.trial for run in block}) == 1


def test_every_file_says_that_it_is_invented():
    for path in DEMO.rglob("claims/**/*.csv"):
        assert path.read_text("utf-8").startswith("# Invented data"), path


def test_speed_and_turns_on_the_gates_clock_are_those_of_the_motion(spin):
    moment = spin.when_as_slow_as(2.0)
    speed, turns = spin.coasting_at(moment)
    assert speed == pytest.approx(2.0)
    before, after = spin.motion.time_at(spin.first_pass_turns + turns + np.array([0.0, 0.001]))
    assert before + spin.pushed_at_s == pytest.approx(moment)
    assert 0.001 / (after - before) == pytest.approx(2.0, rel=1e-3)


def test_a_dry_hub_is_as_much_louder_as_designed_and_ticks(spin, tmp_path):
    start_s, stop_s = spin.when_as_slow_as(4.0), spin.when_as_slow_as(2.0)
    sound = {
        dry: recorded(spin, start_s, stop_s, np.random.RandomState(1), dry_hub=dry, gain_dB=-6) for dry in (False, True)
    }
    files = {dry: read_sound(write_wav(tmp_path / f"{dry}.wav", s, RATE_HZ)) for dry, s in sound.items()}
    greased, dry = (level(files[d]).attrs["equivalent_dB"] for d in (False, True))
    assert dry - greased == pytest.approx(DRY_LOUDER_DB, abs=0.5)
    turns = 3.0 * (stop_s - start_s)
    assert find_clicks(files[True]).times_s.size > 4 * turns
    assert find_clicks(files[False]).times_s.size <= 2


def test_a_card_clicks_once_in_every_turn(spin, tmp_path):
    start_s, stop_s = spin.when_as_slow_as(4.0), spin.when_as_slow_as(1.0)
    sound = recorded(spin, start_s, stop_s, np.random.RandomState(1), card=True)
    clicks = find_clicks(read_sound(write_wav(tmp_path / "card.wav", sound, RATE_HZ)))
    expected = spin.motion.time_at(np.arange(200) + 0.3 + spin.first_pass_turns) + spin.pushed_at_s
    expected = expected[(expected > start_s) & (expected < stop_s)]
    assert clicks.times_s.size == expected.size
    lateness = clicks.times_s + start_s - expected
    assert np.abs(lateness - lateness.mean()).max() < 0.003


def test_nothing_is_overwritten_and_nothing_unknown_made(tmp_path):
    write_claim_data("felt_brake", tmp_path, 1)
    with pytest.raises(KitError, match="not overwritten"):
        write_claim_data("felt_brake", tmp_path, 2)
    with pytest.raises(KitError, match="no claims for this apparatus"):
        write_claim_data("yo-yo", tmp_path, 1)


def test_another_seed_gives_other_claims():
    claimed = SESSIONS["felt_brake"][0]
    first, second = (claim_files(APPARATUS["felt_brake"], claimed, seed)["runs.csv"] for seed in (1, 2))
    assert first != second
