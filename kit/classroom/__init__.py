"""A class's hand-ins read as hostile input, and what they show the teacher.

Modules: handins, overview, tables, statistics, charts, sections, page.
"""
