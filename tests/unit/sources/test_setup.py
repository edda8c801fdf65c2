"""What a teacher's [bench] table may say, and what is answered where it can't be used."""

import pytest

from kit.errors import KitError
from kit.lessons.lesson import load_lesson
from kit.sources.setup import APPARATUS, Gate, Torque, bench_setup

LESSON = """
schema = "kit-lesson-1"
title = "A wheel"
question = "How long does it coast?"
[changed]
name = "pads"
words = "number of pads"
values = [1, 2, 4]
[thresholds]
start_period_s = 0.4
[sketch_up_to]
duration_s = 30
turns = 60
"""
OWN = {"drag_alone": {"a": 0.06, "b": 0.008}, "drag_each": {"c": 0.002}}


@pytest.mark.parametrize(
    ("name", "drawing"), [("coasting_disc", "disc"), ("felt_brake", "turntable"), ("card_vanes", "vanes")]
)
def test_a_known_apparatus_needs_no_table(name, drawing):
    setup = bench_setup(name)
    assert (setup.apparatus, setup.gate, setup.drawing) == (APPARATUS[name], Gate(), drawing)
    assert setup.whole
    assert setup.fastest_turns_per_s == 6.0


def test_a_lesson_of_another_apparatus_has_no_bench_unless_it_says_so():
    assert bench_setup("yo-yo") is None
    assert bench_setup() is None
    setup = bench_setup("yo-yo", OWN, x="gap_mm", x_words="gap", x_unit="mm", values=(1, 2.5))
    law = setup.apparatus.law(2)
    assert (law.a, law.b, law.c) == pytest.approx((0.06, 0.008, 0.004))
    assert (setup.drawing, setup.x_label, setup.whole) == ("plain", "gap (mm)", False)
    assert setup.apparatus.values == (1.0, 2.5)


def test_the_table_changes_what_it_names_and_nothing_else():
    table = {"scatter": 0.05, "warm_up": 0, "jitter_ms": 2, "bounces": 0.2, "misses": 0, "push_scatter": 0.1,
             "fastest_turns_per_s": 5, "controls": ["tilt"], "drawing": "plain", "dry_hub_factor": 2,
             "faults": ["thread"]}  # fmt: skip
    setup = bench_setup("coasting_disc", table)
    kind = setup.apparatus
    assert (kind.drag_scatter, kind.warm_up, kind.dry_hub_factor, kind.tilt_growth) == (0.05, 0.0, 2.0, 0.5)
    assert (setup.gate.jitter_s, setup.gate.bounces, setup.gate.misses) == (0.002, 0.2, 0.0)
    assert (setup.push_scatter, setup.fastest_turns_per_s, setup.controls, setup.drawing) == (
        0.1,
        5.0,
        ("tilt",),
        "plain",
    )
    assert setup.faults == ("thread",)
    assert bench_setup("coasting_disc", {"faults": []}).faults == ()  # then the page has no choice
    assert (kind.spindle, kind.added) == (APPARATUS["coasting_disc"].spindle, APPARATUS["coasting_disc"].added)
    own = bench_setup("coasting_disc", OWN).apparatus
    assert (own.spindle, own.added) == (Torque(0.06, 0.008), Torque(quadratic=0.002))


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"scater": 0.1}, r"lesson.toml: The bench has no key bench\.scater.*keys it has: drawing, .*scatter"),
        ({"scatter": 2}, r"bench\.scatter can't be used.*Found: 2.*scatter = 0\.02   # from 0 to 0\.3"),
        ({"scatter": True}, r"bench\.scatter can't be used"),
        ({"jitter_ms": "0.2"}, r"bench\.jitter_ms can't be used.*jitter_ms = 0\.2"),
        ({"bounces": float("nan")}, r"bench\.bounces can't be used"),
        ({"drawing": "cube"}, r"bench\.drawing can't be used.*disc, turntable, vanes, wheel, rotor, plain"),
        ({"controls": ["tilt", "brake"]}, r"bench\.controls can't be used.*\['tilt', 'hub'\]"),
        ({"faults": ["gremlins"]}, r"bench\.faults can't be used.*Found: \['gremlins'\].*'hand in push', 'thread'"),
        ({"drag_alone": {"a": 0.1}}, r"bench\.drag_each is missing.*drag_each = \{ a = 0\.06"),
        ({"drag_alone": {"d": 0.1}, "drag_each": {}}, r"bench\.drag_alone can't be used"),
        ({"drag_alone": {"a": -0.1}, "drag_each": {}}, r"bench\.drag_alone can't be used"),
        ({"drag_alone": 3, "drag_each": {}}, r"bench\.drag_alone can't be used.*Found: 3"),
        ({"drag_alone": {}, "drag_each": {}}, r"Found: 'no drag at all'"),
    ],
)
def test_what_cannot_be_used_is_named_with_an_example(table, message):
    with pytest.raises(KitError, match=message):
        bench_setup("coasting_disc", table, file="lesson.toml")


def test_an_unknown_apparatus_with_a_table_needs_its_drag():
    with pytest.raises(KitError, match=r"bench\.drag_alone is missing"):
        bench_setup("yo-yo", {"scatter": 0.1}, x="knots", values=(1, 2))


def test_conditions_below_zero_have_no_bench():
    with pytest.raises(KitError, match="a bench needs conditions ≥ 0"):
        bench_setup("yo-yo", OWN, x="slope", values=(-1, 1))


def test_a_lesson_file_brings_its_bench(tmp_path):
    path = tmp_path / "lesson.toml"
    path.write_text(LESSON, encoding="utf-8")
    assert load_lesson(path).bench is None
    table = '\n[bench]\ndrawing = "turntable"\ndrag_alone = { a = 0.06 }\ndrag_each = { a = 0.5 }\njitter_ms = 1\n'
    path.write_text(LESSON + table, encoding="utf-8")
    bench = load_lesson(path).bench
    assert (bench.apparatus.x, bench.apparatus.values, bench.x_words) == ("pads", (1.0, 2.0, 4.0), "number of pads")
    assert (bench.drawing, bench.gate.jitter_s, bench.apparatus.law(2).a) == ("turntable", 0.001, pytest.approx(1.06))
    path.write_text(LESSON + table.replace("jitter_ms", "jitter"), encoding="utf-8")
    with pytest.raises(KitError, match=r"lesson\.toml: The bench has no key bench\.jitter"):
        load_lesson(path)
