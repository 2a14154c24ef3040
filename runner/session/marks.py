"""Where things stand in a session file, so that every later stage can point at a line."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from runner.errors import Problem, Severity
from runner.session.yaml_tree import Node, Path

_PLAIN_KEY = re.compile(r"[\w-]+(?: [\w-]+)*\Z")
_SEEN_LIMIT = 60


def path_text(path: Sequence[str | int]) -> str:
    """Return a path in the document's own terms, such as ``songs[2].cues[0].at``."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]"
        else:
            key = step if _PLAIN_KEY.match(step) else f'"{shorten(step, 40)}"'
            text += f".{key}" if text else key
    return text


def shorten(text: str, limit: int = _SEEN_LIMIT) -> str:
    """Return the text on one line of `limit` characters at most."""
    line = " ".join(text[: 4 * limit].split())
    return line if len(line) <= limit and len(text) <= 4 * limit else line[: limit - 1] + "…"


@dataclass(frozen=True, slots=True)
class Marks:
    """The places of all values of one session file."""

    root: Node
    file: str = "session"

    def node(self, path: Sequence[str | int]) -> Node | None:
        """Return the value at a path, or None if the file has none there."""
        node: Node | None = self.root
        for step in path:
            node = node.child(step) if node is not None else None
        return node

    def place(self, path: Sequence[str | int], *, key: bool = False) -> tuple[int, int]:
        """Return line and column of a value, or of the nearest thing around it that the file does hold.

        With `key`, the place of the key is given instead of the place of its value.
        """
        node, line, column = self.root, self.root.line, self.root.column
        for index, step in enumerate(path):
            child = node.child(step)
            if child is None:
                break
            line, column = child.line, child.column
            if key and index == len(path) - 1:
                line, column = node.keys.get(str(step), (line, column))
            node = child
        return line, column

    def seen(self, path: Sequence[str | int]) -> str:
        """Return the value at a path as it was written, shortened; empty if there is none."""
        node = self.node(path)
        return shorten(node.text) if node is not None else ""

    def problem(
        self,
        path: Path,
        message: str,
        seen: str = "",
        hint: str = "",
        severity: Severity = "error",
        *,
        key: bool = False,
    ) -> Problem:
        """Return a problem that points at a path of this file."""
        line, column = self.place(path, key=key)
        return Problem(message, path_text(path), line, column, seen, hint, self.file, severity)
