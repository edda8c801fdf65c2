"""Claims: the test, its false alarms and power, the interval's coverage, the graded rules, the errors."""

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.stats.claims import (
    AGAINST,
    CANNOT_TELL,
    SUPPORT,
    SUPPORT_IF_MIXED,
    UNSETTLED,
    Claim,
    compares_by_error,
    examine,
)
from kit.stats.shuffling import shuffle

LEVEL_CLAIM = Claim("Level matters", "duration_s", "level_deg", (0, 3), ("magnets",))
DURATION_S = {
    (0, 0): 107.7,
    (0, 3): 90.7,
    (1, 0): 37.97,
    (1, 3): 35.5,
    (8, 0): 6.91,
    (8, 3): 6.8,
}  # demo design


def demo_runs(rng, magnets=(0, 1, 8), trials=3, scatter=0.02, effect=True, mixed=True, drift=0.0):
    rows = [
        (n, level, trial, DURATION_S[n, level if effect else 0])
        for n in magnets
        for level in (0, 3)
        for trial in range(1, trials + 1)
    ]
    table = pd.DataFrame(rows, columns=["magnets", "level_deg", "trial", "duration_s"])
    order = rng.permutation(len(table)) if mixed else table["level_deg"].rank(method="first").to_numpy() - 1
    table["order"] = order + 1
    table["duration_s"] *= np.exp(scatter * rng.standard_normal(len(table)) + drift * order / len(table))
    return table


class TestPower:
    @pytest.mark.slow
    def test_level_claim_of_the_demo_design(self):
        rng = np.random.default_rng(30)
        grades = [examine(LEVEL_CLAIM, demo_runs(rng)).grade for _ in range(60)]
        assert np.mean([g == SUPPORT for g in grades]) >= 0.95

    @pytest.mark.slow
    def test_without_an_effect_it_is_rarely_supported(self):
        rng = np.random.default_rng(31)
        grades = [examine(LEVEL_CLAIM, demo_runs(rng, effect=False)).grade for _ in range(100)]
        assert np.mean([g == SUPPORT for g in grades]) <= 0.10

    def test_one_condition_with_three_trials_cannot_tell_and_says_what_to_do(self):
        verdict = examine(LEVEL_CLAIM, demo_runs(np.random.default_rng(1), magnets=(0,)))
        assert verdict.grade == CANNOT_TELL
        assert "measure more trials" in verdict.sentence
        assert verdict.percent.interval_by == "Student's t"
        assert verdict.percent.low < 100 * (90.7 / 107.7 - 1) < verdict.percent.high

    def test_with_a_fourth_trial_it_can(self):
        verdict = examine(LEVEL_CLAIM, demo_runs(np.random.default_rng(1), magnets=(0,), trials=4))
        assert verdict.p_value == 2 / 70
        assert verdict.grade == SUPPORT


class TestGrades:
    def runs(self, difference, scatter=1.0):
        pattern = scatter * np.array([-1, 0.2, 1.1, -0.5, 0.2])
        return pd.DataFrame(
            {
                "pads": ["old"] * 5 + ["new"] * 5,
                "duration_s": np.r_[20 + pattern, 20 + difference + pattern[::-1]],
                "order": [1, 4, 5, 8, 9, 2, 3, 6, 7, 10],
            }
        )

    def claim(self, **kw):
        return Claim("New pads brake more", "duration_s", "pads", ("old", "new"), scale="absolute", **kw)

    def test_support(self):
        verdict = examine(self.claim(expect="less"), self.runs(-4))
        assert verdict.grade == SUPPORT
        assert verdict.sentence.startswith(
            "The data support this. With pads new instead of pads old, coasting time changes by −4."
        )
        assert verdict.p_value == 2 / 252

    def test_the_other_way_speaks_against(self):
        verdict = examine(self.claim(expect="less"), self.runs(+4))
        assert verdict.grade == AGAINST
        assert "other way" in verdict.sentence

    def test_no_difference_cannot_tell(self):
        verdict = examine(self.claim(), self.runs(0.1))
        assert verdict.grade == CANNOT_TELL
        assert "Not finding an effect does not show that there is none." in verdict.not_shown

    def test_an_interval_within_what_matters_speaks_against(self):
        assert examine(self.claim(matters=5.0), self.runs(0.1)).grade == AGAINST
        assert examine(self.claim(matters=0.5), self.runs(0.1)).grade == CANNOT_TELL

    def test_an_effect_too_small_to_matter_speaks_against_and_says_so(self):
        verdict = examine(self.claim(matters=2.0), self.runs(-1, scatter=0.2))
        assert verdict.p_value <= 0.05
        assert verdict.grade == AGAINST
        assert "smaller than the 2 s you said matters" in verdict.sentence

    def test_per_cent_and_own_units(self):
        verdict = examine(self.claim(), self.runs(-4, scatter=0.1))
        assert verdict.own.value == pytest.approx(-4)
        assert verdict.percent.value == pytest.approx(-20, abs=0.1)
        assert verdict.percent.low < verdict.percent.value < verdict.percent.high

    def test_values_below_zero_have_no_per_cent(self):
        runs = self.runs(-4).assign(duration_s=lambda t: t["duration_s"] - 40)
        assert examine(self.claim(), runs).percent is None


