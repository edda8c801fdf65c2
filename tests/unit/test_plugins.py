"""Readers and trend models that another installed package adds: found when asked for, named when broken."""

import textwrap

import numpy as np
import pandas as pd
import pytest

import kit
from kit.errors import KitError
from kit.logs.folder import read_folder
from kit.logs.log import read_log
from kit.plugins import READERS, TREND_MODELS, added_names, find_added
from kit.sources.demo_data import write_lesson_data  # noqa: F401 (loaded now, so that no plug-in could be to blame)
from kit.stats.trend import fit_trends
from kit.stats.trend_models import MODELS, get_model, model_names

# The example of DEVELOPERS.md, as a package somebody else may install.
EXAMPLE = """
    import numpy as np
    import kit


    def read_millis(path):
        \"\"\"A box that writes whole milliseconds, one pass a line, after a line with its name.\"\"\"
        lines = path.read_text(encoding="utf-8").splitlines()[1:]
        return kit.Run(np.array([int(line) for line in lines]) / 1000)


    inverse_root = kit.Model(
        name="inverse root",
        formula="A/x^0.5",
        statement="Make x four times as large and y halves.",
        heights=("A",),
        value=lambda x, a: a / np.sqrt(x),
        gradient=lambda x, a: (1 / np.sqrt(x + 0 * a),),
        shapes=lambda x, log: np.ones((1, 1)),
        text=lambda x, a: f"{a} / {x}^0.5",
        needs_positive_x=True,
    )
    another_name = inverse_root


    def slopes(x, log):
        \"\"\"Curves of every shape, each of height 1: from nearly level to nearly A/x.\"\"\"
        q = np.geomspace(1e-3, 1e3, 60) / np.max(x)
        return np.array([np.ones(60), q])


    levelling = kit.Model(
        name="levelling inverse",
        formula="A/(1 + q·x)",
        statement="Small x hardly matters; for large x, double x and y halves.",
        heights=("A",),
        shape=("q",),
        value=lambda x, a, q: a / (1 + q * x),
        gradient=lambda x, a, q: (1 / (1 + q * x), -a * x / (1 + q * x) ** 2),
        shapes=slopes,
        text=lambda x, a, q: f"{a} / (1 + {q}·{x})",
        regions=lambda x, gap: (kit.Region(0.0, 1e4 / np.max(x), open_high=True),),
    )


    def fails(path):
        raise OSError("no such box")


    def gives_nothing(path):
        return []
"""
ENTRY_POINTS = """
    [spin_down_kit.readers]
    millis = gate_box_example:read_millis
    broken = gate_box_gone:read
    fails = gate_box_example:fails
    nothing = gate_box_example:gives_nothing
    csv = gate_box_example:fails

    [spin_down_kit.trend_models]
    inverse root = gate_box_example:inverse_root
    levelling inverse = gate_box_example:levelling
    root = gate_box_example:another_name
    gone = gate_box_example:no_such_thing
    inverse = gate_box_example:inverse_root
"""


def install(folder, name, entry_points, module=""):
    """Install a package into a folder, as pip does: its module, and beside it what it is called and adds."""
    info = folder / f"{name}-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n", encoding="utf-8")
    (info / "entry_points.txt").write_text(textwrap.dedent(entry_points), encoding="utf-8")
    if module:
        (folder / f"{name.replace('-', '_')}.py").write_text(textwrap.dedent(module), encoding="utf-8")


@pytest.fixture
def example(tmp_path, monkeypatch):
    """The example package, installed; returns the folder it is in."""
    folder = tmp_path / "packages"
    install(folder, "gate-box-example", ENTRY_POINTS, EXAMPLE)
    monkeypatch.syspath_prepend(folder)
    yield folder
    __import__("sys").modules.pop("gate_box_example", None)


@pytest.fixture
def log(tmp_path):
    """A log in the example's own format: 60 passes, in milliseconds."""
    path = tmp_path / "magnets-3_trial-2.millis"
    times = np.cumsum(np.linspace(150, 600, 60)).astype(int)
    path.write_text("GATE BOX\n" + "\n".join(map(str, times)) + "\n", encoding="utf-8")
    return path


def test_without_such_a_package_nothing_is_added(log):
    assert added_names(READERS) == added_names(TREND_MODELS) == ()
    assert find_added(READERS, "millis") is None
    with pytest.raises(KitError, match="There is no such trend model"):
        get_model("inverse root")


