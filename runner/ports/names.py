"""Finds the port that a session means among those that the system has. Pure."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Literal

from runner.errors import PortError

MOST_NAMED = 6  #: candidates that one error text names

_WAYS = {"in": "input", "out": "output"}


@dataclass(frozen=True, slots=True, order=True)
class SystemPort:
    """One MIDI port of the system as seen from here: ``in`` is one that we can receive from.

    `name` is the system's own, with all it contains; `api` the service: ``alsa`` or ``jack``.
    """

    name: str
    direction: Literal["in", "out"]
    api: str

    @property
    def lasting_name(self) -> str:
        """The name without the numbers that ALSA puts at its end, which change from plug to plug.

        ``Front USB:Front USB MIDI 1 24:0`` becomes ``Front USB:Front USB MIDI 1``.
        """
        return re.sub(r" \d+:\d+$", "", self.name) if self.api == "alsa" else self.name


def matches(pattern: str, port: SystemPort) -> bool:
    """Whether a session's glob means this port.

    ``*`` is any text, ``?`` one character, ``[ab]`` one of several. Upper and lower case count as the
    same: drivers change the case of a name between versions, and two ports that differ in nothing else
    are not met with. A name written out in full, brackets and all, matches too. Numbers at the end of an
    ALSA name may be left out.
    """
    wanted = pattern.casefold()
    names = (port.name.casefold(), port.lasting_name.casefold())
    return any(name == wanted or fnmatchcase(name, wanted) for name in names)


def near_matches(pattern: str, names: Iterable[str]) -> list[str]:
    """Return the names most like a pattern that matched none, best first, `MOST_NAMED` at most."""
    plain = re.sub(r"[*?\[\]]+", " ", pattern).casefold().strip()
    if not plain:
        return []
    scored: list[tuple[float, str]] = []
    for name in sorted(set(names)):
        folded = name.casefold()
        matcher = difflib.SequenceMatcher(None, plain, folded, autojunk=False)
        # the share of what was asked for that is found again; long names are not to be punished for it
        found = sum(block.size for block in matcher.get_matching_blocks() if block.size >= 2) / len(plain)
        scored.append((max(found * 0.9, matcher.ratio(), float(plain in folded)), name))
    scored.sort(key=lambda item: (-item[0], item[1]))
    return [name for score, name in scored if score >= 0.5][:MOST_NAMED]


def match_port(
    port: str, pattern: str, direction: Literal["in", "out"], available: Sequence[SystemPort]
) -> SystemPort:
    """Return the one port of the system that a session's `pattern` means, for one direction.

    Raises:
        PortError: none matches (the text names near ones, or all there are), or several do (it names
            them); `port` is the session's name in it.
    """
    ours = [candidate for candidate in available if candidate.direction == direction]
    found = sorted({candidate for candidate in ours if matches(pattern, candidate)})
    if len(found) == 1:
        return found[0]
    way = _WAYS[direction]
    if not found:
        raise PortError(port, _none_text(pattern, way, [candidate.name for candidate in ours]))
    exact = [
        candidate
        for candidate in found
        if pattern.casefold() in (candidate.name.casefold(), candidate.lasting_name.casefold())
    ]
    if len(exact) == 1:
        return exact[0]
    raise PortError(
        port,
        f"{len(found)} {way}s of the system match {pattern!r}: {_listed([c.name for c in found])}; "
        "write more of the name, so that one is left",
    )


def _none_text(pattern: str, way: str, names: list[str]) -> str:
    text = f"no {way} of the system matches {pattern!r}"
    if not names:
        return f"{text}; the system has no MIDI {way} at all (is the interface plugged in?)"
    near = near_matches(pattern, names)
    return f"{text}; near: {_listed(near)}" if near else f"{text}; there are: {_listed(names)}"


def _listed(names: list[str]) -> str:
    text = ", ".join(repr(name) for name in names[:MOST_NAMED])
    return f"{text} and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else text
