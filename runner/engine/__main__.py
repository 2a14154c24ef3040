"""Entry of the engine process; started by the keeper."""

import sys

if "--rescue" in sys.argv:
    # notes hang until this process has silenced them: not even its imports may wait behind other work
    from runner.engine.rights import take_rights

    take_rights()

from runner.engine.child import main

sys.exit(main())
