"""A lesson: its file and key, the notebooks made from it, checks, and a group's way through it.

Modules: lesson, keys, make, cells, notebooks, check, check_data, draft, progress, claim_runs.
"""