class TestRelation:
    def test_sound_and_duration_go_together_within_conditions(self):
        rng = np.random.default_rng(5)
        level = rng.uniform(40, 60, 12)
        pads = np.repeat([3, 6], 6)
        runs = pd.DataFrame(
            {
                "pads": pads,
                "level_dB": level,
                "duration_s": np.where(pads == 3, 30, 12) * np.exp(-0.02 * level),
            }
        )
        runs["order"] = np.tile([1, 3, 5, 6, 4, 2], 2) + np.repeat([0, 6], 6)
        verdict = examine(Claim("Louder is shorter", "duration_s", "level_dB", within=("pads",), expect="less"), runs)
        assert verdict.shuffled.measured == pytest.approx(-1)
        assert verdict.grade == SUPPORT
        assert verdict.percent.value == pytest.approx(100 * np.expm1(-0.02), rel=1e-9)
        assert "need not cause" in " ".join(verdict.not_shown)

    def test_pooling_across_conditions_does_not_invent_a_relation(self):
        # within each condition nothing is related; across them everything is
        runs = pd.DataFrame(
            {
                "pads": np.repeat([3, 6, 9], 4),
                "level_dB": np.repeat([40.0, 50, 60], 4) + np.tile([0, 1, 2, 3], 3),
                "duration_s": np.repeat([30.0, 20, 10], 4) + np.tile([0.1, -0.1, -0.1, 0.1], 3),
            }
        )
        apart = examine(Claim("Louder is shorter", "duration_s", "level_dB"), runs)
        within = examine(Claim("Louder is shorter", "duration_s", "level_dB", within=("pads",)), runs)
        assert apart.p_value < 0.01
        assert within.p_value > 0.5


