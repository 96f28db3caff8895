"""python -m convergence.cli: the command line where no script is installed."""

import sys

from convergence.cli import main

sys.exit(main())
