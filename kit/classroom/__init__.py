"""A class's hand-ins read as hostile input, and what they show the teacher.

Modules: handins, overview, tables, statistics, charts, sections, sketches, page; of the desk: receive, live, desk,
serve; before a lesson: warm_hub.
"""

from ..former_names import moved_from

__getattr__ = moved_from("classroom")  # what kit.classroom held while it was one module
