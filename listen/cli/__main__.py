"""``python -m listen.cli``."""

import sys

from listen.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
