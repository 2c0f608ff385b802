"""`python -m cleanside.ingest`: the same as the command `cleanside-ingest`."""

import sys

from cleanside.ingest.cli import main

if __name__ == "__main__":
    sys.exit(main())
