"""The main job itself against published results and other people's programs: `analyse`, `measure`, `average`, trends.

Where a figure is quoted from memory it says so. No printed table of a spin-down of ours was found that could be cited,
so runs are made here from textbooks' formulas, by the test and not by the kit, and held against what the books print.
"""

from __future__ import annotations

import re
from pathlib import Path

import lmfit
import numpy as np
import pandas as pd
import pytest
from scipy import stats

import kit
from kit.stats.least_squares import aicc, evidence_weights
from tests.published.test_trials_published import CONSTRUCTED, GUM_TEMPERATURES
from tests.reference.faults.worlds import Wheel

REFERENCE = Path(__file__).parents[1] / "reference"
TURN = 2 * np.pi


def nist(name: str) -> tuple[dict[str, float], np.ndarray]:
    """Certified mean and sd from the text of a NIST univariate file, and its numbers."""
    text = (REFERENCE / f"nist_{name}.dat").read_text(encoding="utf-8")
    certified = {
        "mean": float(re.search(r"ybar:\s+(\S+)", text)[1]),
        "sd": float(re.search(r"n-1\)\s+s:\s+(\S+)", text)[1]),
        "n": int(re.search(r"Number of Observations:\s+(\d+)", text)[1]),
    }
    return certified, np.array(text.rsplit("Data:", 1)[1].split("\n", 2)[2].split(), float)


def averaged(values, **options) -> pd.Series:
    """One condition through `kit.average`."""
    return kit.average(pd.DataFrame({"x": 1, "duration_s": values}), "x", **options).iloc[0]


# --- thresholds: duration and turns of runs made from textbooks


