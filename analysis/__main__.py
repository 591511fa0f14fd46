"""`python -m analysis` is the program `wattproof`."""

import sys

from analysis.command_line import main

sys.exit(main())
