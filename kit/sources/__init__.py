"""Where runs come from when not from a file: the virtual bench, a gate on a wire, taps.

Modules: bench, push, demo_data, gate, gate_lines, taps.
"""
