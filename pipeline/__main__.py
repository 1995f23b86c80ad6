"""`python -m pipeline` is the same command as `icelogs`."""

import sys

from pipeline.cli import main

if __name__ == "__main__":
    sys.exit(main())
