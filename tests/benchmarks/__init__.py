"""How fast and how exact the kit is, beside the obvious general-purpose way and beside a floor.

    python3 -m kit test --benchmarks [--only NAME] [--json FILE]

Every comparison is made in one run, the contestants in turn, so that a machine that slows down slows all of them.
Only the ratios mean anything: the same code differs by a factor of two between runs on a shared machine. One module
an area; each has `ITEMS`, from an item's name to the function that measures it and returns rows of the table.
"""
