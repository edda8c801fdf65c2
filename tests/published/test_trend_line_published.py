"""A fitted straight line with its covariance, against the GUM's own example."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.stats.trend import fit_trend

TABLE = Path(__file__).parents[1] / "reference" / "gum_thermometer_line.csv"


def test_calibration_line_of_the_gum():
    # JCGM 100:2008, H.3.3 and H.3.4: y1 −0.1712(29), y2 0.00218(67), r −0.930, s 0.0035, b(30 °C) −0.1494(41)
    data = pd.read_csv(TABLE, comment="#")
    line = fit_trend(data["t_C"] - 20, data["correction_C"], "straight line", errors="absolute")
    offset, slope = line.parameters["A"], line.parameters["B"]
    assert (offset.value, offset.u) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (slope.value, slope.u) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    correlation = line.covariance[0, 1] / np.sqrt(line.covariance[0, 0] * line.covariance[1, 1])
    assert correlation == pytest.approx(-0.930, abs=5e-4)
    assert line.scatter == pytest.approx(0.0035, abs=5e-5)
    assert line.dof == 9
    at_30 = line.predict(10.0)
    assert (at_30.value, at_30.u) == pytest.approx((-0.1494, 0.0041), abs=5e-5)
