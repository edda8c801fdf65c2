"""Gate logs in, runs out: reading files of many dialects and folders of them, and what is odd in a run.

Modules: run (Run, Repair), repairs (what is told), inference and viterbi (which pass is what), coasting (push and
disturbances), dialect, columns, forms, log (one file), folder (many, with their list).
"""
