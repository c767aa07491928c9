"""``python -m analyzer`` is the command line."""

import sys

from analyzer.cli import main

sys.exit(main())
