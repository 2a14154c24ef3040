"""What is left of a session when its refused values are set aside, so that the rest can still be checked.

A refused value is replaced by one that says nothing, so that the other values of the same cue, part, port
or machine are still judged; a mapping that is refused as a whole keeps only the names that it refers to.
What stands for a refused value is remembered as vague: nothing is ever reported of it, so that nothing is
told twice and nothing is told that is only a consequence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from runner.session.wording import known_keys
from runner.session.yaml_tree import Path, Plain

UNREADABLE = "(unreadable)"  #: stands for a name that could not be read

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
_SONG_LISTS = ("parts", "cues")

#: for each kind of mapping, what stands for the value of a key; a key that is not there is left out instead
_STAND_INS: Mapping[str, Mapping[str, Any]] = {
    "ports": {"match": "*", "create": UNREADABLE, "simulate": "sink"},
    "machines": {"port": UNREADABLE},
    "clock": {"source": "beat-clock", "port": UNREADABLE},
    "cues": {
        "at": "start", "machine": UNREADABLE, "port": UNREADABLE, "channel": 1, "program": 1, "bank": 1,
        "control": 1, "value": 0, "fine": 0, "note": 60, "velocity": 64, "length": "1 beat", "bend": 0,
        "pressure": 0, "song-select": 0, "sysex": "7D", "start": True, "stop": True, "continue": True,
        "record": True, "raw": "F6", "rpn": 0, "nrpn": 0,
    },
    "parts": {"file": UNREADABLE, "machine": UNREADABLE},
    "click": {"machine": UNREADABLE, "channel": 1},
    "order": {"song": UNREADABLE},
    "controls": {"port": UNREADABLE, "when": "start", "do": "roll"},
    "schedule": {"at": "12:00", "every": "1 h", "roll": UNREADABLE, "do": "check"},
    "lamps": {"when": "ready", "port": UNREADABLE, "channel": 1, "on": {"raw": "F6"}, "off": {"raw": "F6"}},
}  # fmt: skip


def _cue(item: dict[str, Any]) -> dict[str, Any]:
    to = next((key for key in ("machine", "port") if key in item), "port")
    return {"at": item.get("at", "start"), to: item.get(to, UNREADABLE), "raw": "F6"}


def _schedule(item: dict[str, Any]) -> dict[str, Any]:
    return {"every": "1 h", **({"roll": item["roll"]} if "roll" in item else {"do": "check"})}


def _clock(item: dict[str, Any]) -> dict[str, Any]:
    return {"source": "beat-clock", "port": item["port"]} if "port" in item else {}


#: for each kind of mapping that is refused as a whole: only the names that it refers to
_REDUCED: Mapping[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
    "ports": lambda item: {"simulate": "sink"},
    "machines": lambda item: {"port": item.get("port", UNREADABLE)},
    "clock": _clock,
    "cues": _cue,
    "parts": lambda item: {"file": UNREADABLE, "machine": item.get("machine", UNREADABLE)},
    "click": lambda item: {"machine": item.get("machine", UNREADABLE), "channel": 1},
    "order": lambda item: {"song": item.get("song", UNREADABLE)},
    "controls": lambda item: {"port": item.get("port", UNREADABLE), "when": "start", "do": "roll"},
    "schedule": _schedule,
    "lamps": lambda item: {
        "when": "ready", "port": item.get("port", UNREADABLE), "on": {"raw": "F6"}
    },
}  # fmt: skip


@dataclass(slots=True)
class Remainder:
    """What is unknown of a session from which values were set aside; nothing, for a whole session."""

    ports: set[str] = field(default_factory=set)
    machines: set[str] = field(default_factory=set)
    songs: dict[int, set[str]] = field(default_factory=dict)  #: by song, what of its times is unknown
    all_ports: bool = False
    all_machines: bool = False
    all_songs: bool = False  #: not every song's name is known
    gone: dict[Path, set[int]] = field(default_factory=dict)  #: list items taken out, by list
    vague: set[Path] = field(default_factory=set)  #: what says nothing: stand-ins, and keys left out
    loose: set[Path] = field(default_factory=set)  #: mappings without a key that nobody knows

    def index(self, path: Path, index: int) -> int:
        """Return where an item of a list stood in the file."""
        for gone in sorted(self.gone.get(path, ())):
            if gone <= index:
                index += 1
        return index

    def is_vague(self, path: Path) -> bool:
        """Return whether a path lies in something that stands for a refused value."""
        return any(path[:length] in self.vague for length in range(1, len(path) + 1))


def set_aside(plain: Plain, refused: Iterable[Path]) -> tuple[dict[str, Any], Remainder]:
    """Return the session's values without the refused ones; `plain` is changed and given back."""
    assert isinstance(plain, dict)
    rest = Remainder()
    for path in refused:
        _one(plain, path, rest)
    _fill(plain, rest)
    return plain, rest