def test_a_log_is_read_by_the_reader_for_its_ending(example, log):
    (run,) = read_log(log, conditions={"magnets": 3.0}, trial=2)
    assert len(run.pass_times_s) == 60 and run.pass_times_s[-1] == pytest.approx(22.5, abs=0.1)
    assert (run.conditions, run.trial, run.source) == ({"magnets": 3.0}, 2, log.name)


def test_a_folder_mixes_added_formats_with_the_kits_own(example, log):
    own = log.with_name("magnets-4_trial-1.csv")
    own.write_text("time (s)\n" + "\n".join(f"{t:.3f}" for t in np.cumsum(np.linspace(0.15, 0.6, 40))), "utf-8")
    runs = read_folder(log.parent)
    assert [(run.conditions["magnets"], run.trial, len(run.pass_times_s)) for run in runs] == [(3, 2, 60), (4, 1, 40)]
    (log.parent / "runs.csv").write_text(f"file,magnets,trial,flags_per_turn\n{log.name},5,1,2\n", "utf-8")
    (run,) = read_folder(log.parent)
    assert (run.conditions, run.trial, run.flags_per_turn) == ({"magnets": 5.0}, 1, 2)


def test_repairs_are_found_in_it_unless_they_are_not_wanted(example, log):
    lines = log.read_text("utf-8").splitlines()
    del lines[30]  # a missed pass
    log.write_text("\n".join(lines), "utf-8")
    assert [repair.kind for repair in read_log(log)[0].repairs] == ["missed"]
    assert read_log(log, repairs=False)[0].repairs == ()


@pytest.mark.parametrize(
    ("ending", "message"),
    [
        ("broken", r"The package gate-box-example adds 'broken', but can't be loaded \(ModuleNotFoundError"),
        ("fails", r"reader of \.fails files in the package gate-box-example failed \(OSError: no such box\)"),
        ("nothing", r"reader of \.nothing files in the package gate-box-example gave no runs"),
    ],
)
def test_a_broken_reader_is_named_with_its_package(example, log, ending, message):
    with pytest.raises(KitError, match=message):
        read_log(log.rename(log.with_suffix(f".{ending}")))


def test_an_option_the_reader_does_not_know_is_not_dropped_silently(example, log):
    with pytest.raises(KitError, match=r"failed \(TypeError.*decimal"):
        read_log(log, decimal=",")


def test_a_broken_package_disturbs_nothing_that_works_without_it(example, log):
    text = log.with_name("own.csv")
    text.write_text("0.1\n0.3\n0.6\n1.0\n1.5\n", "utf-8")
    assert len(read_log(text)[0].pass_times_s) == 5  # the kit's own endings are never taken over
    assert get_model("inverse") is MODELS[2]
    assert len(fit_trends([1, 1, 2, 2, 4, 4], [9, 9.1, 5, 5.2, 2.4, 2.6])) == 8


def test_an_added_model_is_fitted_where_it_is_named(example):
    x = np.repeat([1.0, 2, 4, 8, 12], 3)
    y = 40 / np.sqrt(x) * np.exp(np.random.default_rng(3).normal(0, 0.01, len(x)))
    trends = fit_trends(x, y, models=["inverse", "inverse root", "power law"])
    best = trends[0]
    assert best.model == "inverse root"
    assert best.parameters["A"].value == pytest.approx(40, rel=0.01)
    assert best.parameters["A"].low < 40 < best.parameters["A"].high
    assert best.equation().endswith("/ x^0.5")
    assert "inverse root" not in [trend.model for trend in fit_trends(x, y)]
    table = trends.table()
    assert list(table.columns) == ["model", "parameter", "value", "u", "low", "high", "aicc", "weight"]
    assert table.loc[table["model"] == "inverse root", "value"].item() == best.parameters["A"].value
    assert len(table) == 4


def test_an_added_model_may_call_its_shape_parameter_what_it_likes(example):
    x = np.repeat([1.0, 2, 4, 8, 12], 3)
    y = 60 / (1 + 0.4 * x) * np.exp(np.random.default_rng(5).normal(0, 0.01, len(x)))
    trend, own = (fit_trends(x, y, models=[name])[0] for name in ("levelling inverse", "shifted inverse"))
    a, q = trend.parameters["A"], trend.parameters["q"]
    assert a.low < 60 < a.high and q.low < 0.4 < q.high
    # the same curve in other words: A/(x + x0) with q = 1/x0 and A·q for A, found by the kit's own model
    x0 = own.parameters["x0"]
    assert trend.aicc == pytest.approx(own.aicc, abs=1e-9)
    assert (q.value, q.low, q.high) == pytest.approx((1 / x0.value, 1 / x0.high, 1 / x0.low), rel=1e-6)
    assert not trend.at_bound and trend.loo_error == pytest.approx(own.loo_error, rel=1e-3)
    lin = [fit_trends(x, y, errors="absolute", models=[name])[0] for name in ("levelling inverse", "shifted inverse")]
    assert lin[0].aicc == pytest.approx(lin[1].aicc, abs=1e-9)


