"""The second, independent simulator: its worlds against textbook integrals and scipy, its faults against their word."""

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.interpolate import make_interp_spline
from scipy.optimize import brentq

from tests import faults as how_often_wrong
from tests.benchmarks import false_verdicts
from tests.reference.faults import atlas, coverage, faults, setups, worlds
from tests.reference.faults.worlds import TAU, Wheel

REFERENCE = Path(__file__).parents[1] / "reference"
FOLDER = REFERENCE / "faults"
LAW = {
    "constant": Wheel(a=0.5),
    "linear": Wheel(b=0.05),
    "squared": Wheel(c=0.002),
    "mixed": Wheel(0.3, 0.02, 2e-4),
    "power": Wheel(d=0.04, p=1.3),
}


def closed_form(name, w1, w2):
    """(time, angle): elementary integrals; constant: kinematics; linear, squared: Taylor (2005), 2.2, 2.4."""
    return {
        "constant": ((w1 - w2) / 0.5, (w1**2 - w2**2) / (2 * 0.5)),
        "linear": (math.log(w1 / w2) / 0.05, (w1 - w2) / 0.05),
        "squared": ((1 / w2 - 1 / w1) / 0.002, math.log(w1 / w2) / 0.002),
        # of ω^1.3: ∫ω^-1.3 dω = ω^-0.3/-0.3 and ∫ω^-0.3 dω = ω^0.7/0.7
        "power": ((w2**-0.3 - w1**-0.3) / 0.3 / 0.04, (w1**0.7 - w2**0.7) / 0.7 / 0.04),
    }[name]


@pytest.mark.parametrize("name", ["constant", "linear", "squared", "power"])
@pytest.mark.parametrize("speeds", [(60.0, 10.0), (6000.0, 0.6), (2.0, 1.9)])
def test_duration_and_turns_are_the_textbook_integrals(name, speeds):
    w1, w2 = speeds
    duration, turns = LAW[name].between(TAU / w1, TAU / w2)
    time, angle = closed_form(name, w1, w2)
    assert duration == pytest.approx(time, rel=1e-12)
    assert turns * TAU == pytest.approx(angle, rel=1e-12)


def rows():
    with (REFERENCE / "spin_down_closed_forms.csv").open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize("row", rows(), ids=lambda row: row["case"])
def test_the_table_of_closed_forms_is_met(row):
    value = {key: float(text) for key, text in row.items() if key != "case"}
    wheel = Wheel(*(value[k] / value["J"] for k in ("T0", "b", "c")))
    slowest = value["w2"] or value["w1"] * 1e-7  # at rest there is no period: come very close
    duration, turns = wheel.between(TAU / value["w1"], TAU / slowest)
    near = 1e-12 if value["w2"] else 1e-6
    assert duration == pytest.approx(value["time_s"], rel=near)
    assert turns * TAU == pytest.approx(value["angle_rad"], rel=near)


def test_the_closed_forms_with_a_wrong_law_are_not_met():
    duration, _ = Wheel(a=0.5, b=1e-6).between(TAU / 60, TAU / 10)
    assert duration != pytest.approx(100.0, rel=1e-7)


@pytest.mark.parametrize("name", LAW)
def test_pass_times_of_a_smooth_wheel_are_those_of_an_integrator(name):
    wheel = LAW[name]
    path = wheel.path(60.0, TAU / 3, 1.0)
    turns = worlds.passes_between((0.0, 0.3), 1 / TAU, path.angle[-1] / TAU)
    solved = solve_ivp(
        lambda t, y: (y[1], -wheel.slowing(y[1])), (0, path.time[-1]), (1.0, 60.0), "DOP853", rtol=1e-12, atol=1e-10
    )
    assert solved.y[1, -1] == pytest.approx(3.0, rel=1e-8)
    in_angle = solve_ivp(  # with the angle as the variable, times can be asked for at the passes
        lambda x, y: (1 / y[1], -wheel.slowing(y[1]) / y[1]),
        (1.0, turns[-1] * TAU),
        (0.0, 60.0),
        "DOP853",
        t_eval=turns * TAU,
        rtol=1e-12,
        atol=1e-12,
    )
    np.testing.assert_allclose(path.time_at(turns * TAU), in_angle.y[0], rtol=1e-9, atol=1e-9)


