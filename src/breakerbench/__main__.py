"""``python -m breakerbench``: the command line."""

import sys

from breakerbench.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
