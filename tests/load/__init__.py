"""A simulated class on one server: how long a student waits, and how much memory one takes. Run by hand."""
