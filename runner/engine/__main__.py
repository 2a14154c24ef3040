"""Entry of the engine process; started by the keeper."""

import gc
import sys

gc.disable()  # what imports make lasts: to look for garbage among it takes a tenth of the time to be ready

if "--rescue" in sys.argv:
    # notes hang until this process has silenced them: not even its imports may wait behind other work
    from runner.engine.rights import take_rights

    take_rights()

from runner.engine.child import main  # noqa: E402

gc.enable()
sys.exit(main())
