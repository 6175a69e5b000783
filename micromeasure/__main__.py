"""Lets ``python -m micromeasure`` do the same as the command."""

import sys

from micromeasure.cli.main import main

sys.exit(main())
