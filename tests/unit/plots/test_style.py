"""One style for all plots, which does not depend on seeing colours."""

import numpy as np
import pandas as pd
import plotly.io as pio
import pytest

from kit.plots.style import CONFIG, DASHES, MUTED, PALETTE, PAPER, SYMBOLS, new_figure, places, series, side_by_side


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2)."""
    part = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    linear = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize("colour", [*PALETTE, MUTED])
def test_a_label_may_wear_its_lines_colour(colour):
    assert (luminance(PAPER) + 0.05) / (luminance(colour) + 0.05) >= 4.5


def test_series_differ_in_colour_and_dash_and_symbol():
    assert len(set(PALETTE)) == len(set(DASHES)) == len(set(SYMBOLS)) == 8
    looks = [tuple(series(i).values()) for i in range(56)]
    assert len(set(looks)) == 56  # a second round of colours wears other dashes


def test_a_figure_takes_the_template_and_changes_nothing_global():
    before = pio.templates.default, list(pio.templates)
    figure = new_figure("Magnets", "Duration (s)")
    assert figure.layout.template.layout.meta == {"template": "kit"}
    assert figure.layout.template.layout.font.size >= 14
    assert (figure.layout.xaxis.title.text, figure.layout.yaxis.title.text) == ("Magnets", "Duration (s)")
    assert (pio.templates.default, list(pio.templates)) == before
    assert len(figure.to_json()) < 5_000  # plotly's own template alone takes more


def test_nothing_offers_to_upload():
    assert CONFIG["displaylogo"] is False
    assert CONFIG["plotlyServerURL"] == ""
    assert "sendChartToCloud" in CONFIG["modeBarButtonsToRemove"]


def test_numbers_stand_at_their_value_and_words_side_by_side():
    place, axis, gap = places(pd.Series([4.0, 1.0, 1.5, 1.0]))
    assert place == {1.0: 1.0, 1.5: 1.5, 4.0: 4.0} and gap == 0.5
    assert axis["ticktext"] == ["1", "1.5", "4"] and axis["range"][0] < 1 and axis["range"][1] > 4
    assert places(pd.Series(["wool", "oak"]))[0] == {"oak": 0.0, "wool": 1.0}
    assert "tickvals" not in places(pd.Series(np.arange(16.0)))[1]


def test_dots_of_one_condition_stand_beside_each_other():
    shifts = side_by_side(pd.DataFrame({"x": [1, 1, 1, 2]}), "x", 0.5)
    assert len(set(shifts[:3])) == 3 and np.abs(shifts).max() < 0.25
    assert shifts[3] == shifts[1]  # a single dot stands where the middle one of three does
