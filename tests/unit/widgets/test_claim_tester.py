"""The claim tester, used as a page uses it: fix a claim, shuffle, ask."""

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.stats.claims import Claim, examine
from kit.widgets import claim_tester
from kit.widgets.claim_tester import ENOUGH, ClaimTester

CLAIM = Claim("Level matters", "duration_s", "level_deg", (0, 3), ("magnets",), order="order")


def runs(effect=True, seed=1):
    rng = np.random.default_rng(seed)
    mean = {(0, 0): 107.7, (0, 3): 90.7, (1, 0): 37.97, (1, 3): 35.5}
    rows = [
        (n, level, trial, mean[n, level if effect else 0] * np.exp(0.02 * rng.standard_normal()))
        for n in (0, 1)
        for level in (0, 3)
        for trial in (1, 2, 3)
    ]
    table = pd.DataFrame(rows, columns=["magnets", "level_deg", "trial", "duration_s"])
    return table.assign(order=np.random.default_rng(7).permutation(len(table)) + 1)


@pytest.fixture
def tester():
    return ClaimTester(CLAIM, runs(), seed=5)


def press(button):
    button._handle_button_msg(None, {"event": "click"}, None)


def test_no_run_shows_before_the_claim_is_put_down(tester):
    assert tester._after.layout.display == "none"
    assert tester._world.figure is None
    press(tester._deal)
    assert tester._say.problem
    assert "First put your claim down" in tester._say.text


def test_a_claim_is_put_down_once(tester):
    tester._expect.set_state({"index": 2})
    tester._matters.set_state({"value": 3.0})
    press(tester._put_down)
    assert (tester.claim.expect, tester.claim.matters) == ("less", 3.0)
    assert "with level 3 ° instead of level 0 °, coasting time is less" in tester._before.children[0].value
    assert "from 3.00 % on" in tester._before.children[0].value
    with pytest.raises(KitError, match="already put down"):
        tester.fix()


def test_worlds_build_up_beside_the_measured_one(tester):
    tester.fix()
    press(tester._deal)
    assert len(tester.worlds) == 1
    assert tester._world.figure.layout.title.text == "A shuffled world"
    tester._many.set_state({"value": 10})
    press(tester._deal)
    assert len(tester.worlds) == 11
    assert "Of 11 shuffled worlds" in tester._say.text
    assert tester._pile.table["worlds"].iloc[0] == 11 and tester._pile.layout.display == ""
    assert len(tester._pile.figure.data[0].x) == 1 + 11  # one step for each world, from 100 % down
    tester._view.value = "measured"
    assert tester._pile.layout.display == "none"
    assert tester._world.figure.layout.title.text == "The measured world"


def test_a_shuffled_world_keeps_every_run_in_its_condition(tester):
    tester.fix()
    tester.shuffle()
    table = tester._world.table
    measured = runs()
    for condition, n in (("0 magnets", 0), ("1 magnet", 1)):
        ours = np.sort(table.loc[table["condition"] == condition].iloc[:, 2])
        assert ours == pytest.approx(np.sort(measured.loc[measured["magnets"] == n, "duration_s"]), abs=1e-3)


def test_the_answer_comes_after_enough_worlds(tester):
    tester.fix(matters=2.0)
    tester.shuffle(ENOUGH - 1)
    assert tester._ask.disabled
    with pytest.raises(KitError, match="First look at 100"):
        tester.ask()
    tester.shuffle()
    assert not tester._ask.disabled
    press(tester._ask)
    assert tester.verdict.grade == "the data support"
    assert tester._answer.text.startswith("The data support this.")
    assert "t′" in tester._table.value


def test_the_pile_agrees_with_the_exact_count(tester):
    tester = ClaimTester(CLAIM, runs(effect=False, seed=3), seed=6)
    tester.fix()
    tester.shuffle(2000)
    (far,) = (line for line in tester._pile.figure.data if line.name == "at least as much as measured")
    assert far.y[0] / 100 == pytest.approx(tester._found.p_value, abs=0.04)
    assert far.x[0] == pytest.approx(abs(100 * np.expm1(tester._found.shuffled.measured)))  # as the sentence says it


def test_a_relation(tester):
    rng = np.random.default_rng(2)
    level = rng.uniform(40, 60, 10)
    table = pd.DataFrame({"level_dB": level, "duration_s": 40 - 0.3 * level + 0.1 * rng.standard_normal(10)})
    tester = ClaimTester(Claim("Louder is shorter", "duration_s", "level_dB"), table, seed=1)
    tester.fix(expect="less")
    tester.shuffle(100)
    assert max(np.abs(tester.worlds)) <= 1
    assert tester.ask().grade == "the data support, if the order did not matter"
    assert "order of the runs is not recorded" in " ".join(tester._not_shown.paragraphs)
    assert "rank correlation" in tester._pile.description


def test_a_table_that_cannot_answer_is_refused_at_once():
    with pytest.raises(KitError, match="no such column"):
        ClaimTester(CLAIM, runs().drop(columns="magnets"))


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (lambda table: table.assign(order=["late", *table["order"][1:]]), "needs a number here"),
        (lambda table: table.assign(duration_s=table["duration_s"] - 50), "above zero"),
        (lambda table: table[table["level_deg"] == 0], "No counted run has this setting"),
        (lambda table: table.assign(magnets=range(len(table))), "no condition in which runs can be compared"),
    ],
)
def test_what_is_not_examined_before_it_is_claimed_is_refused_all_the_same(change, problem, monkeypatch):
    table = change(runs())
    with pytest.raises(KitError, match=problem):
        examine(CLAIM, table)  # as the widget does, later
    monkeypatch.setattr(claim_tester, "examine", lambda *_: pytest.fail("too early"))
    ClaimTester(CLAIM, runs())
    with pytest.raises(KitError, match=problem):
        ClaimTester(CLAIM, table)


def test_text_from_the_table_cannot_become_markup():
    table = runs().assign(magnets="<script>")
    table["level_deg"] = np.tile([0, 3], 6)
    tester = ClaimTester(CLAIM, table, seed=1)
    tester.fix()
    tester.shuffle(100)
    tester.ask()
    assert "<script>" not in tester._table.value