def test_all_models_are_listed_the_kits_own_first_and_none_is_loaded(example):
    import sys

    own = tuple(model.name for model in MODELS)
    assert model_names() == (*own, "gone", "inverse root", "levelling inverse", "root")
    assert "gate_box_example" not in sys.modules


@pytest.mark.slow
def test_the_fitter_offers_added_models_after_the_kits_own_and_names_those_that_fail(example):
    from kit.widgets.trend_fitter import TrendFitter

    x = np.repeat([1.0, 2, 4, 8, 12], 3)
    y = 60 / (1 + 0.4 * x) * np.exp(np.random.default_rng(5).normal(0, 0.01, len(x)))
    fitter = TrendFitter(pd.DataFrame({"magnets": x, "duration_s": y}))
    own = [model.name for model in MODELS]
    assert list(fitter._boxes) == [*own, "inverse root", "levelling inverse"]
    assert "adds 'gone', but can't be loaded" in fitter._say.text
    assert "adds the trend model 'root', but gives something else" in fitter._say.text
    fitter.models = ("levelling inverse", "power law")
    assert [trend.model for trend in fitter.trends] == ["levelling inverse", "power law"]
    hidden = TrendFitter(pd.DataFrame({"magnets": x, "duration_s": y}), menu="hidden")
    assert {trend.model for trend in hidden.trends} == set(own) and "can't be loaded" not in hidden._say.text


def test_a_model_made_before_heights_were_stated_still_works(example):
    new = get_model("power law")
    parts = {n: getattr(new, n) for n in ("formula", "statement", "value", "gradient", "shapes", "text", "regions")}
    former = kit.Model(name="former", parameters=("A", "p"), needs_positive_x=True, **parts)
    assert (former.heights, former.shape, former.steep) == (("A",), ("p",), True)
    with pytest.raises(KitError, match=r"at most one shape parameter.*Found: .*\('A', 'q'\).*state them"):
        kit.Model(name="former", parameters=("A", "q"), **parts)
    with pytest.raises(KitError, match="at most one shape parameter"):
        kit.Model(name="two", heights=("A",), shape=("p", "q"), **parts)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("gone", r"The package gate-box-example adds 'gone', but can't be loaded \(AttributeError"),
        ("root", "adds the trend model 'root', but gives something else"),
        ("nowhere", r"There is no such trend model.*exponential, gone, inverse root, levelling inverse, root"),
    ],
)
def test_a_broken_model_is_named_with_its_package(example, name, message):
    with pytest.raises(KitError, match=message):
        get_model(name)


def test_two_packages_that_add_the_same_are_both_named(example):
    install(example, "second-box", "[spin_down_kit.readers]\nmillis = second_box:read\n")
    with pytest.raises(KitError, match=r"Several packages add 'millis'.*gate-box-example, second-box"):
        find_added(READERS, "millis")


def test_a_model_is_a_plain_function_of_x_and_its_parameters():
    power = kit.get_model("power law")
    assert power(2.0, A=40, p=-1) == pytest.approx(20)
    np.testing.assert_allclose(power([1, 4], 40, -0.5), [40, 20])
    np.testing.assert_allclose(power([1, 4], 40, p=-0.5), [40, 20])
    assert kit.get_model("constant")([[1, 2], [3, 4]], A=7).tolist() == [[7, 7], [7, 7]]


@pytest.mark.parametrize(
    ("given", "named", "message"),
    [
        ((40,), {}, r"A·x\^p needs the parameters A, p. Found: '40'"),
        ((40, 1, 2), {}, "needs the parameters A, p"),
        ((40,), {"A": 3, "p": 1}, "needs the parameters A, p"),
        ((), {"A": 3, "p": 1, "C": 0}, "needs the parameters A, p"),
    ],
)
def test_parameters_that_do_not_fit_the_model_are_refused(given, named, message):
    with pytest.raises(KitError, match=message):
        get_model("power law")(2.0, *given, **named)


def test_a_model_has_no_value_where_its_curve_has_none():
    with pytest.raises(KitError, match=r"A/x has no value at every x given. Found: \[0.0, 1.0\]"):
        get_model("inverse")([0, 1], 3)
