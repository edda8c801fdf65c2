"""Shuffled worlds: counted against itertools, with their own error rates."""

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from kit.stats.shuffling import EXACT_LIMIT, arrangements, ranks, shuffle

TWO_BY_THREE = np.repeat([0.0, 1.0], 3)


class TestShuffling:
    def test_counts_arrangements(self):
        assert arrangements([TWO_BY_THREE]) == 20
        assert arrangements([TWO_BY_THREE] * 3) == 8000
        assert arrangements([np.arange(9.0)]) == 362_880 <= EXACT_LIMIT

    def test_every_permutation_once_against_itertools(self):
        x, y = np.array([1.0, 2.0, 4.0, 7.0, 9.0]), np.array([0.3, -1.0, 2.2, 5.0, 0.1])
        ours = shuffle([x], [y]).worlds
        centred = x - x.mean()
        others = [np.array(p) @ y / (centred @ centred) for p in permutations(centred)]
        assert np.sort(ours) == pytest.approx(np.sort(others), abs=1e-12)

    def test_ranks_and_ties_against_scipy(self):
        rng = np.random.default_rng(5)
        parts = [rng.integers(0, 6, n).astype(float) for n in (1, 2, 9, 40)]
        for ours, part in zip(ranks(parts), parts, strict=True):
            assert np.array_equal(ours, stats.rankdata(part))

    def test_three_against_three_can_never_reach_five_per_cent(self):
        shuffled = shuffle([TWO_BY_THREE], [np.array([1, 2, 3, 101, 102, 103.0])])
        assert shuffled.p_value == shuffled.smallest_p == 0.1
        assert shuffled.interval() == (-np.inf, np.inf)
        low, high = shuffled.interval(0.89)
        assert low < 100 < high

    def test_sampled_p_is_never_zero_and_close_to_the_exact_one(self):
        rng = np.random.default_rng(3)
        scores, values = [TWO_BY_THREE] * 6, [rng.normal(0.6 * TWO_BY_THREE, 1) for _ in range(6)]
        sampled = shuffle(scores, values)  # 20^6 arrangements
        assert not sampled.exact
        assert sampled.arrangements == 20**6
        again = shuffle(scores, values, seed=2, samples=40_000)
        assert sampled.p_value == pytest.approx(again.p_value, abs=0.01)
        far = shuffle(scores, [v + 1000 * TWO_BY_THREE for v in values])
        assert far.p_value == 1 / 10_000

    def test_interval_is_where_the_p_value_crosses_five_per_cent(self):
        rng = np.random.default_rng(8)
        scores = [TWO_BY_THREE, np.array([0, 0, 1, 1, 1.0])]
        values = [rng.normal(2 * a, 1) for a in scores]
        low, high = shuffle(scores, values).interval()
        for end, inside in ((low, 1e-6), (high, -1e-6)):
            within = [v - (end + inside) * a for a, v in zip(scores, values, strict=True)]
            beyond = [v - (end - inside) * a for a, v in zip(scores, values, strict=True)]
            assert shuffle(scores, within).p_value > 0.05 >= shuffle(scores, beyond).p_value

    @given(
        st.lists(st.floats(-50, 50), min_size=6, max_size=6),
        st.floats(-20, 20),
        st.floats(0.1, 10),
    )
    @settings(max_examples=40, deadline=None)
    def test_shifting_and_scaling_the_values_changes_no_p(self, values, shift, scale):
        values = np.round(values, 3)
        plain = shuffle([TWO_BY_THREE], [values])
        moved = shuffle([TWO_BY_THREE], [shift + scale * values])
        assert moved.p_value == plain.p_value
        assert moved.measured == pytest.approx(scale * plain.measured, abs=1e-9)

    @pytest.mark.slow
    def test_false_alarms_in_4000_null_sets(self):
        rng = np.random.default_rng(20)
        scores = [TWO_BY_THREE] * 3
        alarms = [shuffle(scores, 10 + rng.standard_normal((3, 6))).p_value <= 0.05 for _ in range(4000)]
        assert 0.04 <= np.mean(alarms) <= 0.06

    @pytest.mark.slow
    def test_interval_covers_and_a_bare_bootstrap_does_not(self):
        rng = np.random.default_rng(21)
        covered, bootstrap_covered, effect = [], [], 0.3
        scores = [TWO_BY_THREE] * 2
        for _ in range(1500):
            values = rng.standard_t(4, size=(2, 6)) + effect * TWO_BY_THREE  # heavier tails than normal
            low, high = shuffle(scores, values).interval()
            covered.append(low <= effect <= high)
            pairs = values.reshape(2, 2, 3)
            drawn = np.take_along_axis(pairs[None], rng.integers(0, 3, (400, 2, 2, 3)), axis=3).mean(axis=3)
            low, high = np.quantile((drawn[..., 1] - drawn[..., 0]).mean(axis=1), [0.025, 0.975])
            bootstrap_covered.append(low <= effect <= high)
        assert 0.94 <= np.mean(covered) <= 0.97
        assert np.mean(bootstrap_covered) < 0.92  # the negative control: with three trials it is too narrow


