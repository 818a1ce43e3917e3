"""`python -m specmatch`: the command line without a script on the path."""

import sys

from specmatch.cli import main

if __name__ == "__main__":
    sys.exit(main())
