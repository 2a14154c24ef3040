"""YAML text to a plain tree that remembers where each value was written.

Sessions are read with the YAML 1.2 core schema (YAML 1.2.2, chapter 10.3), on PyYAML's event parser:
`on`, `no`, `17:3`, `1_000` and dates stay text. Of YAML only what a session needs is let through: one
document, no tags, no merge keys, no repeated keys. Size, depth and the number of values are bounded,
and what an alias stands for counts each time it is used, so that a small file cannot fill the memory.

Nothing is built by PyYAML's constructors: the events are read here, one at a time, so that a hostile
file is refused at the first value too many and not after the whole of it has been built.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from runner.errors import Problem
from runner.session.yaml_scalars import SYNTAX, Scalar, resolve

MAX_BYTES = 1 << 20
MAX_DEPTH = 32
MAX_VALUES = 50_000  #: values in a file, aliases counted as often as they are used

_Loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\ud800-\udfff\ufffe\uffff]")

Path = tuple[str | int, ...]
Plain = Scalar | list[Any] | dict[str, Any]

_PROPERTY = re.compile(r"\A(?:[&!]\S*\s+)+")  #: an anchor or tag in front of a value


@dataclass(slots=True, eq=False)
class Node:
    """One value of the file; `line` and `column` count from 1, `text` is the value as it was written."""

    line: int
    column: int
    text: str
    scalar: Scalar = None
    items: list[Node] | None = None
    entries: dict[str, Node] | None = None
    keys: dict[str, tuple[int, int]] = field(default_factory=dict)  #: where each key was written
    size: int = 1  #: values in it, itself included
    height: int = 1

    def plain(self) -> Plain:
        """Return the value as dicts, lists and scalars."""
        if self.entries is not None:
            return {key: node.plain() for key, node in self.entries.items()}
        if self.items is not None:
            return [node.plain() for node in self.items]
        return self.scalar

    def grow(self, child: Node) -> None:
        """Count a child's values and height into this one's."""
        self.size += child.size
        self.height = max(self.height, child.height + 1)

    def child(self, step: str | int) -> Node | None:
        """Return the value at one step of a path, or None."""
        if self.entries is not None:
            return self.entries.get(str(step))
        if self.items is not None and isinstance(step, int) and 0 <= step < len(self.items):
            return self.items[step]
        return None


@dataclass(slots=True)
class Tree:
    """A file as read: `root` is None when nothing could be read; `problems` lists all that was wrong."""

    root: Node | None
    problems: list[Problem]


class _UnreadableError(Exception):
    """Reading cannot go on; carries the problem."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(problem.message)


