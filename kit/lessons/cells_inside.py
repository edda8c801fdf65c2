"""The closed section "How this number is made": a few lines of numpy and pandas on the group's own data that arrive at
the numbers of the page, and stop with an error where they do not.

Plain cells under a closed heading: a student who does not program sees one line, and one who does runs each cell with
Shift + Enter, changes it and runs it again. "Run All" runs them too, so each begins with `if stage.may_look():`, which
holds them back until the page's own data may show. On the first page nothing is computed, so it has no code; the page
of ten minutes and the one for making runs show no computed number that a later page does not show.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from ..errors import KitError
from .lesson import Lesson, LessonClaim

if TYPE_CHECKING:  # making a page needs no data
    from .claim_runs import ClaimRuns
    from .progress import Progress

__all__ = ["INSIDE", "claim_inside", "inside_cells", "not_enough"]

INSIDE = "## How this number is made\n\nDo you program? Press *cells hidden*. Nothing else on the page needs it."

_HOW = (
    "{what}\n\n"
    "The boxes below do it again, on your own data, with plain Python. Press **Shift + Enter** in each box, from the "
    "top. The line with `assert` stops with an error if a number is not the one on the page. "
    "Change a line and see what happens."
)
LEAST_TRIALS = 6  # for AICc of two numbers and the spread, with some to spare
_IMPORTS = "import kit\nimport numpy as np\nimport pandas as pd"


def inside_cells(lesson: Lesson, stage: str) -> Iterator[tuple[str, str]]:
    """The cells of the section below its heading; none where a stage has nothing to look into."""
    made = {"measure": _measure, "average": _average, "trend": _trend, "explain": _explain, "investigate": _claim}
    if stage == "predict":
        yield (
            "markdown",
            (
                "Nothing is calculated here. The numbers on this page are your own. On the later pages a section "
                "like this "
                "one shows how a number is made: a few lines of Python on your own data."
            ),
        )
    elif stage != "investigate" or claim_inside(lesson):
        yield from made[stage](lesson)


def _begin(what: str) -> Iterator[tuple[str, str]]:
    yield "markdown", _HOW.format(what=what)
    yield "code", _IMPORTS


def _measure(lesson: Lesson) -> Iterator[tuple[str, str]]:
    yield from _begin("Where does counting start and stop, and how long does it take? Take your first run that counts.")
    yield "markdown", "### Whole turns: the first row that is slow enough"
    yield (
        "code",
        """\
if stage.may_look():
    first, (start, stop) = stage.progress.counted.index[0], stage.progress.two_periods_s
    curve = stage.progress.curves[first]  # your first run that counts, without its push
    log = pd.DataFrame({"time_s": curve.times_s, "turns": curve.turns})
    log["one_turn_s"] = log["time_s"] - np.interp(log["turns"] - 1, log["turns"], log["time_s"], left=np.nan)
    begin, end = (log[log["one_turn_s"] >= slow].iloc[0] for slow in (start, stop))
    found = [end["time_s"] - begin["time_s"], end["turns"] - begin["turns"]]
    print(f"{curve.run.source}: from row {begin.name} to row {end.name}: {found[0]:.3f} s and {found[1]:g} turns.")
    page = kit.measure([curve], start, stop, rule="whole turns").iloc[0]
    assert np.allclose(found, page[["duration_s", "turns"]].astype(float))""",
    )
    yield (
        "markdown",
        "### Between two passes\n\n"
        "Whole turns are coarse. So the kit lays a smooth curve through all passes. How it finds that curve is not "
        "shown "
        "here: `turns_at` gives it. The slope of the curve is the speed. So you can see when a turn takes just as long "
        "as a threshold says. The ± of one run is not worked out here either.",
    )
    yield (
        "code",
        """\
