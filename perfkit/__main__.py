"""Run perfkit as a module: ``python -m perfkit``."""

import sys

from perfkit.cli import main

sys.exit(main())
