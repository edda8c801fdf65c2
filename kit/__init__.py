"""Guided inquiry on spinning apparatus that coasts to rest: from gate logs to a trend with honest uncertainty.

This page is the table of contents. Importing ``kit`` loads nothing else: each name below fetches its module
when it is first used, so that a command, or a bare Python, need not load what it does not use.
"""

import importlib

__version__ = "0.1.0"

_MODULE_OF = {
    "KitError": "errors",
    # gate logs and runs
    "read_log": "gatelog",
    "read_folder": "gatelog",
    "preview": "gatelog",
    "describe_log": "gatelog",
    "split": "gatelog",
    "Run": "passes",
    "Repair": "passes",
    "find_repairs": "passes",
    "with_repairs": "passes",
    "accept": "passes",
    "refuse": "passes",
    # counting
    "measure": "threshold",
    "common_threshold": "threshold",
    "prepare": "speed",
    "SpeedCurve": "speed",
    # averages and trends
    "average": "trials",
    "compare_methods": "trials",
    "grubbs": "trials",
    "fit_trends": "trend",
    "next_condition": "trend",
    "Trend": "trend",
    "get_model": "trend_models",
    # slowing down
    "DragLaw": "drag",
    "DragFit": "drag_fit",
    "fit_drag": "drag_fit",
    "fit_run": "drag_fit",
    "joint_fit": "explain",
    "ratio_test": "explain",
    "write_report": "report",
    # a lesson
    "analyse": "analysis",
    "load_lesson": "lesson",
    "Lesson": "lesson",
    "Progress": "progress",
    "Workbook": "workbook",
    "write_lesson_data": "bench",
    "read_class": "classroom",
}

__all__ = sorted(_MODULE_OF)


def __getattr__(name):
    if name not in _MODULE_OF:
        raise AttributeError(f"module 'kit' has no attribute {name!r}")
    try:
        return getattr(importlib.import_module("kit." + _MODULE_OF[name]), name)
    except ImportError as error:
        if (error.name or "").partition(".")[0] == "kit":
            raise  # a slip of our own, not something to install
        raise ImportError(
            f"kit.{name} needs a package that can't be loaded here ({error}). What to do: run "
            "`python3 -m kit open` in the project's folder, which installs what is missing, "
            "and use the Python in its folder .venv.",
            name=error.name,
            path=error.path,
        ) from error


def __dir__():
    return sorted({*globals(), *_MODULE_OF})
