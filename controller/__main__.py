"""``python -m controller`` is ``slabtide``."""

import sys

from controller.cli import main

if __name__ == "__main__":
    sys.exit(main())