class TestStudentised:
    """Unequal numbers of runs: each world's difference over its own standard error."""

    few, many = np.array([3.1, 2.2, 4.0, 2.9]), np.array([1.0, 1.1, 0.9, 1.3, 1.2, 1.05, 0.95])

    def worlds(self):
        scores = [np.repeat([0.0, 1.0], [4, 7])]
        return scores, [np.r_[self.few, self.many]]

    def test_the_measured_world_is_welchs_t(self):
        scores, values = self.worlds()
        found = shuffle(scores, values, studentise=True)
        t = found.measured / np.sqrt(found.variance)
        assert t == pytest.approx(stats.ttest_ind(self.many, self.few, equal_var=False).statistic)

    def test_p_is_scipys_permutation_test_of_welchs_t(self):
        shifted = np.r_[self.few - 1.2, self.many]
        found = shuffle([np.repeat([0.0, 1.0], [4, 7])], [shifted], studentise=True)

        def welch(a, b, axis=-1):
            return np.abs(stats.ttest_ind(a, b, axis=axis, equal_var=False).statistic)

        by_scipy = stats.permutation_test(
            (shifted[:4], shifted[4:]), welch, n_resamples=np.inf, alternative="greater", vectorized=True
        )
        assert found.exact and found.by_worlds == pytest.approx(by_scipy.pvalue, abs=1e-12)
        by_welch = stats.ttest_ind(shifted[:4], shifted[4:], equal_var=False)
        assert found.by_welch == pytest.approx(by_welch.pvalue, rel=1e-9)
        assert found.freedom == pytest.approx(by_welch.df)
        assert found.p_value == max(found.by_worlds, found.by_welch)

    @pytest.mark.parametrize("sizes", [(3, 9), (4, 8)])
    def test_few_runs_that_scatter_more_are_no_false_alarm(self, sizes):
        """No effect, the small group scatters 8 times as much: at 5 %, of 600 worlds 30 are expected, by Welch; the
        shuffled share alone would refuse about 90 (the control), plain shuffling 150 and more."""
        rng = np.random.default_rng(11)
        scores = [np.repeat([0.0, 1.0], sizes)]
        found = [
            shuffle(scores, [np.r_[rng.normal(0, 8, sizes[0]), rng.normal(0, 1, sizes[1])]], studentise=True)
            for _ in range(600)
        ]
        assert sum(f.p_value <= 0.05 for f in found) <= 45  # binomial: beyond it once in 250
        assert sum(f.by_worlds <= 0.05 for f in found) >= 60

    @pytest.mark.slow
    def test_groups_of_all_sizes_that_scatter_eight_to_one(self):
        """800 null sets, 3 to 7 runs a group: about 5 % false alarms, fewer with three runs; without Welch's t clearly
        more (the control)."""
        rng, found = np.random.default_rng(5), []
        for _ in range(800):
            low, high = rng.integers(3, 8, 2)
            values = [np.r_[rng.normal(0, 1, low), rng.normal(0, 8, high)]]
            world = shuffle([np.repeat([0.0, 1.0], [low, high])], values, studentise=True)
            found.append((min(low, high), world.p_value <= 0.05, world.by_worlds <= 0.05))
        smaller, alarm, control = np.array(found).T
        assert 0.03 < alarm[smaller > 3].mean() < 0.075  # binomial: 2.5 standard deviations
        assert alarm.mean() < 0.065
        assert control.mean() > 0.065

    def test_equal_groups_are_held_to_welchs_t_too(self):
        values = [np.r_[self.few[:4], self.many[:4] + 1.5]]
        found = shuffle([np.repeat([0.0, 1.0], 4)], values, studentise=True)
        by_scipy = stats.ttest_ind(values[0][:4], values[0][4:], equal_var=False)
        assert found.by_welch == pytest.approx(by_scipy.pvalue, rel=1e-9)
        assert found.p_value == max(found.by_worlds, found.by_welch)
        reach = by_scipy.confidence_interval(0.95)
        low, high = found.interval()
        assert low <= -reach.high + 1e-9 and high >= -reach.low - 1e-9

    def test_the_interval_holds_just_what_is_not_refused(self):
        scores, values = self.worlds()
        low, high = shuffle(scores, values, studentise=True).interval()
        for limit, inwards in ((low, 1), (high, -1)):
            for step, refused in ((inwards * 1e-4, False), (-inwards * 1e-4, True)):
                moved = [values[0] - (limit + step) * scores[0]]
                assert (shuffle(scores, moved, studentise=True).p_value <= 0.05) is refused

    def test_equal_numbers_stay_plain(self):
        scores = [np.array([0.0, 0, 1, 1])]
        assert not shuffle(scores, [np.array([1.0, 2, 3, 4.5])], studentise=True).studentised

    def test_conditions_are_pooled_setting_by_setting(self):
        """Two conditions by hand: Σ w² (s₀²/n₀ + s₁²/n₁), s² pooled."""
        scores = [np.array([0.0, 0, 1, 1, 1]), np.array([0.0, 0, 0, 1, 1])]
        values = [np.array([1.0, 1.2, 2.0, 2.1, 1.7]), np.array([3.0, 3.3, 2.9, 3.5, 3.8])]
        found = shuffle(scores, values, studentise=True)
        within = [sum(np.sum((v[a == k] - v[a == k].mean()) ** 2) for a, v in zip(scores, values, strict=True)) / 3
                  for k in (0, 1)]  # fmt: skip
        weight = 0.5  # both conditions: n₀n₁/(n₀+n₁) = 1.2 of S = 2.4
        by_hand = weight**2 * (within[0] / 2 + within[1] / 3 + within[0] / 3 + within[1] / 2)
        assert found.variance == pytest.approx(by_hand)
        assert found.variances[0].min() >= 0
