"""Names that moved in version 0.2.0 or since: what a lesson made before still finds, with a warning, until 0.3.0.

Everything a notebook needs is a name of `kit` or `kit.widgets`. Before, notebooks and lessons also imported from inner
modules; those now lie in rooms. A former module is made up when somebody asks for it, and only then.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Callable, Sequence
from importlib import import_module
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec
from importlib.util import spec_from_loader
from types import ModuleType

__all__ = ["install", "moved_from"]

# Former module: where its names are now.
_MOVED = {
    "passes": "logs.run",
    "oddities": "logs.repairs",
    "textfile": "logs.dialect logs.table logs.units",
    "dialect": "logs.dialect logs.table logs.units",
    "logcolumns": "logs.columns",
    "logforms": "logs.forms",
    "gatelog": "logs.log logs.folder logs.run",
    "logreaders": "logs.log",
    "runfolder": "logs.folder",
    "speed": "motion.speed",
    "threshold": "motion.threshold",
    "miscounts": "motion.miscounts",
    "drag": "motion.drag",
    "drag_fit": "motion.drag_fit motion.drag",
    "drag_solver": "motion.drag_fit motion.drag",
    "drag_joint": "motion.drag_joint",
    "explain": "motion.explain",
    "slowdown": "motion.explain",
    "trials": "stats.averages",
    "comparison": "stats.averages",
    "trend": "stats.trend stats.verdict stats.trend_models",
    "trend_models": "stats.trend_models",
    "trend_fit": "stats.least_squares",
    "trend_estimate": "stats.trend",
    "trend_result": "stats.trend_result",
    "trend_verdict": "stats.verdict",
    "trend_shape": "stats.shape stats.verdict",
    "claims": "stats.claims",
    "drift": "stats.drift",
    "shuffling": "stats.shuffling",
    "effects": "stats.shuffling stats.averages",
    "planning": "stats.planning",
    "run_sheet": "stats.planning report",
    "sound": "sound.recording",
    "sound_level": "sound.level",
    "sound_spectrum": "sound.level",
    "sound_turns": "sound.with_run",
    "clicks": "sound.clicks",
    "bench": "sources.bench sources.setup sources.demo_data",
    "bench_setup": "sources.setup",
    "bench_push": "sources.push",
    "bench_claims": "sources.demo_data",
    "bench_sound": "sources.demo_data",
    "capture": "sources.gate",
    "capture_ports": "sources.gate",
    "capture_lines": "sources.gate_lines",
    "taps": "sources.taps",
    "entries": "record.entries",
    "strictjson": "record.entries",
    "journal": "record.journal",
    "workbook": "record.workbook",
    "summary": "record.summary",
    "handin": "record.handin",
    "handin_store": "record.handin",
    "hosting": "record.hosting",
    "lesson": "lessons.lesson",
    "lesson_claims": "lessons.lesson",
    "lesson_keys": "lessons.keys",
    "levels": "lessons.keys",
    "lesson_new": "lessons.make",
    "lesson_text": "lessons.make",
    "pages": "lessons.notebooks lessons.cells",
    "teacher_pages": "lessons.notebooks lessons.guide",
    "lesson_check": "lessons.check",
    "lesson_check_data": "lessons.check_data",
    "lesson_draft": "lessons.draft",
    "progress": "lessons.progress record.entries",
    "own_runs": "lessons.progress logs.folder",
    "progress_claims": "lessons.claim_runs",
    "classroom": "classroom.overview record.entries",
    "handin_folder": "classroom.handins",
    "class_tables": "classroom.tables",
    "spreadsheet": "classroom.tables",
    "proportions": "classroom.statistics",
    "change_tests": "classroom.statistics",
    "between_groups": "classroom.statistics",
    "class_charts": "classroom.charts",
    "class_sections": "classroom.sections classroom.overview",
    "class_report": "classroom.page",
    "figure_style": "plots.style",
    "figures": "plots.trials plots.trend_figures plots.style",
    "trials_text": "plots.trials",
    "trend_figures": "plots.trend_figures",
    "trend_text": "plots.trend_text",
    "drag_figures": "plots.drag_figures",
    "drag_text": "plots.drag_text",
    "claim_figures": "plots.investigate",
    "sound_figures": "plots.investigate",
    "plan_figures": "plots.investigate",
    "widgets.plot_view": "widgets.views",
    "widgets.agreement_view": "widgets.views",
    "widgets.collapse_view": "widgets.views",
    "widgets.two_routes": "widgets.views",
    "widgets.lesson_check": "widgets.lesson_form",
    "widgets.lesson_fields": "widgets.lesson_form",
    "widgets.add_files": "widgets.make_runs",
    "widgets.data_sources": "widgets.cards",
    "widgets.trial_planner": "widgets.own_claim",
    "widgets.workbook_file": "widgets.hand_in",
    # since 0.2.0
    "classroom.first_passes": "classroom.handins",
    "classroom.hub": "classroom.desk",
    "classroom.part": "classroom.overview classroom.sections",
    "lessons.cells_question": "lessons.notebooks lessons.paths",
    "lessons.own_cells": "lessons.make",
    "widgets.camera": "widgets.page_link",
    "widgets.microphone": "widgets.page_link",
    "widgets.print_pages": "widgets.for_teacher",
    "widgets.send": "widgets.hand_in",
    "widgets.teacher_key": "widgets.for_teacher",
}
# Former name: what it is called now.
_RENAMED = {"prepare": "speed_curves", "common_threshold": "common_start", "Say": "Status"}


def moved_from(former: str) -> Callable[[str], object]:
    """A module's `__getattr__` that finds the names of a former module, such as "passes", where they are now."""

    def find(name: str) -> object:
        now = _RENAMED.get(name, name)
        if not name.startswith("__"):
            for place in _MOVED[former].split():
                module = import_module(f"kit.{place}")
                if hasattr(module, now):
                    better = f"kit.{now}" if now in sys.modules["kit"].__all__ else f"kit.{place}.{now}"
                    what = f"kit.{former}.{name} has moved and goes in version 0.3.0: use {better}"
                    warnings.warn(what, FutureWarning, stacklevel=2)
                    return getattr(module, now)
        raise AttributeError(f"module 'kit.{former}' has no attribute {name!r}")

    return find


class _FormerModules(MetaPathFinder, Loader):
    """Finds `kit.passes` and its like, after everything that is really there was looked through."""

    def find_spec(self, name: str, path: Sequence[str] | None = None, target: ModuleType | None = None):
        package, _, former = name.partition(".")
        return spec_from_loader(name, self) if package == "kit" and former in _MOVED else None

    def create_module(self, spec: ModuleSpec) -> ModuleType | None:
        return None  # an ordinary one

    def exec_module(self, module: ModuleType) -> None:
        module.__dict__["__getattr__"] = moved_from(module.__name__.partition(".")[2])


def install() -> None:
    """Let former modules be found, once."""
    if not any(isinstance(finder, _FormerModules) for finder in sys.meta_path):
        sys.meta_path.append(_FormerModules())
