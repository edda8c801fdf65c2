"""Charts of a class: well-formed, described, and nothing outside their frame."""

import xml.etree.ElementTree as ET

import numpy as np
import pandas as pd

from kit.classroom.charts import confidence_chart, letter, moves_chart, pooled_chart, reference_chart
from kit.classroom.overview import read_class
from kit.classroom.tables import confidence_table, moves, pooled_data, pooled_means, reference_table
from kit.launcher import PROJECT

DEMO = read_class(PROJECT / "datasets_demo" / "class_handins", PROJECT / "datasets_demo" / "coasting_disc")


def charts():
    means = pooled_means(DEMO)
    counts = moves(DEMO, "two-magnets").counts
    yield moves_chart(counts, [str(choice) for choice in counts.index])
    yield confidence_chart(confidence_table(DEMO), ["very sure", "fairly sure", "not sure"])
    yield pooled_chart(means, pooled_data(DEMO), "number of magnets", "Coasting time (s)")
    yield reference_chart(reference_table(DEMO))


def test_charts_are_well_formed_described_and_inside_their_frame():
    for chart in charts():
        root = ET.fromstring(chart)
        width, height = map(float, root.get("viewBox").split()[2:])
        assert root.get("role") == "img" and len(root.get("aria-label")) > 30
        for node in root.iter():
            for name, limit in (
                ("x", width),
                ("cx", width),
                ("x1", width),
                ("y", height),
                ("cy", height),
                ("y2", height),
            ):
                assert 0 <= float(node.get(name, 0)) <= limit, (node.tag, name)


def test_ribbons_carry_every_mover_and_every_stayer():
    table = pd.DataFrame([[4, 2, 0], [0, 3, 1], [0, 0, 0]], index=list("abc"), columns=list("abc"))
    root = ET.fromstring(moves_chart(table, ["<first>", "second", "third"]))
    ribbons = [node for node in root.iter() if node.tag.endswith("path")]
    assert len(ribbons) == 4
    words = [node.text for node in root.iter() if node.tag.endswith("text")]
    assert [w for w in words if w[1:2] == ":"] == ["A: 6", "A: 4", "B: 4", "B: 5", "C: 0", "C: 1"]
    assert "<first>" in words


def test_charts_stand_odd_classes():
    one = pd.DataFrame({"x": [-3.0], "mean": [1e-6], "usual": [True]})
    assert ET.fromstring(pooled_chart(one, pd.DataFrame({"x": [-3.0], "median": [1e-6]}), "x", "y")) is not None
    wide = pd.DataFrame({"x": [0.0, 1e6], "mean": [1e-300, 1e6], "usual": [True, False]})
    medians = pd.DataFrame({"x": [0.0, 1e6], "median": [1e-300, 1e6]})
    assert len(pooled_chart(wide, medians, "x", "y")) < 20_000
    same = pd.DataFrame(
        {"group": ["a", "b"], "mean": [2.0, 2.0], "u": [np.nan] * 2, "percent": [0.0, 0.0], "usual": [True] * 2}
    )
    assert ET.fromstring(reference_chart(same)) is not None
    assert [letter(0), letter(25), letter(26)] == ["A", "Z", "27"]