if stage.may_look():
    moments_s = np.linspace(curve.times_s[0], curve.times_s[-1], 200_001)
    turned = curve.turns_at(moments_s)
    one_turn_s = np.maximum.accumulate(1 / np.gradient(turned, moments_s))  # it never speeds up
    begin_s, end_s = np.interp([start, stop], one_turn_s, moments_s)
    found = [end_s - begin_s, *np.diff(np.interp([begin_s, end_s], moments_s, turned))]
    print(f"{curve.run.source}: from {begin_s:.3f} s to {end_s:.3f} s: {found[0]:.3f} s and {found[1]:.2f} turns.")
    as_here = stage.progress.thresholds == (start, stop, "interpolated")  # else your page counts by another rule
    page = stage.results.loc[first] if as_here else kit.measure([curve], start, stop).iloc[0]
    assert np.allclose(found, page[["duration_s", "turns"]].astype(float), rtol=1e-5)""",
    )


def _average(lesson: Lesson) -> Iterator[tuple[str, str]]:
    x = lesson.x
    yield from _begin("What is an average, and how sure is it? Each trial that counts is one row.")
    yield (
        "markdown",
        "### Average, spread and uncertainty\n\n"
        "The spread (`std`) divides by n − 1: one trial alone shows no spread. For the uncertainty u of the average, "
        "divide the spread by the root of n. The 95 % interval reaches t times u to each side. This t is Student's "
        "factor: see the next box.",
    )
    yield (
        "code",
        f"""\
if stage.may_look():
    counted = stage.progress.counted
    trials = counted.groupby("{x}")["duration_s"]
    page = stage.averages("duration_s").set_index("{x}")
    made = pd.DataFrame({{"n": trials.size(), "mean": trials.mean(), "sd": trials.std()}})
    made["u"] = made["sd"] / np.sqrt(made["n"])
    made["low"], made["high"] = made["mean"] - page["t"] * made["u"], made["mean"] + page["t"] * made["u"]
    print(made.round(2).to_string())
    alike = made.drop(page.attrs["weighted"])  # the others are weighted: see the last box
    pd.testing.assert_frame_equal(alike, page.loc[alike.index, alike.columns], check_dtype=False)""",
    )
    yield (
        "markdown",
        "### Student's factor\n\n"
        "Let chance draw your trials, many times over, around an average of 0. How many u must you go to each side to "
        "reach the 0 in 95 of 100 worlds?",
    )
    yield (
        "code",
        """\
if stage.may_look():
    n = int(page["n"].max())
    worlds = np.random.default_rng(1).normal(size=(200_000, n))
    u = worlds.std(axis=1, ddof=1) / np.sqrt(n)
    factor = np.quantile(np.abs(worlds.mean(axis=1) / u), 0.95)
    print(f"{n} trials: {factor:.2f} u to each side")
    assert np.isclose(factor, page["t"][page["n"] == n].iloc[0], rtol=0.05)""",
    )
    yield (
        "markdown",
        "### The spread of all conditions together\n\n"
        "A logarithm turns *so many per cent* into a plain difference. So all trials can lend each other their spread.",
    )
    yield (
        "code",
        f"""\
if stage.may_look():
    logs = np.log(counted["duration_s"])
    off = logs - logs.groupby(counted["{x}"]).transform("mean")
    shared = np.sqrt((off**2).sum() / (len(off) - counted["{x}"].nunique()))
    print(f"A single trial is off by {{100 * shared:.2f}} %, give or take.")
    assert np.allclose(shared * page["mean"] / np.sqrt(page["n"]), page["pooled_u"])""",
    )
    yield (
        "markdown",
        "### If one run is timed worse than another\n\n"
        "Each run has a u of its own. On top of that, runs differ. The loop finds by how much they must differ to "
        "lie as "
        "far apart as they do. Then each run gets its weight `w`. If all weights are alike, the plain average is "
        "taken.",
    )
    yield (
        "code",
        f"""\
if stage.may_look():
    value = (page.attrs["weighted"] or [page.index[page["n"] > 1][0]])[0]
    v, u = counted.loc[counted["{x}"] == value, ["duration_s", "duration_u_s"]].to_numpy().T
    between = 0.0  # the spread between runs, squared
    for _ in range(100):
        w = 1 / (between + u**2)
        off = (v - w @ v / w.sum()) ** 2
        between = max(0.0, between + (w @ off - (len(v) - 1)) / (w**2 @ off))
    plain = np.allclose(w, w.max(), rtol=0.01)
    found = [v.mean(), v.std(ddof=1) / np.sqrt(len(v))] if plain else [w @ v / w.sum(), 1 / np.sqrt(w.sum())]
    assert np.allclose(found, page.loc[value, ["mean", "u"]].astype(float), rtol=1e-4)""",
    )


def _trend(lesson: Lesson) -> Iterator[tuple[str, str]]:
    x, other = lesson.x, _other_curve(lesson)
    yield from _begin("Two of the curves, fitted by straight lines, and how the kit weighs one against the other.")
    yield (
        "markdown",
        "### Turned upside down, A / (x + x₀) is a straight line\n\n"
        "If T = A / (x + x₀), then 1 / T = x / A + x₀ / A. So fit a straight line to 1 / T. Long runs spread more, "
        "so what "
        "counts is by what share a point is off. The loop sees to that: it fits again with new weights.",
    )
    yield (
        "code",
        f"""\
