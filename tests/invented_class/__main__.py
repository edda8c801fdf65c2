"""Write the invented class; by default where the kit keeps it. Files that differ have to be deleted first."""

import sys

from kit.errors import KitError
from kit.launcher import PROJECT

from . import write_demo_class

folder = sys.argv[1] if len(sys.argv) > 1 else PROJECT / "datasets_demo" / "class_handins"
try:
    paths = write_demo_class(folder)
except KitError as error:
    sys.exit(str(error))
print(f"{len(paths)} hand-ins are in {folder}.")