def decode(data: bytes, file: str = "session") -> tuple[str, list[Problem]]:
    """Return the text of a file's bytes (UTF-8, with or without a byte order mark) and what is wrong."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "", [Problem("the file is UTF-16", line=1, column=1, hint="save it as UTF-8", file=file)]
    try:
        return data.decode("utf-8-sig"), []
    except UnicodeDecodeError as error:
        before = data[: error.start]
        line = before.count(b"\n") + 1
        column = len(before[before.rfind(b"\n") + 1 :].decode("utf-8", "replace")) + 1
        seen = f"byte {data[error.start]:02X}"
        return "", [Problem("not UTF-8 text", "", line, column, seen, "save the file as UTF-8", file)]


def read_tree(text: str, file: str = "session") -> Tree:
    """Read YAML text into a tree; never raises for anything that the text holds."""
    reader = _Reader(text.removeprefix("\ufeff"), file)
    try:
        root = reader.document()
    except _UnreadableError as fatal:
        return Tree(None, [*reader.problems, fatal.problem])
    return Tree(root, reader.problems)


class _Reader:
    """Reads the events of one document; only lives for the time of one `read_tree`."""

    def __init__(self, text: str, file: str) -> None:
        self.text = text
        self.file = file
        self.problems: list[Problem] = []
        self.anchors: dict[str, Node | None] = {}
        self.values = 0
        self.line_starts = [0, *(match.end() for match in re.finditer(r"\n|\r\n?", text))]

    # -- places ---------------------------------------------------------------------------------------

    def place(self, index: int) -> tuple[int, int]:
        line = bisect_right(self.line_starts, index)
        return line, index - self.line_starts[line - 1] + 1

    def problem(self, index: int, message: str, seen: str = "", hint: str = "") -> Problem:
        line, column = self.place(index)
        return Problem(message, "", line, column, seen, hint, self.file)

    def fatal(self, index: int, message: str, seen: str = "", hint: str = "") -> _UnreadableError:
        return _UnreadableError(self.problem(index, message, seen, hint))

    # -- the document ---------------------------------------------------------------------------------

    def document(self) -> Node | None:
        if len(self.text) > MAX_BYTES or len(self.text.encode("utf-8", "replace")) > MAX_BYTES:
            raise self.fatal(0, f"the file is larger than {MAX_BYTES // 1024} KiB")
        found = _FORBIDDEN.search(self.text)
        if found:
            name = "a NUL byte" if found[0] == "\0" else f"the control character U+{ord(found[0]):04X}"
            raise self.fatal(found.start(), f"{name} does not belong into a session file", "", "remove it")
        root: Node | None = None
        events = self.events()
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent):
                if root is not None:
                    index = event.start_mark.index  # type: ignore[union-attr]
                    raise self.fatal(index, "a second YAML document", "---", "one session to a file")
                root = self.value(next(events), events, 1)
        return root

    def events(self) -> Iterator[Any]:
        loader = _Loader(self.text)
        try:
            while loader.check_event():
                yield loader.get_event()
        except yaml.MarkedYAMLError as error:
            raise self.syntax(error) from None
        except (yaml.YAMLError, ValueError, RecursionError) as error:
            raise self.fatal(0, f"this is not YAML: {' '.join(str(error).split())[:120]}") from None
        finally:
            loader.dispose()

    def syntax(self, error: yaml.MarkedYAMLError) -> _UnreadableError:
        mark = error.problem_mark or error.context_mark
        index = min(mark.index, len(self.text)) if mark is not None else 0
        line = self.place(index)[0]
        before = self.text[self.line_starts[line - 1] : index + 1]
        if "\t" in before and not before.strip():
            return self.fatal(index, "a tab in the indentation", "", "YAML is indented with spaces only")
        message, hint = SYNTAX.get(error.problem or "", (error.problem or "cannot be read", ""))
        opened = ""
        if error.context_mark is not None and error.context_mark.index < index:
            start = error.context_mark.index
            if self.text[start] in "{['\"":  # what has to be closed
                hint = f"{hint or 'close it'}: the {self.text[start]} is in line {self.place(start)[0]}"
            else:
                opened = f", in what begins at line {self.place(start)[0]}"
        rest = self.text[index : index + 40].splitlines()
        seen = rest[0].strip() if rest else ""
        if seen.startswith(":") and "missing" in message:  # a colon says little without the key before it
            seen = self.text[self.line_starts[line - 1] : index + 40].splitlines()[0].strip()
        return self.fatal(index, f"not valid YAML: {message}{opened}", _short(seen), hint)

    # -- values ---------------------------------------------------------------------------------------

    def value(self, event: Any, events: Iterator[Any], depth: int) -> Node:
        index = event.start_mark.index
        if isinstance(event, yaml.AliasEvent):
            return self.alias(event, depth)
        self.count(1, index)
        if depth > MAX_DEPTH:
            raise self.fatal(index, f"values are nested more than {MAX_DEPTH} deep")
        if event.tag is not None and not (event.tag == "!" and isinstance(event, yaml.ScalarEvent)):
            self.problems.append(
                self.problem(
                    index,
                    "YAML tags are not used in sessions",
                    event.tag.replace("tag:yaml.org,2002:", "!!"),
                    "remove it",
                )
            )
        if event.anchor is not None:
            self.anchors[event.anchor] = None  # until it is complete, it cannot be referred to
        line, column = self.place(index)
        node = Node(line, column, "")
        if isinstance(event, yaml.ScalarEvent):
            self.scalar(node, event)
        elif isinstance(event, yaml.SequenceStartEvent):
            node.text = "a list"
            self.sequence(node, events, depth)
        else:
            node.text = "a mapping"
            self.mapping(node, events, depth)
        if event.anchor is not None:
            self.anchors[event.anchor] = node
        return node

    def count(self, values: int, index: int) -> None:
        self.values += values
        if self.values > MAX_VALUES:
            raise self.fatal(
                index, f"the file stands for more than {MAX_VALUES:,} values", "", "split the session"
            )

    def alias(self, event: Any, depth: int) -> Node:
        index = event.start_mark.index
        if event.anchor not in self.anchors:
            raise self.fatal(index, "no anchor of this name stands before it", f"*{event.anchor}")
        node = self.anchors[event.anchor]
        if node is None:
            raise self.fatal(index, "a value refers to itself", f"*{event.anchor}")
        self.count(node.size, index)
        if depth + node.height - 1 > MAX_DEPTH:
            raise self.fatal(index, f"values are nested more than {MAX_DEPTH} deep", f"*{event.anchor}")
        return node

    def scalar(self, node: Node, event: Any) -> None:
        text = self.text[event.start_mark.index : event.end_mark.index].strip()
        node.text = _PROPERTY.sub("", text) if event.anchor is not None else text
        node.scalar = event.value
        if event.implicit[0]:  # unquoted, without a tag
            try:
                node.scalar = resolve(event.value)
            except ValueError as error:
                self.problems.append(self.problem(event.start_mark.index, str(error), _short(event.value)))
                node.scalar = 0

    def sequence(self, node: Node, events: Iterator[Any], depth: int) -> None:
        node.items = []
        for event in events:
            if isinstance(event, yaml.SequenceEndEvent):
                return
            child = self.value(event, events, depth + 1)
            node.items.append(child)
            node.grow(child)

    def mapping(self, node: Node, events: Iterator[Any], depth: int) -> None:
        node.entries = {}
        for event in events:
            if isinstance(event, yaml.MappingEndEvent):
                return
            index = event.start_mark.index
            if not isinstance(event, yaml.ScalarEvent):
                raise self.fatal(
                    index, "a key must be a plain word", self.text[index : index + 20].split("\n")[0]
                )
            key = event.value
            child = self.value(next(events), events, depth + 1)
            node.grow(child)
            if key == "<<" and event.implicit[0]:
                self.problems.append(
                    self.problem(index, "merge keys are not part of YAML 1.2", "<<", "write the keys out")
                )
            elif key in node.entries:
                first = node.keys[key][0]
                message = f"the key stands twice in one mapping, first at line {first}"
                self.problems.append(self.problem(index, message, _short(key), "keep one of them"))
            else:
                node.entries[key] = child
                node.keys[key] = self.place(index)


def _short(text: str, limit: int = 60) -> str:
    line = " ".join(text[: 4 * limit].split())
    return line if len(line) <= limit else line[: limit - 1] + "…"
