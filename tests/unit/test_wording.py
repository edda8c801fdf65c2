"""Numbers and names as people read them."""

import math
import subprocess
import sys
from decimal import ROUND_HALF_UP, Context, Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit import wording
from kit.errors import KitError
from kit.wording import (
    about,
    as_repeated,
    axis_title,
    case_of,
    count_of,
    evidence,
    evidence_share,
    interval,
    join_words,
    name_of,
    number,
    number_typed,
    percent,
    plus_minus,
    rounded_by,
    times_u,
    unit_of,
)


@pytest.mark.parametrize(
    ("value", "u", "written"),
    [
        (10.7623, 0.0011, "about 10.8 s"),  # a fit's ± of a thousandth does not make its law that good
        (1.8453, 0.0012, "about 1.85 s"),
        (10.7623, 0.1, "10.76 ± 0.10 s"),
        (10.76, float("nan"), "10.76 s"),
        (float("nan"), 0.1, "–"),
    ],
)
def test_a_models_estimate_shows_three_digits_at_the_most_without_an_uncertainty(value, u, written):
    assert about(value, u, "s") == written


def test_a_distance_too_small_to_show_is_not_called_none():
    assert times_u(0.03) == "less than 0.1 standard uncertainties"
    assert times_u(2.14) == "2.1 standard uncertainties"


@pytest.mark.parametrize(
    ("value", "u", "written"),
    [
        (37.966, 0.4188, "37.97 ± 0.42"),
        (5, 0.0996, "5.00 ± 0.10"),  # 0.0996 rounds to 0.10: two digits, not three
        (0.0, 0.01, "0.000 ± 0.010"),
        (-1e-9, 0.1, "0.00 ± 0.10"),  # no "−0.00"
        (1234567, 12345, "1235000 ± 12000"),
        (-2.345, 0.5, "−2.35 ± 0.50"),  # a half is rounded away from zero
        (12.0, 0.0, "12.00"),
        (12.0, math.nan, "12.00"),
        (12.0, math.inf, "12.00"),
        (math.nan, 1.0, "–"),
    ],
)
def test_plus_minus_carries_two_digits_of_the_uncertainty(value, u, written):
    assert plus_minus(value, u) == written
    assert rounded_by(value, u) == written.split(" ±")[0]


def test_plus_minus_takes_the_published_examples():
    # JCGM 100:2008 (GUM) 7.2.2 and 7.2.6: m_S = 100.021 47 g, u = 0.35 mg; 10.057 62 ohm with u = 27 milliohm
    assert plus_minus(100.02147, 0.00035, "g") == "100.02147 ± 0.00035 g"
    assert plus_minus(10.05762, 0.027, "Ω") == "10.058 ± 0.027 Ω"


@pytest.mark.parametrize(
    ("value", "digits", "written"),
    [
        (37.966, 4, "37.97"),
        (9.99996, 4, "10.00"),
        (1234567.0, 4, "1235000"),
        (-0.00123456, 4, "−0.001235"),
        (0.0, 4, "0"),
        (1e-12, 2, "1.0 × 10⁻¹²"),
        (-4.2e22, 2, "−4.2 × 10²²"),
        (math.inf, 4, "–"),
        (np.float64(2.5), 1, "3"),
    ],
)
def test_number(value, digits, written):
    assert number(value, digits) == written


def test_interval_is_rounded_by_half_its_width():
    assert interval(37.141, 38.812, "s") == "37.14 to 38.81 s"
    assert interval(-math.inf, 0.7312) == "no limit to 0.7312"
    assert interval(3.0, 3.0) == "3.000 to 3.000"


def test_percent():
    assert percent(0.0203) == "2.0 %"
    assert percent(0.00004) == "below 0.1 %"
    assert percent(math.nan) == "–"


@pytest.mark.parametrize(
    ("column", "name", "unit", "title"),
    [
        ("duration_s", "coasting time", "s", "Coasting time (s)"),
        ("turns", "turns", "", "Turns"),
        ("magnets", "magnets", "", "Magnets"),
        ("level_deg", "level", "°", "Level (°)"),
        ("gap_mm", "gap", "mm", "Gap (mm)"),
        ("card_vanes", "card vanes", "", "Card vanes"),
        ("s", "s", "", "S"),
    ],
)
def test_columns_name_themselves(column, name, unit, title):
    assert (name_of(column), unit_of(column), axis_title(column)) == (name, unit, title)