class TestDrift:
    def test_no_order_is_said(self):
        runs = demo_runs(np.random.default_rng(1)).drop(columns="order")
        verdict = examine(LEVEL_CLAIM, runs)
        assert not verdict.drift.known
        assert any("order of the runs is not recorded" in note for note in verdict.not_shown)

    def test_without_a_recorded_order_the_strongest_phrase_is_not_used(self):
        runs = demo_runs(np.random.default_rng(1)).drop(columns="order")
        listed_by_setting = examine(LEVEL_CLAIM, runs)
        assert listed_by_setting.grade == UNSETTLED
        assert "order and setting are the same thing" in listed_by_setting.sentence
        mixed = examine(LEVEL_CLAIM, runs.sample(frac=1, random_state=3))
        assert mixed.grade == SUPPORT_IF_MIXED
        assert mixed.sentence.startswith("The data support this, if the order did not matter: it was not recorded.")
        other_way = Claim("Tilt helps", "duration_s", "level_deg", (0, 3), ("magnets",), expect="more")
        against = examine(other_way, runs.sample(frac=1, random_state=3))
        assert against.grade == "the data speak against, if the order did not matter"
        assert "The effect goes the other way." in against.sentence

    def test_a_relation_that_rose_with_the_order_cannot_be_settled(self):
        runs = pd.DataFrame({"level_dB": [40.0, 42, 43, 45, 48, 50], "duration_s": [30.0, 29, 28, 26, 25, 22]})
        claim = Claim("Louder is shorter", "duration_s", "level_dB")
        assert examine(claim, runs.assign(order=range(6))).grade == UNSETTLED
        assert examine(claim, runs.assign(order=[0, 3, 2, 1, 5, 4])).grade != UNSETTLED

    def test_drift_without_a_recorded_order_never_passes_for_support(self):
        """The same blocked, drifting, effectless runs as below, their order not recorded: 94 % support before."""
        rng = np.random.default_rng(4)
        grades = [
            examine(
                LEVEL_CLAIM,
                demo_runs(rng, magnets=(0, 1), effect=False, mixed=False, drift=0.1, scatter=0.01).drop(
                    columns="order"
                ),
            ).grade
            for _ in range(30)
        ]
        assert SUPPORT not in grades and SUPPORT_IF_MIXED not in grades
        assert np.mean([grade == UNSETTLED for grade in grades]) > 0.8

    @pytest.mark.slow
    def test_the_interval_printed_has_a_known_drift_taken_out(self):
        """Nominal 95 %; shuffling alone, drift left in, covers hardly ever: that is the control."""
        rng, covered, naive = np.random.default_rng(6), [], []
        true = 100 * (DURATION_S[0, 3] / DURATION_S[0, 0] - 1)
        for _ in range(60):
            runs = demo_runs(rng, magnets=(0,), trials=5, scatter=0.01)
            order = np.argsort(np.argsort(2.2 * runs["level_deg"] / 3 + rng.standard_normal(len(runs))))
            runs["order"] = order + 1
            runs["duration_s"] *= np.exp(0.15 * order / len(runs))
            verdict = examine(LEVEL_CLAIM, runs)
            if abs(verdict.drift.order_correlation) > 0.3:
                covered.append(verdict.percent.low < true < verdict.percent.high)
                assert "with a steady drift taken out" in verdict.sentence
                low, high = verdict.shuffled.interval()
                naive.append(low < np.log1p(true / 100) < high)
        assert len(covered) > 30
        assert np.mean(covered) >= 0.87 and np.mean(naive) < 0.6

    def test_a_drift_is_found_and_its_size_given(self):
        verdict = examine(LEVEL_CLAIM, demo_runs(np.random.default_rng(1), scatter=0.005, drift=0.06))
        assert verdict.drift.p_value <= 0.05
        assert verdict.drift.per_session == pytest.approx(6, abs=1.5)

    def test_drift_that_follows_the_settings_is_not_taken_for_an_effect(self):
        rng = np.random.default_rng(4)
        fooled, mixed = [], []
        for _ in range(40):
            blocked = demo_runs(rng, magnets=(0, 1), effect=False, mixed=False, drift=0.1, scatter=0.01)
            verdict = examine(LEVEL_CLAIM, blocked)
            fooled.append(verdict.grade == SUPPORT)
            mixed.append(verdict.p_value <= 0.05)
        assert np.mean(mixed) > 0.9  # the bare test is fooled
        assert np.mean(fooled) <= 0.1
        assert any("hardly mixed in time" in note for note in verdict.not_shown)


