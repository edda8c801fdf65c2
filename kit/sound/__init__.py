"""Recordings: reading them, their level, the clicks of a struck card, and how they go with a run.

Modules: recording, level, clicks, with_run.
"""

from ..former_names import moved_from

__getattr__ = moved_from("sound")  # what kit.sound held while it was one module
