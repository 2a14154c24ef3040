"""What is left of a session when its refused values are set aside, so that the rest can still be checked.

A refused cue or part goes; a refused port, machine or song is replaced by one that stands for its name
only, and what cannot be judged without the refused value is remembered, so that nothing is reported
twice and nothing is reported that is only a consequence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from runner.session.yaml_tree import Path, Plain

_SONG_LISTS = ("tempo-changes", "meter-changes", "parts", "cues")
_TIMES = (
    "tempo",
    "meter",
    "length",
    "lead",
    "pre-roll",
    "tail",
    "sections",
    "tempo-changes",
    "meter-changes",
)
_LISTS = ("order", "controls", "schedule", "lamps")
_STAND_IN_PORT = "(a port that could not be read)"


@dataclass(slots=True)
class Remainder:
    """What is unknown of a session from which values were set aside; nothing, for a whole session."""

    ports: set[str] = field(default_factory=set)
    machines: set[str] = field(default_factory=set)
    songs: set[int] = field(default_factory=set)  #: their times are unknown
    all_ports: bool = False
    all_machines: bool = False
    all_songs: bool = False  #: not every song's name is known
    gone: dict[Path, set[int]] = field(default_factory=dict)  #: list items taken out, by list

    def index(self, path: Path, index: int) -> int:
        """Return where an item of a list stood in the file."""
        for gone in sorted(self.gone.get(path, ())):
            if gone <= index:
                index += 1
        return index


def set_aside(plain: Plain, refused: Sequence[Path]) -> tuple[dict[str, Any], Remainder]:
    """Return the session's values without the refused ones; `plain` is changed and given back."""
    assert isinstance(plain, dict)
    rest = Remainder()
    for path in refused:
        _one(plain, path, rest)
    for path, gone in rest.gone.items():
        items = _at(plain, path)
        if isinstance(items, list):
            items[:] = [item for index, item in enumerate(items) if index not in gone]
    _stand_ins(plain, rest)
    return plain, rest


def _one(plain: dict[str, Any], path: Path, rest: Remainder) -> None:
    head = path[0] if path else ""
    if head in ("ports", "machines") and len(path) > 1:
        name = str(path[1])
        (rest.ports if head == "ports" else rest.machines).add(name)
    elif head == "songs" and len(path) > 1 and isinstance(path[1], int):
        _song(plain, path, path[1], rest)
    elif head in _LISTS and len(path) > 1 and isinstance(path[1], int):
        rest.gone.setdefault((head,), set()).add(path[1])
    else:
        plain.pop(str(head), None)
        rest.all_ports |= head == "ports"
        rest.all_machines |= head == "machines"


def _song(plain: dict[str, Any], path: Path, index: int, rest: Remainder) -> None:
    song = plain["songs"][index]
    key = path[2] if len(path) > 2 else ""
    if key in _TIMES or not key:
        rest.songs.add(index)
    if key in ("song", ""):
        rest.all_songs = True
    if not isinstance(song, dict) or not key:
        plain["songs"][index] = {}
    elif key in _SONG_LISTS and len(path) > 3 and isinstance(path[3], int):
        rest.gone.setdefault(path[:3], set()).add(path[3])
    elif key == "sections" and len(path) > 3:
        song["sections"][str(path[3])] = 1
    else:
        song.pop(str(key), None)


def _stand_ins(plain: dict[str, Any], rest: Remainder) -> None:
    """Put something harmless where a value must stand."""
    plain["session"] = plain.get("session", "unknown")
    plain["format"] = plain.get("format", 1)
    ports = plain.setdefault("ports", {_STAND_IN_PORT: {}})
    if rest.all_ports:
        rest.ports.add(_STAND_IN_PORT)
    for name in rest.ports:
        ports[name] = {"simulate": "synthesizer"}
    for name in rest.machines:
        old = plain["machines"].get(name)
        port = old.get("port") if isinstance(old, dict) else None
        known = isinstance(port, str) and port.strip()
        plain["machines"][name] = {"port": port if known else next(iter(ports))}
    if not plain.get("songs"):
        plain["songs"] = [{}]
        rest.all_songs = True
        rest.songs.add(0)
    for index, song in enumerate(plain["songs"]):
        if "song" not in song:
            song["song"] = f"(song {index + 1})"
        if "tempo" not in song or "length" not in song:
            rest.songs.add(index)
        song.setdefault("tempo", 120)
        song.setdefault("length", "1 bar")


def _at(plain: Any, path: Path) -> Any:
    for step in path:
        plain = plain[step]
    return plain
