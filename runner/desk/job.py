"""What the keeper tells the desk to do, and what the desk tells the keeper; plain data on pipes."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any, Self


@dataclass(frozen=True, slots=True)
class Job:
    """One run of a session. `song` empty means the whole running order, one song after the other.

    `run` names this run of the daemon; a desk that is started again for the same run goes on where the
    dead one was: `done` is how many takes had been closed by then, `clean` how many of them were clean.
    """

    session_file: str
    run: str
    song: str = ""
    takes: int = 1
    from_moment: str = ""
    pass_name: str = ""
    takes_folder: str = ""
    gap_ns: int = 1_000_000_000
    done: int = 0
    clean: int = 0
    resumed: bool = False

    def to_json(self) -> str:
        """Return the job as one line of JSON."""
        return json.dumps(asdict(self))

    @classmethod
    def from_json(cls, text: str) -> Self:
        """Return the job that `to_json` wrote."""
        return cls(**json.loads(text))


@dataclass(frozen=True, slots=True)
class Report:
    """One line from the desk to the keeper; `kind` says what `data` holds.

    Kinds: `beat` (alive), `ready`, `warning`, `rolling`, `position`, `take` (closed, with its summary's
    head), `error` (with `exit`), `stopped`, `done` (with `exit`).
    """

    kind: str
    data: dict[str, Any]

    def to_line(self) -> bytes:
        """Return the report as one line of JSON."""
        return json.dumps({"kind": self.kind, **self.data}, separators=(",", ":")).encode() + b"\n"

    @classmethod
    def from_line(cls, line: bytes) -> Self:
        """Return the report of a line; a line that is none becomes a warning that shows it."""
        try:
            data = json.loads(line)
            kind = data.pop("kind")
        except (ValueError, KeyError, AttributeError, TypeError):
            return cls("warning", {"text": line.decode(errors="replace").strip()})
        return cls(str(kind), data)
