"""Words and lines can be told from their ground: WCAG 2.2, 1.4.3 (text 4.5:1) and 1.4.11 (graphics 3:1), both themes.

Colours are those that the style sheets declare; those that JupyterLab gives (text, paper) are its own themes' values.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest

import kit
from kit.plots.style import GRID, INK, MUTED, PALETTE, PAPER

KIT = Path(kit.__file__).parent
JUPYTERLAB = {  # its light and its dark theme: paper of a page and of a panel, and text on both
    "light": {"page": "#ffffff", "panel": "#ffffff", "ink": "#212121"},
    "dark": {"page": "#111111", "panel": "#212121", "ink": "#ffffff"},
}
TEXT, GRAPHICS = 4.5, 3.0


def luminance(colour: str) -> float:
    """Relative luminance of a colour such as "#1b2430" (WCAG 2.2, glossary)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def declared(css: str, prefix: str, theme: str) -> dict[str, str]:
    """Colours that a style sheet declares as `--<prefix>name`; the dark theme changes some of the light one's."""
    light, _, dark = css.partition('[data-jp-theme-light="false"]')
    found = {}
    for block in [light, *([dark] if theme == "dark" else [])]:
        for name, value in re.findall(rf"--{prefix}([\w-]+): (#[0-9a-f]{{3,6}})\b", block):
            found[name] = value if len(value) == 7 else "#" + "".join(2 * digit for digit in value[1:])
    return found


def test_known_ratios():
    # WCAG 2.2: black on white is 21:1; #767676 is known as the lightest grey with 4.5:1 on white (from memory)
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


@pytest.mark.parametrize("theme", JUPYTERLAB)
def test_boxes(theme):
    colours = declared((KIT / "widgets" / "parts.css").read_text("utf-8"), "kit-", theme)
    lab = JUPYTERLAB[theme]
    grounds = [lab["page"], lab["panel"]]
    text = [(colours[name], ground) for name in ("muted", "accent", "warm") for ground in grounds]
    text += [(lab["ink"], ground) for ground in (*grounds, colours["glow"])]
    text += [(colours["on-accent"], colours["accent"]), (colours["muted"], colours["glow"])]
    assert {pair: contrast(*pair) for pair in text if contrast(*pair) < TEXT} == {}
    lines = [(colours[name], ground) for name in ("edge", "accent", "warm") for ground in grounds]
    assert {pair: contrast(*pair) for pair in lines if contrast(*pair) < GRAPHICS} == {}


def turned_over(colour: str, share: float, degrees: float) -> str:
    """What CSS's invert(share) hue-rotate(degrees) makes of a colour: W3C, Filter Effects Module Level 1, 9.6.1, 9.6.5
    (the matrix from memory; the browser's test of access looks whether the filter is there)."""
    inverted = [share + (1 - 2 * share) * int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    weights = np.array([0.213, 0.715, 0.072])
    turn = np.array([[-0.213, -0.715, 0.928], [0.143, 0.140, -0.283], [-0.787, 0.715, 0.072]])
    angle = np.radians(degrees)
    matrix = weights + np.cos(angle) * (np.eye(3) - weights) + np.sin(angle) * turn
    return "#" + "".join(f"{round(255 * float(part)):02x}" for part in np.clip(matrix @ inverted, 0, 1))


def on_a_dark_page(style_sheet: Path, colours: Iterable[str]) -> dict[str, str]:
    """What becomes of colours where the sheet turns a light card over."""
    found = re.search(r"invert\((0\.\d+)\) hue-rotate\((\d+)deg\)", style_sheet.read_text("utf-8"))
    assert found
    return {colour: turned_over(colour, float(found[1]), float(found[2])) for colour in colours}


def test_plots_on_a_dark_page():
    look = on_a_dark_page(KIT / "widgets" / "parts.css", [*PALETTE, INK, MUTED, PAPER, GRID])
    words = {colour: contrast(look[colour], look[PAPER]) for colour in (*PALETTE, INK, MUTED)}
    assert {colour: ratio for colour, ratio in words.items() if ratio < TEXT} == {}
    assert contrast(look[PAPER], JUPYTERLAB["dark"]["page"]) < 1.1  # no card: the page goes on
    assert 1.1 < contrast(look[GRID], look[PAPER]) < 1.5  # faint, as on light paper
    assert turned_over("#ffffff", 1, 180) == "#000000" and turned_over("#336699", 0, 0) == "#336699"


def test_the_class_page_is_a_light_card_turned_over_on_a_dark_page():
    colours = declared((KIT / "classroom" / "sections.css").read_text("utf-8"), "", "light")
    for name in ("ink", "muted", "blue", "warm", "green"):
        assert contrast(colours[name], colours["paper"]) >= TEXT, name
    assert contrast(colours["ink"], colours["stay"]) >= TEXT
    for name in ("surest", "sure"):  # the bands; the third is striped, and every band has an edge
        assert contrast(colours[name], colours["paper"]) >= GRAPHICS, name
    look = on_a_dark_page(KIT / "classroom" / "sections.css", colours.values())
    for name in ("ink", "muted", "blue", "warm", "green"):
        assert contrast(look[colours[name]], look[colours["paper"]]) >= TEXT, name
    for name in ("surest", "sure"):
        assert contrast(look[colours[name]], look[colours["paper"]]) >= GRAPHICS, name
