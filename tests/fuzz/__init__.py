"""Broken, hostile and odd files by the hundred thousand: the kit refuses each in words, or reads it soundly.

    python3 -m kit test --fuzz [--count N]

A case is a file mutated from a corpus (`seeds`, `mutate`) or written by rules (`written`), given to what reads it
(`kinds`). Allowed are a `KitError` and a result that keeps its promises; everything else is a failure: another
exception, a warning, more than 2 s of processor time, more than 500 MB. Each kind runs in a process of its own, which
cannot get more memory than that (`worker`). A seeded share runs with the unit tests.
"""
