"""Gate logs in, runs out: reading files of many dialects and folders of them, and what is odd in a run.

Modules: run (Run, Repair), repairs, dialect, columns, forms, log (one file), folder (many, with their list).
"""
