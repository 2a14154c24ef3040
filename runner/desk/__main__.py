"""Entry of the desk process; started by the keeper."""

import sys

from runner.desk.child import main

sys.exit(main())
