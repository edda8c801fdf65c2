"""``python3 -m kit``. Written so that any Python 3 can read it: an old one is to be told so, in words."""

import sys

if sys.version_info < (3, 11):  # noqa: UP036 (a bare interpreter is not held back by pyproject.toml)
    sys.exit(
        "The kit needs Python 3.11 or newer; this one is {}.{}.\n"
        "What to do: install a newer Python from python.org or your system's packages. "
        "Then run the same command with it (for example: python3.12 -m kit open).".format(*sys.version_info[:2])
    )

from .commands import main

if __name__ == "__main__":
    sys.exit(main())