class TestUnequalScatter:
    """Few runs that scatter much beside many that scatter little, and the same mean."""

    def runs(self, rng, few=5, many=15):
        values = np.r_[0.05 * rng.standard_normal(few), 0.01 * rng.standard_normal(many)]
        order = rng.permutation(few + many)
        return pd.DataFrame({"hub": np.repeat([0, 1], [few, many]), "duration_s": 20 * np.exp(values), "order": order})

    @pytest.mark.slow
    def test_false_alarms_are_near_what_is_said(self):
        rng, claim = np.random.default_rng(8), Claim("?", "duration_s", "hub", (0, 1))
        alarms, plain, covered = [], [], []
        for _ in range(80):
            verdict = examine(claim, self.runs(rng))
            alarms.append(verdict.p_value <= 0.05)
            covered.append(verdict.percent.low <= 0 <= verdict.percent.high)
            plain.append(shuffle(verdict.scores, verdict.compared).p_value <= 0.05)
        assert np.mean(plain) > 0.15  # the control: shuffling without each world's own spread
        assert np.mean(alarms) <= 0.12
        assert np.mean(covered) >= 0.85

    def test_the_sentence_says_for_their_spread(self):
        verdict = examine(Claim("?", "duration_s", "hub", (0, 1)), self.runs(np.random.default_rng(1)))
        assert "for their spread" in verdict.sentence


class TestRefusals:
    def test_missing_column(self):
        with pytest.raises(KitError, match="no such column"):
            examine(LEVEL_CLAIM, pd.DataFrame({"duration_s": [1.0]}))

    def test_a_setting_that_was_never_measured(self):
        runs = demo_runs(np.random.default_rng(1))
        with pytest.raises(KitError, match=r"No counted run has this setting.*choose two of"):
            examine(Claim("?", "duration_s", "level_deg", (0, 5), ("magnets",)), runs)

    def test_text_where_a_number_belongs_names_the_row(self):
        runs = demo_runs(np.random.default_rng(1)).astype({"duration_s": object})
        runs.loc[4, "duration_s"] = "twenty"
        with pytest.raises(KitError, match=r"row 5, column duration_s.*twenty"):
            examine(LEVEL_CLAIM, runs)

    def test_per_cent_of_values_below_zero(self):
        runs = demo_runs(np.random.default_rng(1)).assign(duration_s=-1.0)
        with pytest.raises(KitError, match="above zero"):
            examine(LEVEL_CLAIM, runs)

    def test_nothing_to_compare(self):
        runs = demo_runs(np.random.default_rng(1))
        runs = runs[(runs["magnets"] == 0) == (runs["level_deg"] == 0)]
        with pytest.raises(KitError, match="no condition in which runs can be compared"):
            examine(LEVEL_CLAIM, runs)

    def test_set_aside_and_uncounted_runs_stay_out(self):
        runs = demo_runs(np.random.default_rng(1))
        more = runs.assign(duration_s=np.nan, status="never slow enough")
        aside = runs.assign(duration_s=999.0, status="counted", set_aside="bumped")
        everything = pd.concat([runs.assign(status="counted", set_aside=""), more, aside])
        assert examine(LEVEL_CLAIM, everything).percent == examine(LEVEL_CLAIM, runs).percent

    @pytest.mark.parametrize(
        ("change", "message"),
        [
            ({"settings": (3, 3)}, "two different settings"),
            ({"expect": "longer"}, "one of three things"),
            ({"scale": "log"}, "two scales"),
            ({"matters": -1}, "above zero"),
            ({"within": ("level_deg",)}, "one part in a claim"),
        ],
    )
    def test_claims_that_make_no_sense(self, change, message):
        given = {"statement": "?", "quantity": "duration_s", "by": "level_deg", "settings": (0, 3)} | change
        with pytest.raises(KitError, match=message):
            Claim(**given)


def test_table_gives_it_per_condition():
    table = examine(LEVEL_CLAIM, demo_runs(np.random.default_rng(1))).table
    assert list(table["magnets"]) == [0, 1, 8]
    assert table["t_prime"][0] > 3
    assert table["per_cent"][0] == pytest.approx(100 * (90.7 / 107.7 - 1), abs=4)


@pytest.mark.parametrize("fewer", [0, 1, 4])
@pytest.mark.parametrize("settings", [(0, 3), None])
def test_how_worlds_will_be_compared_is_known_before_they_are_made(fewer, settings):
    table = demo_runs(np.random.default_rng(2)).iloc[fewer:]
    by = "level_deg" if settings else "order"
    claim = Claim("It matters", "duration_s", by, settings, ("magnets",), order="" if by == "order" else "order")
    assert compares_by_error(claim, table) == examine(claim, table).shuffled.studentised
