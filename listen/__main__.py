"""``python -m listen``: the command, where its script is not on the path."""

import sys

from listen.cli import main

if __name__ == "__main__":
    sys.exit(main())