def test_passes_of_a_wheel_with_constant_slowing_are_a_square_root():
    path = Wheel(a=2.0).path(30.0, TAU / 0.2)
    angle = np.linspace(0.1, path.angle[-1] * 0.9999, 500)
    exact = (30 - np.sqrt(30**2 - 2 * 2 * angle)) / 2
    np.testing.assert_allclose(path.time_at(angle), exact, rtol=1e-9)


MODULATED = {
    "friction": Wheel(0.3, 0.02, 2e-4, swing=0.7, swing_at_rad=1.0),
    "imbalance": Wheel(0.3, 0.02, 2e-4, imbalance=1.2, imbalance_at_rad=2.0),
    "both": Wheel(a=0.4, swing=0.5, swing_at_rad=4.0, imbalance=1.0, imbalance_at_rad=0.5),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", MODULATED)
def test_pass_times_with_a_once_a_turn_torque_are_those_of_an_integrator(name):
    wheel = MODULATED[name]
    path = wheel.path(40.0, TAU / 4, 0.7)

    def torque(angle, speed):
        friction = (wheel.a + wheel.b * speed + wheel.c * speed**2) * (
            1 + wheel.swing * np.cos(angle - wheel.swing_at_rad)
        )
        return -friction - wheel.imbalance * np.sin(angle - wheel.imbalance_at_rad)

    angle = np.linspace(0.8, path.angle[-1], 300)
    solved = solve_ivp(
        lambda x, y: (1 / y[1], torque(x, y[1]) / y[1]),
        (0.7, angle[-1]),
        (0.0, 40.0),
        "DOP853",
        t_eval=angle,
        rtol=1e-12,
        atol=1e-12,
        max_step=0.3,
    )
    np.testing.assert_allclose(path.time_at(angle), solved.y[0], rtol=2e-7, atol=1e-7)


@pytest.mark.parametrize("name", MODULATED)
def test_the_true_duration_is_that_of_whole_turns_averaged_over_the_flag(name):
    """Each of 24 flags tells its own whole turns; their mean is the turn-averaged motion, by the middle of the turn."""
    wheel = MODULATED[name]
    path = wheel.path(60.0, TAU / 6)
    found = []
    for start in np.arange(24) / 24 * TAU:
        angle = np.arange(start, path.angle[-1], TAU)
        time = path.time_at(angle)
        period, middle_s = np.diff(time), (time[1:] + time[:-1]) / 2
        low, high = (np.interp(p, period, np.arange(len(period))) for p in (0.15, 0.9))
        found.append(
            ((np.interp(high, range(len(period)), middle_s) - np.interp(low, range(len(period)), middle_s)), high - low)
        )
    duration, turns = np.mean(found, axis=0)
    truth = wheel.between(0.15, 0.9)
    assert duration == pytest.approx(truth[0], rel=1e-3)
    assert turns == pytest.approx(truth[1], rel=1e-3)
    plain = Wheel(wheel.a, wheel.b, wheel.c).between(0.15, 0.9)
    assert abs(plain[0] / truth[0] - 1) < 0.05  # the ripple averages out but for its second order


@pytest.mark.parametrize("name", MODULATED)
def test_what_flags_see_is_the_curve_through_their_own_passes(name):
    """One flag: scipy's spline through its exact passes, turn by turn. Four even flags: the average around the turn."""
    wheel = MODULATED[name]
    path = wheel.path(60.0, TAU / 5)

    def by_its_passes(flag):
        times = path.time_at(TAU * (flag + np.arange(1, path.angle[-1] // TAU)))
        curve = make_interp_spline(np.arange(len(times)), times, 7)
        ends = [brentq(lambda n, p=p: curve(n, 1) - p, 1, len(times) - 2) for p in (0.15, 0.9)]
        return np.array([curve(ends[1]) - curve(ends[0]), ends[1] - ends[0]])

    def seen(*flags):
        return worlds.seen_between(wheel, path, flags, 0.15, 0.9)

    average = wheel.between(0.15, 0.9)
    for flag in (0.1, 0.35):
        np.testing.assert_allclose(seen(flag), by_its_passes(flag), rtol=1e-7)
    assert max(abs(seen(flag)[0] / average[0] - 1) for flag in (0.1, 0.35)) > 2e-5  # control: another number
    np.testing.assert_allclose(seen(0.1, 0.6), (by_its_passes(0.1) + by_its_passes(0.6)) / 2, rtol=1e-5)
    np.testing.assert_allclose(seen(0.0, 0.25, 0.5, 0.75), average, rtol=1e-5)


def test_an_unbalanced_wheel_speeds_up_within_a_turn_but_not_over_turns():
    path = MODULATED["imbalance"].path(20.0, TAU / 4)
    assert (np.diff(1 / path.slowness) > 0).any()
    assert (np.diff(path.time_at(np.arange(0, path.angle[-1], TAU)), 2) > 0).all()


@pytest.mark.parametrize("until", [np.inf, 150.0])
def test_a_wheel_with_a_string_is_as_an_integrator_says(until):
    wheel = Wheel(a=0.5, c=1e-3, string=0.02, string_until_rad=until)
    path = wheel.path(30.0, TAU / 6, 2.0)

    def rate(x, y):
        string = 0.02 * (x - 2.0) if x - 2.0 < until else 0.0
        return 1 / y[1], -(0.5 + 1e-3 * y[1] ** 2 + string) / y[1]

    angle = np.linspace(2.1, path.angle[-1], 200)
    solved = solve_ivp(rate, (2.0, angle[-1]), (0.0, 30.0), "RK45", t_eval=angle, rtol=1e-11, atol=1e-11, max_step=0.05)
    np.testing.assert_allclose(path.time_at(angle), solved.y[0], rtol=3e-5 if until < 1e9 else 1e-8)
    speed = np.interp(angle, angle, solved.y[1])
    at = [np.interp(-TAU / p, -speed, angle) for p in (0.25, 0.9)]
    duration, turns = wheel.between(0.25, 0.9, 30.0)
    assert turns == pytest.approx((at[1] - at[0]) / TAU, rel=1e-3)
    assert duration == pytest.approx(
        np.interp(at[1], angle, solved.y[0]) - np.interp(at[0], angle, solved.y[0]), rel=1e-3
    )


def test_cumulative_is_exact_for_the_fifth_degree():
    x = np.linspace(0, 2, 15)
    np.testing.assert_allclose(worlds.cumulative(6 * x**5 - x, x[1]), x**6 - x**2 / 2, atol=1e-12)


@pytest.mark.parametrize("kind", setups.PUSHES)
def test_a_push_ends_at_the_release_speed_and_moves_forward(kind):
    for seed in range(20):
        t, angle = worlds.push(kind, 25.0, np.random.default_rng(seed))
        assert t[-1] == 0 and angle[-1] == 0
        assert (np.diff(t) > 0).all() and (np.diff(angle) >= 0).all()
        assert (angle[-1] - angle[-2]) / (t[-1] - t[-2]) == pytest.approx(25.0, rel=0.2)


@pytest.mark.parametrize("kind", setups.JITTERS)
def test_jitter_has_the_wanted_size(kind):
    exact = np.sort(np.random.default_rng(1).uniform(0, 1e5, 200_000))
    error = worlds.jittered(exact, kind, 0.002, np.random.default_rng(3)) - exact
    tick = {"1 ms": 0.001, "10 ms": 0.01}.get(kind, 0.0)
    assert error.std() == pytest.approx(math.hypot(0.002, tick / math.sqrt(12)), rel=0.1)
    one = np.corrcoef(error[1:], error[:-1])[0, 1]
    assert abs(one - (0.7 if kind == "drifting" else 0)) < 0.02
    if tick:
        ticks = (exact + error) / tick
        np.testing.assert_allclose(ticks, np.round(ticks), atol=1e-6)


@pytest.mark.parametrize("law", setups.LAWS)
@pytest.mark.parametrize("turns", [3, 60, 5000])
def test_a_setup_has_the_wanted_turns_and_covers_its_thresholds(law, turns):
    rng = np.random.default_rng(turns)
    while True:  # some wishes exclude each other, and say so
        try:
            setup = setups.random_setup(rng, law, turns)
            break
        except ValueError as error:
            assert "no whole turn" in str(error)
    log = setups.logged(setups.spin(setup, rng), rng)
    assert log.turns == pytest.approx(turns, rel=1e-6)
    coast = log.times[log.release :]
    assert coast[-1] - coast[0] > log.duration_s - 2 * setup.stop_period_s


def test_four_flags_pass_four_times_as_often_and_at_their_places():
    setup = setups.random_setup(np.random.default_rng(1), "linear", 100, "3 uneven")
    motion = setups.spin(setup, np.random.default_rng(2))
    assert set(np.round(np.mod(motion.turns, 1), 9)) == {0.0, 0.3, 0.68}
    assert (np.diff(motion.turns) > 0).all() and (np.diff(motion.times) > 0).all()


def pair(name, rates, seed=5, turns=60, flags="1", law="mixed"):
    """The clean log and the spoiled one of the same spin."""
    setup = setups.random_setup(np.random.default_rng(seed), law, turns, flags, release_period_s=0.3)
    return (faults.make_log(setup, n, np.random.default_rng(seed), **r) for n, r in (("none", {}), (name, rates)))


CELLS = [(name, label) for name, fault in faults.FAULTS.items() for label in fault.rates]


@pytest.mark.parametrize(("name", "label"), CELLS)
def test_the_same_seed_gives_the_same_bytes_and_a_fault_changes_the_log(name, label):
    rates = faults.FAULTS[name].rates[label]
    clean, first = pair(name, rates)
    _, second = pair(name, rates)
    assert first.times.tobytes() == second.times.tobytes()
    if faults.FAULTS[name].stage != "setup":  # wrong flags bring other thresholds
        assert (first.duration_s, first.turns) == (clean.duration_s, clean.turns)
    assert first.done
    few = name == "missed" and label == "1%"
    same = first.times.tobytes() == clean.times.tobytes() and first.declared == clean.declared
    assert few or (name == "none") == same


@pytest.mark.parametrize(
    ("name", "rates", "more"),
    [
        ("extra pass", {"passes": 2}, 2),
        ("hand in push", {"passes": 1}, 1),
        ("hand at launch", {"passes": 3}, 3),
        ("rocks at end", {"swings": 3}, 3),
        ("missed block", {"passes": 10}, -10),
        ("clock jump", {"gaps": 5.0}, 0),
        ("stall", {"times": 1, "passes": 4}, 0),
    ],
)
def test_faults_add_or_take_as_many_passes_as_they_say(name, rates, more):
    clean, spoiled = pair(name, rates)
    assert len(spoiled.times) - len(clean.times) == more


def test_shares_are_shares():
    clean, spoiled = pair("missed", {"share": 0.3}, turns=3000)
    assert 1 - len(spoiled.times) / len(clean.times) == pytest.approx(0.3, abs=0.03)
    clean, spoiled = pair("bounces", {"share": 0.1, "low_s": 0.01, "high_s": 0.06}, turns=3000)
    assert len(spoiled.times) / len(clean.times) - 1 == pytest.approx(0.1, abs=0.02)
    late = np.setdiff1d(spoiled.times, clean.times)
    after = late - clean.times[np.searchsorted(clean.times, late) - 1]
    assert after.max() < 0.06
    clean, spoiled = pair("double edges", {"width": 0.1, "part": 0.4}, turns=300)
    assert len(spoiled.times) - len(clean.times) == pytest.approx(0.4 * 300, abs=2)  # of the counted ones
    clean, spoiled = pair("every second when fast", {"part": 0.3}, turns=300)
    assert len(spoiled.times) / len(clean.times) == pytest.approx(0.85, abs=0.03)
    clean, spoiled = pair("clock slow", {"share": 0.02})
    np.testing.assert_allclose(spoiled.times, clean.times * 0.98)


def test_a_second_push_and_a_touch_change_the_speed_at_once_by_their_share():
    for name, rates, change in [("pushed again", {"gain": 0.4}, 1.4), ("touched", {"loss": 0.2}, 0.8)]:
        clean, spoiled = pair(name, rates, seed=4, turns=400, law="squared")
        period = np.diff(spoiled.times[spoiled.release :])
        jumps = period[:-2] / period[2:]  # the turn in which it happens is neither
        at = np.argmax(np.abs(np.log(jumps)))
        assert jumps[at] == pytest.approx(change, rel=0.03)
        assert spoiled.literal is not None and spoiled.literal != (clean.duration_s, clean.turns)
        # what the log says, read off its own turn periods
        setup, middle = spoiled.setup, (spoiled.times[spoiled.release + 1 :] + spoiled.times[spoiled.release : -1]) / 2
        ends = [middle[np.flatnonzero(period < p)[-1]] for p in (setup.start_period_s, setup.stop_period_s)]
        assert ends[1] - ends[0] == pytest.approx(spoiled.literal[0], abs=1.5 * setup.stop_period_s)


def test_a_stop_by_hand_ends_in_the_turns_it_says():
    for turns in (0.4, 2.0):
        _, spoiled = pair("stopped by hand", {"turns": turns}, turns=300, flags="12")
        gaps = np.diff(spoiled.times)
        last = int(turns * 12) - 2
        assert (np.diff(gaps[-last:]) > 0).all() and gaps[-1] > 1.5 * gaps[-last - 3]


def test_a_knocked_gate_sees_whole_turns_as_before_but_for_one():
    clean, spoiled = pair("gate knocked", {"shift": 0.2}, turns=300)
    ratio = np.diff(spoiled.times[spoiled.release :])
    smooth = np.abs(ratio[2:] / ratio[:-2] - 1)
    assert (smooth > 0.1).sum() <= 2 < len(smooth)
    assert len(clean.times) - len(spoiled.times) in (-1, 0, 1)


def test_uneven_flags_are_declared_wrongly():
    _, log = pair("uneven flags", {"flags": "2 uneven", "declared": 1})
    gaps = np.diff(log.times[log.release :])
    assert log.declared == 1
    assert np.median(np.maximum(gaps[:-1], gaps[1:]) / np.minimum(gaps[:-1], gaps[1:])) == pytest.approx(
        62 / 38, rel=0.1
    )


def test_the_readme_lists_every_fault_with_cause_and_rates():
    text = (FOLDER / "README.md").read_text(encoding="utf-8")
    for name, fault in faults.FAULTS.items():
        assert f"| {name} | {fault.cause} | {', '.join(fault.rates)} |" in text


def test_worlds_and_faults_do_not_know_the_kit():
    for name in ("worlds", "setups", "faults"):
        text = (FOLDER / f"{name}.py").read_text(encoding="utf-8")
        assert "import kit" not in text and "from kit" not in text


def test_outcomes_are_judged_by_both_limits():
    log = next(atlas.Cell("none", "-", 60.0).logs(1))[1]
    t, k = log.duration_s, log.turns

    def judged(off_share, u_share, said="", counted=True):
        return atlas.outcome(log, atlas.Count(counted, said, 0, t * (1 + off_share), t * u_share, k, k * u_share))

    assert judged(0.02, 1e-4) == "silent"
    assert judged(0.02, 0.01) == "right"  # far, but within 5 u
    assert judged(0.005, 1e-4) == "right"  # more than 5 u, but within 1 %
    assert judged(0.02, 1e-4, "a doubt") == "noted"
    assert judged(0.0, 1e-4, "a doubt") == "marked"
    assert judged(0.02, 1e-4, "too few passes", counted=False) == "refused"
    assert atlas.outcome(log, atlas.Count(True, "", 0, t, t * 1e-4, k * 1.02, k * 1e-4)) == "silent"


@pytest.mark.slow
def test_the_atlas_is_the_same_each_time_and_adds_up():
    cells = atlas.all_cells(["none", "missed block"], (30.0,))
    assert [(c.fault, c.rate) for c in cells] == [("none", "-"), ("missed block", "3"), ("missed block", "10")]
    found = atlas.table(cells, 4)
    assert (found[list(atlas.OUTCOMES)].sum(axis=1) == 100).all()
    again = atlas.table(cells[1:], 4)
    assert found.iloc[1:].reset_index(drop=True).equals(again)


def test_a_count_that_ignores_the_fault_would_be_silently_wrong():
    """The atlas can fail: half of the passes of a run taken for all of them is wrong by a factor of two."""
    log = next(atlas.Cell("none", "-", 60.0, jitter="gauss", flags="1").logs(1))[1]
    count = atlas.kit_counts(log)[0]
    assert atlas.outcome(log, count) in ("right", "marked")
    doubled = atlas.Count(True, "", 0, 2 * count.duration_s, count.duration_u_s, count.turns, count.turns_u)
    assert atlas.outcome(log, doubled) == "silent"


@pytest.fixture(scope="module")
def one_run_of_each():
    """One run of every fault and rate at 12 and at 60 turns, by the rule that is used: the same each time."""
    return atlas.runs(atlas.all_cells(lengths=(12.0, 60.0)), 1)


@pytest.mark.slow
def test_no_fault_that_leaves_a_trace_is_silently_wrong(one_run_of_each):
    rows = one_run_of_each
    assert not len(rows[rows["outcome"] == "crash"]), rows[rows["outcome"] == "crash"][["fault", "rate", "said"]]
    silent = rows[(rows["outcome"] == "silent") & ~rows["fault"].map(lambda name: faults.FAULTS[name].hidden)]
    assert not len(silent), silent[["fault", "rate", "length", "done", "off_s", "u_s"]]
    clean = rows[rows["fault"] == "none"]
    assert (clean["outcome"] == "right").all()
    # and it is not by refusing everything: a hand in the beam is seen through
    hands = rows[rows["fault"].isin(["extra pass", "hand in push"])]["outcome"]
    assert hands.isin(["right", "marked"]).all() and (hands == "right").any()


@pytest.mark.slow
def test_without_its_doubts_the_kit_would_be_silently_wrong_about_many_faults(one_run_of_each):
    """The control: what is told apart by nothing but a note or a doubt, and would be lost with it."""
    noted = one_run_of_each[one_run_of_each["outcome"] == "noted"]
    assert noted["said"].str.len().min() > 0
    assert noted["fault"].nunique() >= 6


@pytest.mark.slow
def test_the_tables_of_how_often_it_is_wrong_can_be_made(monkeypatch, capsys, tmp_path):
    """`test --faults` at its smallest: every fault is a row, shares add up, the JSON holds each run."""
    few = [
        cell for cell in atlas.all_cells(lengths=(12.0,)) if cell.rate == next(iter(faults.FAULTS[cell.fault].rates))
    ]
    monkeypatch.setattr(atlas, "all_cells", lambda *_, **__: few[::6])
    monkeypatch.setattr(how_often_wrong, "CLEAN", 4)
    monkeypatch.setattr(false_verdicts, "DESIGNS", {"4 × 3": np.repeat([1.0, 2.0, 4.0, 8.0], 3)})
    monkeypatch.setattr(false_verdicts, "SCATTERS", (0.02,))
    monkeypatch.setattr(false_verdicts, "CURVES", {"inverse": (40.0,)})
    assert how_often_wrong.main(["--count", "1", "--jobs", "1", "--json", str(tmp_path / "faults.json")]) == 0
    printed = capsys.readouterr().out
    for cell in few[::6]:
        (line,) = (line for line in printed.splitlines() if line.startswith(f"| {cell.fault}"))
        assert sum(float(share) for share in line.split("|")[3:8]) == pytest.approx(100)
    written = json.loads((tmp_path / "faults.json").read_text(encoding="utf-8"))
    assert [run["fault"] for run in written["runs"]] == [cell.fault for cell in few[::6]]
    assert "| rule best |" in printed and "| inverse |" in printed
    assert how_often_wrong.as_markdown(written) in printed


def test_coverage_counts_intervals_that_hold_the_truth():
    cell = atlas.Cell("none", "-", 60.0, "gauss", "1", "linear", "even")
    rows = coverage.runs([cell], 3).assign(u_s=1.0)
    found = coverage.table(rows, "jitter").set_index("rule")
    assert set(found.index) == set(coverage.RULES)
    rows["off_s"], rows["counted"] = 3.0, True
    assert (coverage.table(rows, "rule")["duration in 2u %"] == 0).all()
    assert (coverage.table(rows.assign(off_s=1.9), "rule")["duration in 2u %"] == 100).all()
