"""Entry of the engine process; started by the keeper."""

import sys

from runner.engine.child import main

sys.exit(main())
