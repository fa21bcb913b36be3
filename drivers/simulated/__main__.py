"""`python -m drivers.simulated`: see `process.py`."""

import sys

from drivers.simulated.process import main

if __name__ == "__main__":
    sys.exit(main())
