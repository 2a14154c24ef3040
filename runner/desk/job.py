"""What the keeper tells the desk to do, and what the desk tells the keeper; plain data on pipes."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Self

_CARRIED_ON = (
    "done",
    "clean",
    "place",
    "standing",
    "order",
    "waiting_for",
    "last",
    "board",
    "series",
    "schedule",
    "engine",
    "muted",
    "realtime",
)


@dataclass(frozen=True, slots=True)
class Job:
    """One run of a session.

    `mode` is "song" (takes of `song`, then exit), "order" (the running order, then exit) or "stay" (wait
    for orders). `rehearsal` is what `Rehearsal.to_dict` gave. `gap_ns` lies between takes where the session
    says nothing. `socket` is the path of the control socket, empty for none.

    `run` names this run of the daemon; a desk that is started again for the same run goes on where the
    dead one was: `done` takes had been closed by then, `clean` of them clean; `place` was up in the order
    (`order` has the rows of its places if it was changed, see `places.rows_of`), `standing` says whether it
    waited for an order, and `waiting_for` for which. `last` is what rolled last: its `song`, how it was
    played (`rehearsal`), and the `folder` of its take. `series` and `schedule` are what was left of a series
    of takes, and which times of the schedule are past; `board` is what there was to see. `engine` is the
    process id of the engine that was last taken note of, 0 for none; `muted` are machines, and `realtime` is
    what that engine said of its priority.
    """

    session_file: str
    run: str
    mode: str = "order"
    song: str = ""
    takes: int = 1
    rehearsal: Mapping[str, Any] = field(default_factory=dict)
    pass_name: str = ""
    takes_folder: str = ""
    gap_ns: int = 1_000_000_000
    socket: str = ""
    socket_group: str = ""
    done: int = 0
    clean: int = 0
    place: int = 0
    standing: bool = False
    order: tuple[Any, ...] = ()
    waiting_for: str = ""
    last: Mapping[str, Any] = field(default_factory=dict)
    board: Mapping[str, Any] = field(default_factory=dict)
    series: Mapping[str, Any] = field(default_factory=dict)
    schedule: Mapping[str, Any] = field(default_factory=dict)
    engine: int = 0
    muted: tuple[str, ...] = ()
    realtime: bool = False
    resumed: bool = False

    def to_json(self) -> str:
        """Return the job as one line of JSON."""
        return json.dumps(asdict(self))

    @classmethod
    def from_json(cls, text: str) -> Self:
        """Return the job that `to_json` wrote."""
        return cls(**_with_tuples(json.loads(text)))

    def carried_on(self, progress: Mapping[str, Any]) -> Self:
        """Return the job as a desk would have to take it up after a report of `progress`."""
        known = {key: progress[key] for key in _CARRIED_ON if key in progress}
        return replace(self, **_with_tuples(known))


def _with_tuples(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return fields of a job as it holds them: JSON knows no tuples."""
    return {key: tuple(value) if isinstance(value, list) else value for key, value in values.items()}


@dataclass(frozen=True, slots=True)
class Report:
    """One line from the desk to the keeper; `kind` says what `data` holds.

    Kinds: `beat` (alive), `session` (the name of the one in force), `up` (its loop goes round and takes
    orders), `ready` (the rig is open), `warning`, `rolling`, `position`, `take` (closed, with its summary's
    head), `tidied` (an old take removed, and why), `standing` (waits for an order), `order` (one that was
    given, and its outcome), `schedule` (what is due next by itself), `progress` (where a desk would have to
    go on), `error` and `done` (with `exit`).
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