if stage.may_look():
    x, T = stage.progress.counted[["{x}", "duration_s"]].to_numpy().T
    line = 1 / T
    for _ in range(100):
        slope, at_zero = np.polyfit(x, line * (1 - np.log(line * T)), 1, w=1 / line)
        line = slope * x + at_zero
    A, x0 = 1 / slope, at_zero / slope
    print(f"T = {{A:.2f}} / (x + {{x0:.3f}})")
    page = {{trend.model: trend for trend in stage.trends("duration_s")}}
    assert np.allclose([A, x0], page["shifted inverse"].theta, rtol=1e-5)""",
    )
    across, words = ("np.log(x)", "A · xᵖ") if other == "power law" else ("x", "A · eᵏˣ")
    yield (
        "markdown",
        f"### Which of two curves has more evidence?\n\n"
        f"Take T = {words}. Its logarithm is a straight line too. Add up the squares of what each curve leaves over. "
        "The less is left, the better. But a curve with more numbers always leaves less, so each number costs. The sum "
        "is called AICc. Here each curve has two numbers, and the spread is one more.",
    )
    yield (
        "code",
        f"""\
if stage.may_look():
    straight = np.polyval(np.polyfit({across}, np.log(T), 1), {across})
    left_over = {{"shifted inverse": np.log(line * T), "{other}": np.log(T) - straight}}
    n, k, aicc = len(T), 3, {{}}
    cost = 2 * k + 2 * k * (k + 1) / (n - k - 1)
    for name, left in left_over.items():
        aicc[name] = n * np.log(2 * np.pi * np.e * np.mean(left**2)) + 2 * np.log(T).sum() + cost
    times = np.exp((aicc["{other}"] - aicc["shifted inverse"]) / 2)
    times = float(f"{{times:.2g}}")  # two digits
    print(f"The shifted inverse has {{times:,.9g}} times the evidence of the {other}.")
    assert np.allclose(list(aicc.values()), [page[name].aicc for name in aicc])""",
    )


def _other_curve(lesson: Lesson) -> str:
    return "power law" if min(lesson.values, default=1) > 0 else "exponential"


def _explain(lesson: Lesson) -> Iterator[tuple[str, str]]:
    yield from _begin("How does the kind of drag show in the average speed? And what time follows from a law?")
    yield (
        "markdown",
        "### Turns divided by time\n\n"
        "Three kinds of drag give three average speeds. Both ends are your thresholds. It does not matter how strong "
        "the "
        "drag is.",
    )
    yield (
        "code",
        f"""\
if stage.may_look():
    start, stop = stage.progress.two_periods_s
    fast, slow = 1 / start, 1 / stop  # turns a second
    log = np.log(fast / slow)
    means = [(fast + slow) / 2, (fast - slow) / log, fast * slow * log / (fast - slow)]
    speeds = stage.progress.counted["turns"] / stage.progress.counted["duration_s"]
    print("constant, with speed, with speed squared:", np.round(means, 3), "measured:", round(speeds.mean(), 3))
    page = kit.ratio_test(stage.results, "{lesson.x}", start, stop)
    assert np.allclose(means, list(page.mean_speeds.values()))
    assert np.allclose(speeds, page.runs["ratio"])""",
    )
    yield (
        "markdown",
        "### From a law of drag to a time\n\n"
        "The law says how fast the speed w falls: by a + b·w + c·w² each second. The kit finds a, b and c from the "
        "passes of one run. How it does that is not shown here. But once you have them, the time follows. Cut the way "
        "down into small steps of speed. Each step takes its size, divided by how fast the speed falls there.",
    )
    yield (
        "code",
        """\
