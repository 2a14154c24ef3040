"""Entry of the desk process; started by the keeper."""

import gc
import sys

gc.disable()  # what imports make lasts: to look for garbage among it takes a tenth of the time to be ready

from runner.desk.child import main  # noqa: E402

gc.freeze()
gc.enable()
sys.exit(main())