def set_aside_more(plain: dict[str, Any], rest: Remainder, refused: Iterable[Path]) -> None:
    """Set aside what is refused of the rest as well: each mapping as a whole."""
    for path in refused:
        _one(plain, _mapping_at(path) or path, rest)
    _fill(plain, rest)


def _fill(plain: dict[str, Any], rest: Remainder) -> None:
    """Take out refused changes of tempo and meter, and put something where a value must stand."""
    for path in rest.gone:
        items = _at(plain, path)
        if isinstance(items, list):
            items[:] = [item for item in items if item is not None]
    plain["session"] = plain.get("session", "unknown")
    plain["format"] = plain.get("format", 1)
    if not plain.get("ports"):
        plain["ports"] = {UNREADABLE: {"simulate": "sink"}}
    if not plain.get("songs"):
        plain["songs"] = [{}]
        rest.all_songs = True
        rest.songs.setdefault(0, set()).update(_TIMES)
    for index, song in enumerate(plain["songs"]):
        if "song" not in song:
            song["song"] = f"(song {index + 1})"
        for key, value in (("tempo", 120), ("length", "1 bar")):
            if key not in song:
                rest.songs.setdefault(index, set()).add(key)
                song[key] = value


def _mapping_at(path: Path) -> Path:
    """Return the path of the mapping of a kind that has stand-ins around a value; empty if there is none."""
    head = path[0] if path else ""
    if head == "clock":
        return path[:1]
    if head in ("ports", "machines", *_LISTS) and len(path) > 1:
        return path[:2]
    if head == "songs" and len(path) > 3 and path[2] in _SONG_LISTS:
        return path[:4]
    return path[:3] if head == "songs" and len(path) > 2 and path[2] == "click" else ()


def _one(plain: dict[str, Any], path: Path, rest: Remainder) -> None:
    head = path[0] if path else ""
    where = _mapping_at(path)
    if head in ("ports", "machines") and where:
        (rest.ports if head == "ports" else rest.machines).add(str(path[1]))
    if where:
        _mapping(plain, where, path[len(where) :], rest)
    elif head == "songs" and len(path) > 1 and isinstance(path[1], int):
        _song(plain, path, path[1], rest)
    else:
        plain.pop(str(head), None)
        rest.vague.add(path[:1])
        rest.all_ports |= head == "ports"
        rest.all_machines |= head == "machines"


def _mapping(plain: dict[str, Any], where: Path, inside: Path, rest: Remainder) -> None:
    """Set aside one value of a mapping, or with nothing `inside` all of it but the names it refers to."""
    holder = _at(plain, where[:-1])
    step: Any = where[-1]
    kind = str(where[2] if where[0] == "songs" else where[0])
    item = holder[step]
    if not isinstance(item, dict):
        rest.vague.add(where)
        holder[step] = _REDUCED[kind]({})
    elif not inside:
        holder[step] = _REDUCED[kind](item)
        rest.vague.update((*where, key) for key in holder[step] if key not in item)
    else:
        key = str(inside[0])
        rest.vague.add((*where, key))
        if key in _STAND_INS[kind]:
            item[key] = _STAND_INS[kind][key]
        else:
            item.pop(key, None)
            if key not in known_keys(where):
                rest.loose.add(where)


def _song(plain: dict[str, Any], path: Path, index: int, rest: Remainder) -> None:
    song = plain["songs"][index]
    key = path[2] if len(path) > 2 else ""
    if key in _TIMES or not key:
        rest.songs.setdefault(index, set()).update((str(key),) if key else _TIMES)
    if key in ("song", ""):
        rest.all_songs = True
    if not isinstance(song, dict) or not key:
        plain["songs"][index] = {}
    elif key in ("tempo-changes", "meter-changes") and len(path) > 3 and isinstance(path[3], int):
        song[key][path[3]] = None
        rest.gone.setdefault(path[:3], set()).add(path[3])
    elif key == "sections" and len(path) > 3:
        song["sections"].pop(str(path[3]), None)  # what means it has no place, and is not judged
        rest.vague.add(path[:4])
    else:
        song.pop(str(key), None)
        rest.vague.add(path[:3])


def _at(plain: Any, path: Path) -> Any:
    for step in path:
        plain = plain[step]
    return plain
