"""The kit's widgets. Each shows tables that the computing modules make, and chooses; none computes on its own.

A name is loaded on first use, so that listing the widgets costs nothing.
"""

from importlib import import_module

_HOME = {
    "AgreementView": "views",
    "Bench": "bench",
    "Camera": "page_link",
    "ClaimTester": "claim_tester",
    "ClassOverview": "class_overview",
    "ByEye": "by_eye",
    "CollapseView": "views",
    "ExplanationCard": "cards",
    "HandGraph": "hand_graph",
    "HandInBox": "hand_in",
    "LessonCheck": "lesson_form",
    "LessonForm": "lesson_form",
    "LiveGateBox": "live_gate",
    "MakeRuns": "make_runs",
    "Microphone": "page_link",
    "ObservationBox": "cards",
    "OwnCount": "own_count",
    "PlotView": "parts",
    "PrintPages": "for_teacher",
    "PredictedCurve": "predicted_curve",
    "PredictionCard": "cards",
    "SlowdownExplorer": "slowdown_explorer",
    "SoundView": "sound_view",
    "Stage": "stage",
    "TeacherKey": "for_teacher",
    "TapAlong": "tap_along",
    "ThresholdPicker": "threshold_picker",
    "TrendFitter": "trend_fitter",
    "TrialPlanner": "own_claim",
    "TrialTable": "trial_table",
    "TwoRoutes": "views",
}

__all__ = sorted(_HOME)


def __getattr__(name: str):
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f".{_HOME[name]}", __name__), name)


def __dir__() -> list[str]:
    return sorted(__all__)
