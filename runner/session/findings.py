"""The problems found while a session is checked against itself, and the look-up of names."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from runner.errors import Problem, Severity
from runner.session.marks import Marks
from runner.session.model import Session
from runner.session.set_aside import Remainder
from runner.session.wording import near_match
from runner.session.yaml_tree import Path

MAX_FINDINGS = 1_000


@dataclass(slots=True)
class Findings:
    """Collects problems; `rest` says what of the session could not be read and must not be judged."""

    marks: Marks
    rest: Remainder
    problems: list[Problem] = field(default_factory=list)

    def add(
        self, path: Path, message: str, hint: str = "", severity: Severity = "error", *, key: bool = False
    ) -> None:
        """Add a problem at a path of the file, unless what stands there could not be read."""
        if len(self.problems) < MAX_FINDINGS and not self.rest.is_vague(path):
            self.problems.append(
                self.marks.problem(path, message, self.marks.seen(path), hint, severity, key=key)
            )

    def item_path(self, path: Path, index: int) -> Path:
        """Return the path in the file of an item of a list from which refused items were set aside."""
        return (*path, self.rest.index(path, index))

    def machine(self, path: Path, name: str, session: Session) -> bool:
        """Add a problem if there is no such machine; return whether its settings can be relied on."""
        if name not in session.machines:
            if not self.rest.all_machines:
                self.add(path, "no machine of this name", near_match(name, session.machines))
            return False
        return name not in self.rest.machines

    def port(self, path: Path, name: str, session: Session, way: Literal["in", "out"]) -> bool:
        """Add a problem if there is no such port or if it does not go that way; return whether it is fine."""
        if name not in session.ports:
            if not self.rest.all_ports:
                self.add(path, "no port of this name", near_match(name, session.ports))
            return False
        if name in self.rest.ports:
            return False
        direction = session.ports[name].direction
        if direction not in (way, "both"):
            what = "sends" if way == "out" else "receives"
            self.add(path, f"must be a port that {what}, and {name} has direction: {direction}")
            return False
        return True

    def song(self, path: Path, name: str, session: Session) -> None:
        """Add a problem if there is no such song."""
        if not self.rest.all_songs and session.song_named(name) is None:
            self.add(path, "no song of this name", near_match(name, [song.song for song in session.songs]))
