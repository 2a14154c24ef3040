"""Prints what session files give now, to be looked at before it becomes an `.expected` file."""

from __future__ import annotations

import sys
from pathlib import Path

from runner.errors import SessionError
from runner.session.load import load_session

for name in sys.argv[1:]:
    path = Path(name)
    try:
        found = load_session(path.read_bytes(), path.name).notices
    except SessionError as error:
        found = error.problems
    for problem in found:
        print(problem)
