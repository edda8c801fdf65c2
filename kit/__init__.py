"""Guided inquiry on spinning apparatus that coasts to rest: from gate logs to a trend with honest uncertainty.

This page is the table of contents. Importing ``kit`` loads nothing else: each name below fetches its module
when it is first used, so that a command, or a bare Python, need not load what it does not use.
"""

import importlib

from .former_names import install as _install_former_names

__version__ = "0.2.2"

_MODULE_OF = {
    "KitError": "errors",
    # gate logs and runs
    "read_log": "logs.log",
    "read_folder": "logs.folder",
    "preview": "logs.log",
    "describe_log": "logs.log",
    "AmbiguousLog": "errors",
    "passes_from_samples": "logs.sampled",
    "passes_from_speeds": "logs.speeds",
    "passes_from_counts": "logs.speeds",
    "split": "logs.run",
    "Run": "logs.run",
    "Repair": "logs.run",
    "find_repairs": "logs.run",
    "with_repairs": "logs.run",
    "accept": "logs.run",
    "refuse": "logs.run",
    "split_proposal": "logs.run",
    "write_folder": "logs.folder",
    # counting
    "measure": "motion.threshold",
    "common_start": "motion.threshold",
    "common_stop": "motion.threshold",
    "starts_by_eye": "motion.by_eye",
    "speed_curves": "motion.speed",
    "SpeedCurve": "motion.speed",
    "trust": "motion.trust",
    "Trust": "motion.trust",
    # averages and trends
    "Measured": "stats.averages",
    "Region": "stats.trend_models",
    "Pilot": "stats.planning",
    "width_against_minutes": "stats.planning",
    "average": "stats.averages",
    "compare_methods": "stats.averages",
    "grubbs": "stats.averages",
    "compare": "stats.averages",
    "fit_trend": "stats.trend",
    "fit_trends": "stats.trend",
    "bootstrap_band": "stats.trend",
    "verdict": "stats.verdict",
    "same_shape": "stats.shape",
    "log_log_line": "stats.verdict",
    "next_condition": "stats.verdict",
    "Trend": "stats.trend",
    "Model": "stats.trend_models",
    "get_model": "stats.trend_models",
    "Claim": "stats.claims",
    "examine": "stats.claims",
    "run_order": "stats.planning",
    "trials_for": "stats.planning",
    # slowing down
    "DragLaw": "motion.drag",
    "DragFit": "motion.drag_fit",
    "fit_drag": "motion.drag_fit",
    "fit_run": "motion.drag_fit",
    "joint_fit": "motion.drag_joint",
    "ratio_test": "motion.explain",
    "collapse": "motion.explain",
    "write_report": "report",
    "run_sheet_html": "report",
    "print_lesson": "paper",
    # sound
    "read_sound": "sound.recording",
    "find_clicks": "sound.clicks",
    # a gate on a wire
    "LiveGate": "sources.gate",
    "PretendGate": "sources.gate",
    "recover": "sources.gate",
    # a lesson
    "analyse": "lessons.analyse",
    "Analysis": "analysis",
    "sensitivity": "analysis",
    "load_lesson": "lessons.lesson",
    "Lesson": "lessons.lesson",
    "Progress": "lessons.progress",
    "Workbook": "record.workbook",
    "new_lesson": "lessons.make",
    "check_lesson": "lessons.check",
    "write_lesson_data": "sources.demo_data",
    "setup_drawing": "lessons.build_it",
    "gate_drawing": "lessons.build_it",
    "Drawing": "lessons.build_it",
    "bench_described": "sources.described",
    "bench_fitted": "sources.described",
    # a class
    "read_class": "classroom.overview",
    "write_class_report": "classroom.page",
    "write_class_csv": "classroom.tables",
}

__all__ = sorted(_MODULE_OF)

_install_former_names()


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
    return ["__version__", *__all__]
