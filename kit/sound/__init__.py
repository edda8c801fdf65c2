"""Recordings: reading them, their level, the clicks of a struck card, and how they go with a run.

Modules: recording, level, clicks, with_run.
"""
