"""Whether the types hold: mypy with the settings of `pyproject.toml`; here, so that it runs beside other tests."""

from __future__ import annotations

import subprocess
import sys

import pytest

from kit.launcher import PROJECT


@pytest.mark.slow
def test_the_types_hold():
    done = subprocess.run([sys.executable, "-m", "mypy"], cwd=PROJECT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
