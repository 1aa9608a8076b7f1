"""``python -m netcorr``: the command line."""

import sys

from netcorr.cli import main

if __name__ == "__main__":
    sys.exit(main())
