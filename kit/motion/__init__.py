"""How a run slows down: speed at every moment, counting between two turn periods, laws of drag.

Modules: speed (SpeedCurve), threshold (measure), drag (DragLaw), drag_fit, drag_joint,
explain (ratio test, collapse, routes).
"""
