"""`python -m dossier` is the command `dossier`."""

import sys

from dossier.cli import main

if __name__ == "__main__":
    sys.exit(main())
