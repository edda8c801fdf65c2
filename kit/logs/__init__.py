"""Gate logs in, runs out: reading files of many dialects and folders of them, and what is odd in a run.

Modules: run (Run, Repair, split), repairs, inference, viterbi, coasting, dialect, columns, forms, log (read_log),
folder (read_folder, write_folder).
"""
