"""Readers and trend models that another installed package adds: found when asked for, named when broken."""

import textwrap

import numpy as np
import pytest

import kit
from kit.errors import KitError
from kit.logs.folder import read_folder
from kit.logs.log import read_log
from kit.plugins import READERS, TREND_MODELS, added_names, find_added
from kit.sources.demo_data import write_lesson_data  # noqa: F401 (loaded now, so that no plug-in could be to blame)
from kit.stats.trend import fit_trends
from kit.stats.trend_models import MODELS, get_model

# The example of DEVELOPERS.md, as a package somebody else may install.
EXAMPLE = """
    import numpy as np
    import kit
    from kit.trend_models import Model


    def read_millis(path):
        \"\"\"A box that writes whole milliseconds, one pass a line, after a line with its name.\"\"\"
        lines = path.read_text(encoding="utf-8").splitlines()[1:]
        return kit.Run(np.array([int(line) for line in lines]) / 1000)


    inverse_root = Model(
        name="inverse root",
        formula="A/x^0.5",
        statement="Make x four times as large and y halves.",
        parameters=("A",),
        value=lambda x, a: a / np.sqrt(x),
        gradient=lambda x, a: (1 / np.sqrt(x + 0 * a),),
        shapes=lambda x, log: np.ones((1, 1)),
        text=lambda x, a: f"{a} / {x}^0.5",
        needs_positive_x=True,
    )
    another_name = inverse_root


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
    assert list(table.columns) == ["model", "parameter", "value", "se", "low", "high", "aicc", "weight"]
    assert table.loc[table["model"] == "inverse root", "value"].item() == best.parameters["A"].value
    assert len(table) == 4


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("gone", r"The package gate-box-example adds 'gone', but can't be loaded \(AttributeError"),
        ("root", "adds the trend model 'root', but gives something else"),
        ("nowhere", r"There is no such trend model.*exponential, gone, inverse, inverse root, root"),
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
