"""`python -m cleanside.simulator`."""

import sys

from cleanside.simulator.cli import main

if __name__ == "__main__":
    sys.exit(main())
