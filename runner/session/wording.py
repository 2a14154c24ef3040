"""What the model refuses, in plain words: pydantic's errors turned into problems that name line and value."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from difflib import SequenceMatcher, get_close_matches
from types import UnionType
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from runner.errors import Problem
from runner.session.marks import Marks, shorten
from runner.session.model import Session
from runner.session.spec import Spec, file_key
from runner.session.yaml_tree import Node, Path

MAX_PROBLEMS = 100  #: of one file that are told in full


def near_match(name: str, known: Iterable[str]) -> str:
    """Return a hint that names the nearest of the known names, or lists them; empty if there are none."""
    names = [str(item) for item in known][:500]
    if near := _nearest(name, names):
        return f"did you mean {near}?"
    if not names:
        return ""
    listed = ", ".join(shorten(item, 24) for item in names[:12])
    return f"known: {listed}{', …' if len(names) > 12 else ''}"


def _nearest(name: str, names: Iterable[str]) -> str:
    """Return the name most like `name`; empty if none is like it."""
    if len(name) > 60:
        return ""
    folded = {item.casefold(): item for item in names if len(item) <= 60}
    near = get_close_matches(name.casefold(), folded, 1, 0.6)
    return folded[near[0]] if near else ""


def _likeness(one: str, other: str) -> float:
    return SequenceMatcher(None, other, one.casefold()).ratio()


def counting(message: str, machine: str, numbering: str) -> tuple[str, str]:
    """Return the refusal of a program or bank with its reason, and a hint.

    `machine` is empty for a cue straight to a port; `numbering` is as the machine gives it, empty if it does
    not.
    """
    if not machine:
        return f"{message}: programs and banks of a cue to a port count from 1", ""
    if numbering == "from-0":
        why = f"{machine} has `numbering: from-0`"
        return f"{message}: {why}", "leave that out if the machine's manual counts from 1"
    why = "as it says" if numbering else "as every machine without `numbering`"
    hint = "write `numbering: from-0` at the machine if its manual counts from 0"
    return f"{message}: {machine} counts programs and banks from 1, {why}", hint


def program_range(machine: str, numbering: str) -> tuple[str, str]:
    """Return the refusal of a program that the numbering in force does not have, and a hint."""
    return counting(f"must be from {'0 to 127' if numbering == 'from-0' else '1 to 128'}", machine, numbering)


def _program_range_at(path: Path, marks: Marks) -> tuple[str, str]:
    """Return the same for a cue of which only the file's text is known."""
    machine = marks.seen((*path[:-1], "machine"))
    return program_range(machine, marks.seen(("machines", machine, "numbering")) if machine else "")


def spec_name(name: str) -> str:
    """Return the plain name of a mapping's class: `TempoChangeSpec` is `tempo-change`."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", "-", name.removesuffix("Spec")).lower()


def known_keys(path: Path) -> list[str]:
    """Return the keys that the mapping at a path may have, by the model; empty if any may stand there."""
    model = _model_at(path)
    return [field.alias or file_key(name) for name, field in model.model_fields.items()] if model else []


def _model_at(path: Path) -> type[BaseModel] | None:
    kind: Any = Session
    for step in path:
        model = _spec_in(kind)
        if model is not None and isinstance(step, str):
            fields = {field.alias or file_key(name): field for name, field in model.model_fields.items()}
            if step not in fields:
                return None
            kind = fields[step].annotation
        elif get_origin(kind) is list and isinstance(step, int):
            kind = get_args(kind)[0]
        elif get_origin(kind) is dict:
            kind = get_args(kind)[1]
        else:
            return None
    return _spec_in(kind)


def _spec_in(kind: Any) -> type[Spec] | None:
    """Return the mapping's type inside an annotation such as `ClickSpec | None`."""
    if isinstance(kind, type) and issubclass(kind, Spec):
        return kind
    if get_origin(kind) in (Union, UnionType) or hasattr(kind, "__metadata__"):
        found = (_spec_in(part) for part in get_args(kind))
        return next((spec for spec in found if spec is not None), None)
    return None


def problems_of(error: ValidationError, marks: Marks) -> list[tuple[Path, Problem]]:
    """Return each refusal with its path, worded for the user; of very many, the first in the file."""
    details = error.errors(include_url=False, include_input=False)
    if len(details) > MAX_PROBLEMS:
        details.sort(key=lambda detail: marks.place(detail["loc"]))
    kept = _without_misspelt(details)
    return [_problem(detail, marks) for detail in kept[: MAX_PROBLEMS + 1]]


def _without_misspelt(details: Sequence[Any]) -> list[Any]:
    """Leave out that a key is missing where an unknown key beside it was most likely meant to be it."""
    meant = set()
    for detail in details:
        if detail["type"] == "extra_forbidden":
            *parent, key = detail["loc"]
            near = _nearest(str(key), known_keys(tuple(parent)))
            meant.add((*parent, near))
    return [detail for detail in details if detail["type"] != "missing" or tuple(detail["loc"]) not in meant]


def _problem(detail: Any, marks: Marks) -> tuple[Path, Problem]:
    kind: str = detail["type"]
    path: Path = tuple(step for step in detail["loc"] if step != "[key]")
    context = detail.get("ctx", {})
    if kind == "session":
        path = (*path, context["at"]) if context["at"] else path
        message: str = context["message"]
        node = marks.node(path)
        shown = node is not None and (_is_scalar(node) or message.startswith("must be "))
        seen = marks.seen(path) if shown else ""
        return path, marks.problem(path, message, seen, context["hint"])
    if kind == "extra_forbidden":
        keys = known_keys(path[:-1])
        hint = near_match(str(path[-1]), keys)
        return path, marks.problem(path, "unknown key", shorten(str(path[-1])), hint, key=True)
    if kind == "missing":
        parent = path[:-1]
        return path, marks.problem(parent, f"the key {path[-1]} is missing")
    message, hint = (
        _program_range_at(path, marks) if kind == "program" else _plain(kind, context, path, marks.seen(path))
    )
    return path, marks.problem(path, message, marks.seen(path), hint)


def _is_scalar(node: Node) -> bool:
    return node.entries is None and node.items is None


def _plain(kind: str, context: dict[str, Any], path: Path, seen: str) -> tuple[str, str]:
    if kind == "literal_error":
        choices = context["expected"].replace("'", "").replace(" or ", ", ")
        near = get_close_matches(seen.casefold(), choices.split(", "), 2, 0.6)
        told = len(near) == 1 or (near and _likeness(seen, near[0]) > _likeness(seen, near[1]))
        return f"must be one of {choices}", f"did you mean {near[0]}?" if told else ""
    if kind in ("model_type", "dict_type", "model_attributes_type"):
        keys = known_keys(path)
        return "must be a mapping of keys and values", f"keys: {', '.join(keys[:12])}" if keys else ""
    if kind == "list_type":
        return "must be a list", "write [a, b], or one item to a line, each after a dash"
    if kind == "too_long":
        return f"has too many entries: {context['max_length']} at most", ""
    if kind == "too_short":
        return "must not be empty", ""
    return f"is not valid here ({kind.replace('_', ' ')})", ""
