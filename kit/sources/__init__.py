"""Where runs come from when not from a file: the virtual bench, a gate on a wire, taps.

Modules: setup (what a bench is), bench (its motion), push (one run), demo_data, gate, gate_lines, taps.
"""
