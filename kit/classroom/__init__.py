"""A class's hand-ins read as hostile input, and what they show the teacher.

Modules: handins, overview, tables, statistics, charts, sections, page.
"""

from ..former_names import moved_from

__getattr__ = moved_from("classroom")  # what kit.classroom held while it was one module
