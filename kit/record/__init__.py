"""What a group entered, and that none of it is lost: workbook, hand-in, hosted copies.

Modules: entries, journal, workbook, summary, handin, sending, hosting.
"""