def test_cases_and_lists():
    assert [case_of("magnets", n) for n in (1, 3, 2.5)] == ["1 magnet", "3 magnets", "2.5 magnets"]
    assert case_of("level_deg", 2.5) == "level 2.5 °"
    assert case_of("floor", "carpet") == "floor carpet"
    assert case_of("glass", 1) == "1 glass"
    assert join_words(["a", "b", "c"]) == "a, b and c"
    assert [join_words(w) for w in ([], ["a"], ["a", "b"])] == ["", "a", "a and b"]
    assert [count_of(1, "trial"), count_of(3, "trial"), count_of(2, "axis", "axes")] == [
        "one trial",
        "3 trials",
        "2 axes",
    ]


@settings(max_examples=300, deadline=None)
@given(
    value=st.floats(-1e12, 1e12)
    | st.decimals(-9999, 9999, places=4).map(float)  # many ties, such as 0.125 at two places
    | st.sampled_from([0.0, -0.0, 9.5, 0.995, 0.0996, -0.004, 1e22, 5e-7]),
    places=st.integers(-3, 9),
    digits=st.integers(1, 4),
)
def test_rounding_is_that_of_decimal_halves_upwards(value, places, digits):
    exact = Decimal(repr(value))
    rounded = exact.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP, Context(prec=60))
    written = wording._written(value, places).replace("−", "-")
    assert Decimal(written) == rounded
    assert len(written.partition(".")[2]) == max(places, 0)
    assert written.startswith("-") == (rounded < 0)
    if value:
        said = abs(Context(prec=digits, rounding=ROUND_HALF_UP).plus(exact))  # so many digits, as Decimal rounds
        assert wording._places(value, digits) == digits - 1 - said.adjusted()


@settings(max_examples=300, deadline=None)
@given(
    value=st.floats(-1e12, 1e12),
    u=st.floats(1e-9, 1e9),
)
def test_what_is_written_is_within_half_a_last_digit(value, u):
    written, written_u = (part.replace("−", "-") for part in plus_minus(value, u).split(" ± "))
    places = len(written_u.partition(".")[2])
    assert len(written.partition(".")[2]) == places  # both end at the same place
    assert abs(float(written_u) - u) <= 0.0501 * u  # two digits: at most 5 %
    step = float(written_u) / 10  # at least one unit in the last place shown
    assert abs(float(written) - value) <= max(step, 1e-15 * abs(value))
    assert len(written_u.replace(".", "").strip("0")) <= 2


def test_nothing_heavy_is_loaded():
    code = "import sys, kit.wording; print([m for m in ('numpy', 'pandas', 'plotly') if m in sys.modules])"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("text", "value"), [("12.5", 12.5), (" 12,5 ", 12.5), ("-1", -1.0), ("1e-3", 0.001), ("3", 3.0)]
)
def test_a_number_as_people_type_it(text, value):
    assert number_typed(text, "Start") == value


@pytest.mark.parametrize("text", ["", "x", "nan", "inf", "1 2", "1,234.5"])
def test_what_is_typed_but_no_number(text):
    with pytest.raises(KitError, match=r"Start needs a number.*0\.25") as refused:
        number_typed(text, "Start")
    assert refused.value.found == text


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_any_number_typed_with_a_comma_or_a_point_is_read_exactly(value):
    assert number_typed(repr(value), "x") == number_typed(repr(value).replace(".", ","), "x") == value


@pytest.mark.parametrize(
    ("weight", "said", "share"),
    [(1.0, "> 0.99", "> 99 %"), (0.995, "> 0.99", "> 99 %"), (0.987, "0.99", "99 %"), (0.5, "0.50", "50 %"),
     (0.012, "0.01", "1 %"), (0.004, "< 0.01", "< 1 %"), (0.0, "< 0.01", "< 1 %"), (float("nan"), "–", "–")],
)  # fmt: skip
def test_evidence_is_never_all_and_never_none(weight, said, share):
    assert evidence(weight) == said and evidence_share(weight) == share


@pytest.mark.parametrize(
    ("value", "spread", "written"),
    [
        (37.966, 0.42, "38.0"),
        (37.966, 0.13, "37.97"),  # a first digit of 1: one place more, as JCGM 100:2008, 7.2.6, leaves open
        (37.966, 4.2, "38"),
        (1234.5, 42, "1230"),
        (37.966, 0.0, "38.0"),
        (37.966, float("nan"), "38.0"),
        (float("nan"), 1.0, "–"),
    ],
)
def test_a_value_ends_where_its_trials_stop_agreeing(value, spread, written):
    assert as_repeated(value, spread) == written


def test_values_beside_each_other_end_at_the_same_place_where_the_spread_is_about_one():
    assert [as_repeated(value, 0.02 * value) for value in (49.97, 50.8, 51.3)] == ["50.0", "50.8", "51.3"]
