"""Run the command line as `python -m roadlog`."""

import sys

from roadlog.cli import main

sys.exit(main())
