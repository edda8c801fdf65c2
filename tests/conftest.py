"""Settings all tests share, and their order: fast and near the code first, notebooks later, the browser last.

Where several workers run the whole suite, `tests/whole_suite.py` has another: what takes longest begins first.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import settings

# no deadline: a shared machine may be slow at any moment, and no test here is about time
settings.register_profile("kit", deadline=None, max_examples=60, derandomize=True)
settings.load_profile("kit")


def _stage(item: pytest.Item) -> int:
    if item.get_closest_marker("browser") or "browser" in Path(item.path).parts:
        return 3
    if item.path.suffix == ".ipynb":
        return 2
    return 1 if item.get_closest_marker("slow") else 0


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=_stage)  # a stable sort: within a stage the usual order stays