def folder_of(tmp_path: Path, runs: dict[str, np.ndarray]) -> Path:
    """A folder of gate logs, as a class would have it."""
    (tmp_path / "passes").mkdir()
    lines = ["file,pads,trial,order,flags_per_turn,set_aside,note"]
    for place, (name, times) in enumerate(runs.items(), start=1):
        rows = "\n".join(f"{time:.9f}" for time in times)
        (tmp_path / "passes" / f"{name}.csv").write_text(f"time (s)\n{rows}\n", encoding="utf-8")
        lines.append(f"passes/{name}.csv,{place},1,{place},1,,")
    (tmp_path / "runs.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return tmp_path


def uniform(start: float, deceleration: float, end: float) -> np.ndarray:
    """Times of one pass a turn while ω falls evenly: θ = ω₀t − αt²/2, solved for t."""
    angles = TURN * np.arange(int((start**2 - end**2) / (2 * deceleration) / TURN) + 1)
    return 1.0 + (start - np.sqrt(start**2 - 2 * deceleration * angles)) / deceleration


def exponential(start: float, tau: float, end: float) -> np.ndarray:
    """Times of one pass a turn while ω = ω₀·exp(−t/τ): θ = ω₀τ(1 − exp(−t/τ)), solved for t."""
    angles = TURN * np.arange(int((start - end) * tau / TURN) + 1)
    return 1.0 - tau * np.log1p(-angles / (start * tau))


@pytest.mark.parametrize("rule", ["interpolated", "law"])
def test_the_rotor_of_halliday_resnick_and_walker(tmp_path, rule):
    """Fundamentals of Physics, 10th ed. (2014), chapter 10, sample problem "riding a Rotor" (from memory).

    From 3.40 to 2.00 rad/s in 20.0 revolutions at constant angular acceleration: they print α = −0.0301 rad/s² and
    t = 46.5 s. Made here with the α printed, from 4.2 down to 1.2 rad/s; a second run with twice the α halves both.
    """
    folder = folder_of(tmp_path, {"pads-1": uniform(4.2, 0.0301, 1.2), "pads-2": uniform(4.2, 0.0602, 1.2)})
    found = kit.analyse(folder, start_period_s=TURN / 3.40, stop_period_s=TURN / 2.00, rule=rule).results
    assert list(found["status"]) == ["counted"] * 2
    assert found["duration_s"].to_numpy() == pytest.approx([46.5, 46.5 / 2], abs=0.05)
    assert found["turns"].to_numpy() == pytest.approx([20.0, 10.0], abs=0.05)


def test_linear_drag_of_taylor(tmp_path):
    """J. R. Taylor, Classical Mechanics (2005), 2.2: v = v₀·exp(−t/τ), x = v₀τ(1 − exp(−t/τ)), turned to angles.

    To v₀/e it takes one τ and covers (1 − 1/e)·v₀τ, 63 % of the whole way, as the book prints (from memory).
    """
    taus = [8.0, 16.0]
    folder = folder_of(tmp_path, {f"pads-{i}": exponential(70.0, tau, 12.0) for i, tau in enumerate(taus, 1)})
    found = kit.analyse(folder, start_period_s=TURN / 60, stop_period_s=TURN / 60 * np.e).results
    assert found["duration_s"].to_numpy() == pytest.approx(taus, rel=5e-4)
    whole = 60 * np.array(taus) / TURN
    assert found["turns"].to_numpy() / whole == pytest.approx([0.632, 0.632], abs=5e-4)


@pytest.mark.parametrize("case", ["constant", "linear"])
def test_thresholds_against_the_closed_forms(case):
    """The table in tests/reference: 60 → 10 rad/s, OpenStax University Physics 1, 10.2; Taylor 2.2; by mpmath."""
    row = pd.read_csv(REFERENCE / "spin_down_closed_forms.csv", comment="#").set_index("case").loc[case]
    if case == "constant":
        times = uniform(66.0, row["T0"] / row["J"], 8.0)
    else:
        times = exponential(66.0, row["J"] / row["b"], 8.0)
    table = kit.measure([kit.Run(times, {"x": 1})], TURN / row["w1"], TURN / row["w2"])
    assert table["duration_s"].iloc[0] == pytest.approx(row["time_s"], rel=2e-4)
    assert table["turns"].iloc[0] == pytest.approx(row["angle_rad"] / TURN, rel=2e-4)


@pytest.mark.slow
@pytest.mark.parametrize("rule", ["interpolated", "law"])
def test_every_kind_of_drag_against_the_closed_forms(tmp_path, rule):
    """All cases of that table with a stop at 10 rad/s, as logs in a folder; passes by tests/reference/faults.

    Constant, linear and quadratic drag (OpenStax 10.2; Taylor 2.2, 2.4) and their mixtures (Gradshteyn & Ryzhik 2.172).
    """
    table = pd.read_csv(REFERENCE / "spin_down_closed_forms.csv", comment="#")
    table = table[(table["w1"] == 60) & (table["w2"] == 10)].reset_index(drop=True)
    assert len(table) == 9
    runs = {}
    for row in table.itertuples():
        path = Wheel(row.T0 / row.J, row.b / row.J, row.c / row.J).path(66.0, TURN / 8.0)
        runs[row.case.replace("<", "-").replace(">", "+")] = path.time_at(TURN * np.arange(path.angle[-1] // TURN))
    found = kit.analyse(folder_of(tmp_path, runs), start_period_s=TURN / 60, stop_period_s=TURN / 10, rule=rule).results
    assert list(found["status"]) == ["counted"] * 9
    assert found["duration_s"].to_numpy() == pytest.approx(table["time_s"].to_numpy(), rel=2e-4)
    assert found["turns"].to_numpy() == pytest.approx(table["angle_rad"].to_numpy() / TURN, rel=2e-4)
    assert (np.abs(found["duration_s"] - table["time_s"]) <= 3 * found["duration_u_s"] + 1e-6).all()


# --- averages


@pytest.mark.parametrize("name", ["lew", "lottery", "mavro"])
def test_nist_univariate_sets_through_average(name):
    """NIST/ITL StRD, univariate: certified mean and standard deviation, 15 digits; intervals by scipy.stats.t."""
    certified, values = nist(name)
    found = averaged(values, pooled="absolute")
    assert found["n"] == len(values) == certified["n"]
    assert found["mean"] == pytest.approx(certified["mean"], rel=1e-14)
    assert found["sd"] == pytest.approx(certified["sd"], rel=1e-11)
    assert found["pooled_sd"] == pytest.approx(certified["sd"], rel=1e-11)
    by_scipy = stats.t.interval(0.95, len(values) - 1, certified["mean"], stats.sem(values))
    assert (found["low"], found["high"]) == pytest.approx(by_scipy, rel=1e-12)


@pytest.mark.parametrize("name", CONSTRUCTED)
def test_nist_constructed_sets_through_average(name):
    """NIST/ITL StRD, univariate, NumAcc1-4: a mean far larger than the spread, where a one-pass formula fails."""
    values, mean, sd, tolerance = CONSTRUCTED[name]
    found = averaged(values, pooled="absolute")
    assert found["mean"] == pytest.approx(mean, rel=1e-15)
    assert found["sd"] == pytest.approx(sd, rel=tolerance)
    reach = stats.t.ppf(0.975, len(values) - 1) * sd / np.sqrt(len(values))
    assert found["high"] - found["low"] == pytest.approx(2 * reach, rel=1e-6)


def test_taylors_weighted_resistance_through_average():
    """J. R. Taylor, An Introduction to Error Analysis, 2nd ed. (1997), 7.3: 11 ± 1, 12 ± 1, 10 ± 3 Ω give 11.42 ± 0.69.

    From memory. They scatter less than their uncertainties say, so that none is added for the spread.
    """
    table = pd.DataFrame({"x": 1, "duration_s": [11.0, 12.0, 10.0], "duration_u_s": [1.0, 1.0, 3.0]})
    found = kit.average(table, "x")
    assert found.attrs["weighted"] == [1]
    assert (found["mean"].iloc[0], found["u"].iloc[0]) == (
        pytest.approx(11.42, abs=5e-3),
        pytest.approx(0.69, abs=5e-3),
    )


def test_thirteen_trials_of_a_vaccine_through_average():
    """Thirteen trials that differ by more than their own u: BCG against tuberculosis (Colditz et al. 1994, JAMA 271).

    Viechtbauer (2010), J. Stat. Softw. 36(3), and the manual of his metafor: log relative risk −0.7145, with the
    adjustment of Knapp & Hartung u 0.1807 and 95 % from −1.1082 to −0.3208 (all from memory). He estimates the variance
    between trials by REML, 0.313, and Paule & Mandel, as here, come to 0.318: that moves the third decimal.
    """
    ill, well, ill_0, well_0 = np.array(
        [(4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619), (33, 5036, 47, 5761),
         (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892), (29, 7470, 45, 7232),
         (17, 1699, 65, 1600), (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825)]
    ).T  # fmt: skip
    ratio = np.log(ill / (ill + well) / (ill_0 / (ill_0 + well_0)))
    u = np.sqrt(1 / ill - 1 / (ill + well) + 1 / ill_0 - 1 / (ill_0 + well_0))
    found = kit.average(pd.DataFrame({"x": 1, "duration_s": ratio, "duration_u_s": u}), "x", pooled="absolute").iloc[0]
    assert found["mean"] == pytest.approx(-0.7145, abs=1e-3)
    assert found["u"] == pytest.approx(0.1807, abs=1e-3)
    assert (found["low"], found["high"]) == pytest.approx((-1.1082, -0.3208), abs=2e-3)


def test_gum_temperatures_through_average():
    """JCGM 100:2008, 4.4.3, Table 1: mean 100.145 °C, s 1.489, s/√20 0.333; t₀.₉₅(19) = 2.09 from Table G.2."""
    found = averaged(GUM_TEMPERATURES)
    assert round(found["mean"], 3) == 100.145 and round(found["sd"], 3) == 1.489 and round(found["u"], 3) == 0.333
    assert found["high"] - found["mean"] == pytest.approx(2.09 * 0.333, abs=2e-3)


def test_nist_handbook_interval_through_average():
    """e-Handbook 1.3.5.2, heat flow: n 195, mean 9.261460, sd 0.02278881, limits 9.258242, 9.264679 (from memory).

    The 195 readings themselves are not at hand: values with that very mean and sd stand in for them.
    """
    shape = stats.norm.ppf((np.arange(195) + 0.5) / 195)
    found = averaged(9.261460 + 0.02278881 * (shape - shape.mean()) / shape.std(ddof=1))
    assert (found["low"], found["high"]) == pytest.approx((9.258242, 9.264679), abs=1e-6)


def test_pooled_scatter_through_average_is_the_residual_sd_of_nist_sirstv():
    """NIST/ITL StRD, analysis of variance, SiRstv: certified residual sd 0.104076068334656, 20 degrees of freedom.

    "absolute" on the readings; "relative" on exp(reading/100), whose logarithms are the readings over 100.
    """
    table = pd.read_csv(REFERENCE / "nist_sirstv.csv", comment="#")
    instrument, reading = table.columns[0], table.columns[1]
    plain = kit.average(table, instrument, reading, pooled="absolute")
    assert plain.attrs["pooled_dof"] == 20
    assert plain["pooled_sd"].to_numpy() == pytest.approx([0.104076068334656] * 5, rel=1e-11)
    relative = kit.average(table.assign(grown=np.exp(table[reading] / 100)), instrument, "grown", pooled="relative")
    assert relative.attrs["pooled_scatter"] == pytest.approx(0.00104076068334656, rel=1e-9)
    assert relative["pooled_sd"].to_numpy() == pytest.approx(0.00104076068334656 * relative["mean"], rel=1e-9)


# --- trends


def test_inverse_plus_constant_of_nist_norris():
    """NIST/ITL StRD, linear regression, Norris: y = B0 + B1·x; against 1/x it is A/x + C with A = B1 and C = B0."""
    text = (REFERENCE / "nist_norris.dat").read_text(encoding="utf-8")
    rows = re.findall(r"^\s+(-?[\d.]+)\s+(-?[\d.]+)\s*$", text.rsplit("Data:", 1)[1], re.MULTILINE)
    y, x = np.array(rows, float).T
    assert len(x) == 36
    trend = kit.fit_trend(1 / x, y, "inverse plus constant", errors="absolute")
    a, c = trend.parameters["A"], trend.parameters["C"]
    assert (a.value, a.u) == (
        pytest.approx(1.00211681802045, rel=1e-10), pytest.approx(0.000429796848199937, rel=1e-8)
    )  # fmt: skip
    assert (c.value, c.u) == (
        pytest.approx(-0.262323073774029, rel=1e-8), pytest.approx(0.232818234301152, rel=1e-8)
    )  # fmt: skip
    assert trend.scatter == pytest.approx(0.884796396144373, rel=1e-9)


X = np.repeat([1.0, 2.0, 3.0, 4.0, 6.0, 8.0], 3)
LMFIT = {
    "inverse plus constant": (lambda x, A, C: A / x + C, {"A": 40.0, "C": 4.0}),
    "shifted inverse": (lambda x, A, x0: A / (x + x0), {"A": 59.1, "x0": 0.557}),
    "power law plus constant": (lambda x, A, p, C: A * x**p + C, {"A": 40.0, "p": -1.3, "C": 5.0}),
    "exponential": (lambda x, A, k: A * np.exp(k * x), {"A": 40.0, "k": -0.25}),
}


@pytest.mark.parametrize("model", LMFIT)
def test_trends_beside_lmfit(model):
    """lmfit: values, standard errors and 95 % limits by its `conf_interval` (profile of chi-squared with F)."""
    curve, true = LMFIT[model]
    y = curve(X, **true) + 0.3 * np.random.default_rng(7).standard_normal(len(X))
    ours = kit.fit_trend(X, y, model, errors="absolute")
    parameters = lmfit.create_params(**true)
    minimizer = lmfit.Minimizer(lambda p: curve(X, **p.valuesdict()) - y, parameters)
    theirs = minimizer.minimize(xtol=1e-14, ftol=1e-14, gtol=1e-14)
    limits = lmfit.conf_interval(minimizer, theirs, sigmas=[0.95])
    for name in true:
        found, fitted = ours.parameters[name], theirs.params[name]
        assert found.value == pytest.approx(fitted.value, rel=1e-6)
        assert found.u == pytest.approx(fitted.stderr, rel=2e-3)
        low, high = limits[name][0][1], limits[name][-1][1]
        assert (found.low, found.high) == pytest.approx((low, high), abs=0.02 * found.u)


def test_evidence_of_all_curves_beside_lmfit():
    """The weights of `fit_trends` from lmfit's own chi-squared, by Burnham & Anderson (2002), 2.4 and 2.9.

    AICc = n ln(χ²/n) + 2K + 2K(K + 1)/(n − K − 1), where K counts the scatter too.
    """
    rng = np.random.default_rng(11)
    y = LMFIT["inverse plus constant"][0](X, 40.0, 4.0) + 0.8 * rng.standard_normal(len(X))
    fits = kit.fit_trends(X, y, models=list(LMFIT), errors="absolute")
    n, found = len(X), {}
    for model, (curve, true) in LMFIT.items():
        parameters = lmfit.create_params(**true)
        theirs = lmfit.minimize(lambda p, f=curve: f(X, **p.valuesdict()) - y, parameters, xtol=1e-14, ftol=1e-14)
        k = len(true) + 1
        found[model] = n * np.log(theirs.chisqr / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1)
    best = min(found.values())
    weights = {model: np.exp((best - value) / 2) for model, value in found.items()}
    assert fits[0].model == min(found, key=found.get)
    for fit in fits:
        assert fit.aicc - fits[0].aicc == pytest.approx(found[fit.model] - best, abs=1e-5)
        assert fit.weight == pytest.approx(weights[fit.model] / sum(weights.values()), rel=1e-4)


def test_aicc_weights_of_burnham_and_anderson():
    """Model Selection and Multimodel Inference, 2nd ed. (2002), 3.2, cement hardening (Hald 1952), Table 3.2.

    Five of its regressions, n = 13: they print ΔAICc 0.00, 3.13, 3.16, 3.32, 3.88 and weights 0.567, 0.118, 0.117,
    0.107, 0.081, which share 0.99 of all 15 models (data and print from memory; residuals by numpy).
    """
    x = {
        1: [7, 1, 11, 11, 7, 11, 3, 1, 2, 21, 1, 11, 10],
        2: [26, 29, 56, 31, 52, 55, 71, 31, 54, 47, 40, 66, 68],
        3: [6, 15, 8, 8, 6, 9, 17, 22, 18, 4, 23, 9, 8],
        4: [60, 52, 20, 47, 33, 22, 6, 44, 22, 26, 34, 12, 12],
    }
    y = np.array([78.5, 74.3, 104.3, 87.6, 95.9, 109.2, 102.7, 72.5, 93.1, 115.9, 83.8, 113.3, 109.4])
    found = []
    for chosen in ((1, 2), (1, 2, 4), (1, 2, 3), (1, 4), (1, 3, 4)):
        design = np.column_stack([np.ones(13), *(x[i] for i in chosen)])
        ss = np.linalg.lstsq(design, y, rcond=None)[1][0]
        found.append(aicc(13 * np.log(ss / 13), design.shape[1] + 1, 13))
    assert np.array(found) - found[0] == pytest.approx([0.0, 3.13, 3.16, 3.32, 3.88], abs=0.02)
    shares = np.array([0.567, 0.118, 0.117, 0.107, 0.081])
    assert evidence_weights(found) == pytest.approx(shares / shares.sum(), abs=0.002)


def test_set_up_scatter_is_the_variance_component_of_nist_sirstv():
    """SiRstv certifies mean squares 0.0127865 (between, 4) and 0.0108316 (within, 20) for five readings each.

    With a constant for a curve, σ_s² + σ²/n of the means is the mean square between over n (Searle, Casella &
    McCulloch, Variance Components, 1992, 3.6; from memory): σ_s² = (0.0127865366910 − 0.0108316279472)/5.
    """
    table = pd.read_csv(REFERENCE / "nist_sirstv.csv", comment="#")
    x, y = (table[name].to_numpy(float) for name in table.columns[:2])
    (trend,) = kit.fit_trends(x, y, errors="absolute", models=["constant"], setup_scatter=True)
    between, within = 0.0511462616 / 4, 0.216636560 / 20
    assert trend.setup_scatter**2 == pytest.approx((between - within) / 5, rel=1e-4)
    assert trend.parameters["A"].u == pytest.approx(np.sqrt(between / 25), rel=1e-6)
    assert len(trend.x) == 5 and trend.dof == 4