if stage.may_look():
    fit = stage.progress.reference_drags()[0]  # the law that fits your reference run best
    edges = 2 * np.pi * np.linspace(slow, fast, 100_001)  # in rad/s
    w, step = (edges[1:] + edges[:-1]) / 2, np.diff(edges)
    falls = fit.law.a + fit.law.b * w + fit.law.c * w**2
    found = [np.sum(step / falls), np.sum(w * step / falls) / (2 * np.pi)]
    print(f"{fit.name}: {found[0]:.3f} s and {found[1]:.2f} turns")
    page = fit.between(start, stop)
    assert np.allclose(found, [page.duration_s, page.turns])""",
    )


# --- shuffled labels --------------------------------------------------------------------------------------------------


def claim_inside(lesson: Lesson) -> LessonClaim | None:
    """The claim whose shuffling is shown: the first that needs no recordings."""
    return next((claim for claim in lesson.claims if not claim.hears and not claim.step_to), None)


def _claim(lesson: Lesson) -> Iterator[tuple[str, str]]:
    claim = claim_inside(lesson)
    assert claim is not None
    yield from _begin(
        "How often does chance alone do as much? That share is called p. Take the first claim of this page. "
        "Hand the labels round among the runs, again and again, and count."
    )
    within = ", ".join(f'"{name}"' for name in claim.within)
    group = f"runs.groupby([{within}]).ngroup()" if within else "pd.Series(0, runs.index)"
    if claim.settings:
        first, second = (repr(s) if isinstance(s, str) else f"{s:g}" for s in claim.settings)
        chosen = f'runs = runs[runs["{claim.by}"].isin([{first}, {second}])]'
        label, value = f'(runs["{claim.by}"] == {second}).astype(float)', f'np.log(runs["{claim.quantity}"])'
    else:
        chosen = f'runs = runs.dropna(subset=["{claim.by}"])'
        label, value = (f'runs["{name}"].groupby(group).rank()' for name in (claim.by, claim.quantity))
    yield (
        "code",
        f"""\
if stage.may_look("{claim.id}"):
    runs = stage.claim_runs("{claim.id}").table()
    runs = runs[(runs["status"] == "counted") & (runs["set_aside"] == "")]
    {chosen}
    group = {group}  # only runs of one group are compared
    label, value = {label}, {value}
    a = (label - label.groupby(group).transform("mean")).to_numpy(copy=True)
    y = (value - value.groupby(group).transform("mean")).to_numpy()
    places = [np.flatnonzero(group == one) for one in group.unique()]
    measured = a @ y / (a @ a)""",
    )
    yield (
        "code",
        f"""\
if stage.may_look("{claim.id}"):
    chance, worlds = np.random.default_rng(1), np.empty(5_000)
    for i in range(len(worlds)):
        for place in places:
            a[place] = chance.permutation(a[place])
        worlds[i] = a @ y / (a @ a)
    p = np.mean(np.abs(worlds) > np.abs(measured) * (1 - 1e-9))
    page = stage.claim_runs("{claim.id}").verdict().p_value
    print(f"p is {{p:.4f}} by these {{len(worlds)}} worlds, and {{page:.4f}} on the page.")
    assert abs(p - page) < 4 * np.sqrt(page * (1 - page) / len(worlds)) + 0.001""",
    )


# --- when there is something to look into -----------------------------------------------------------------------------


def not_enough(progress: Progress, stage: str, runs: ClaimRuns | None = None) -> str:
    """What the boxes of a stage still lack, in a sentence; empty if they can run. Sealing is none of its business.

    `runs` are those of the claim that a box is about.
    """
    try:
        if runs is None:
            return _not_enough(progress, stage)
        many = "Your two settings have unequal numbers of runs. Then the kit shuffles in another way than this box."
        return many if runs.studentised else ""
    except KitError as error:
        return error.on_page()


def _not_enough(progress: Progress, stage: str) -> str:
    from ..motion.threshold import COUNTED, measure

    counted = progress.counted
    if counted.empty:
        return "No run counts yet."
    if stage == "measure":
        curve, (start, stop) = progress.curves[counted.index[0]], progress.two_periods_s
        for rule in ("whole turns", "interpolated"):
            status = measure([curve], start, stop, rule)["status"].iloc[0]
            if status != COUNTED:
                return f"Your first run can't be counted by the rule {rule}: {status}."
    if stage == "average" and counted[progress.x].value_counts().max() < 2:
        return "An average needs two trials under one condition."
    if stage == "trend":
        if len(counted) < LEAST_TRIALS:
            return f"That takes {LEAST_TRIALS} runs that count. You have {len(counted)}."
        fitted = {trend.model for trend in progress.trends("duration_s") if not trend.at_bound}
        lacking = {"shifted inverse", _other_curve(progress.lesson)} - fitted
        if lacking:
            return f"These runs fit no curve of the kind {' or '.join(sorted(lacking))}. The boxes are about those two."
    if stage == "explain":
        progress.reference_drags()
    return ""
