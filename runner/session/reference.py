"""The reference of the session file as Markdown, made from the model so that it cannot fall behind it.

`docs/session-file.md` is the output of `reference_text`; write it anew with
``python -m runner.session.reference > docs/session-file.md``.
"""

from __future__ import annotations

from typing import Any

from runner.session.not_yet import NOT_YET
from runner.session.schema import json_schema
from runner.session.yaml_scalars import MAX_DIGITS
from runner.session.yaml_tree import MAX_BYTES, MAX_DEPTH, MAX_VALUES

_ORDER = (
    "port", "machine", "silence", "clock", "dropout", "song", "tempo-change", "meter-change", "part", "cue",
    "click", "order-item", "takes", "control", "schedule", "lamp", "lamp-message", "limits",
)  # fmt: skip
_PLACES = {
    "port": "ports: NAME",
    "machine": "machines: NAME",
    "silence": "machines: NAME: silence",
    "clock": "clock",
    "dropout": "clock: on-dropout",
    "song": "songs",
    "tempo-change": "songs: tempo-changes",
    "meter-change": "songs: meter-changes",
    "part": "songs: parts",
    "cue": "songs: cues",
    "click": "songs: click",
    "order-item": "order",
    "takes": "takes",
    "control": "controls",
    "schedule": "schedule",
    "lamp": "lamps",
    "lamp-message": "lamps: on, off",
    "limits": "limits",
}

_HEAD = """# The session file

A session file says in YAML what rig is there and which songs are to be played or recorded with it. This
page is made from the program's own model of the file.

Check a file with `takewright check SESSION`. Every problem is told at once, with file, line and column, the
place in the file, the value seen, and the nearest known name where one is misspelt. For checking and
completion while you write, put this line at the top of the file (editors with a YAML language server read
it):

    # yaml-language-server: $schema=session.schema.json

`takewright schema` prints that schema.

**Take care.** A session can make machines loud without warning: turn amplifiers and headphones down before
the first roll. MIDI is no safety system: never let it work pyrotechnics, rigging, lifts, lasers or anything
else that can hurt a person.

## How the YAML is read

- The core schema of YAML 1.2 holds: `true` and `false` are the only truth values; `on`, `off`, `yes`, `no`,
  `17:3`, `1_000` and dates are text. Quotes make any value text.
- No key may stand twice in one mapping. Tags (`!!`), merge keys (`<<`) and second documents are refused;
  anchors and aliases may be used.
- UTF-8, at most {kib} KiB, {depth} levels deep, {values:,} values (aliases counted each time), {digits}
  digits to a number.

## Moments and spans

A **moment** is a place in a song: `bar 17`, `bar 17 beat 3`, `bar 40 beat 2.5`, the name of a section,
`start` (where the pre-roll begins) or `end` (where the last bar ends). A span may go before it: `1 beat
before refrain`, `2 bars after bar 9`, `500 ms before end`. Bars and beats count from 1; beats are those of
the meter in force. Before bar 1 come bar 0, bar -1 and so on.

A **span** is an amount and a unit: `2 bars`, `3 beats`, `1/2 beat`, `1 1/2 quarters`, `10 s`, `120 ms`,
`320 us`.
"""

_TAIL = """
## What is not yet acted on

These may stand in a file and are checked, but this version does nothing with them; `takewright check`
says so.

{rows}
"""


def reference_text() -> str:
    """Return the whole page."""
    schema = json_schema()
    head = _HEAD.format(kib=MAX_BYTES // 1024, depth=MAX_DEPTH, values=MAX_VALUES, digits=MAX_DIGITS)
    parts = [head, "## The file as a whole\n\n" + _table(schema)]
    parts += [_section(name, schema["$defs"][name]) for name in _ORDER]
    rows = "\n".join(f"- {row.text[:1].upper()}{row.text[1:]}." for row in NOT_YET)
    return "\n".join(parts) + (_TAIL.format(rows=rows) if rows else "")


def _section(name: str, body: dict[str, Any]) -> str:
    return f"## `{_PLACES[name]}`\n\n{body['description']}\n\n{_table(body)}"


def _table(body: dict[str, Any]) -> str:
    required = set(body.get("required", ()))
    rows = ["| key | value | if left out | meaning |", "|---|---|---|---|"]
    for key, value in body["properties"].items():
        if key in required:
            default = "**required**"
        elif "default" in value:
            default = f"`{_plain(value['default'])}`"
        else:
            default = "–"
        cells = (f"`{key}`", _kind(value), default, value.get("description", ""))
        rows.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(rows) + "\n"


def _plain(value: Any) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def _kind(value: dict[str, Any]) -> str:
    """Say what may stand there, in a few words."""
    if "$ref" in value:
        return _reference(value["$ref"])
    if "anyOf" in value:
        return " or ".join(_kind(choice) for choice in value["anyOf"])
    if "enum" in value:
        return ", ".join(f"`{choice}`" for choice in value["enum"])
    if "const" in value:
        return f"`{_plain(value['const'])}`"
    kind = value["type"]
    if kind == "array":
        return f"list: {_kind(value['items'])}"
    if isinstance(value.get("additionalProperties"), dict) and kind == "object" and not value.get("examples"):
        return f"mapping of names: {_kind(value['additionalProperties'])}"
    return _simple(kind, value)


def _simple(kind: str | list[str], value: dict[str, Any]) -> str:
    examples = ", ".join(f"`{_flow(example)}`" for example in value.get("examples", ()))
    if examples:
        return f"such as {examples}"
    if "maximum" in value:
        return f"{value['minimum']} to {value['maximum']}"
    words = {"string": "text", "boolean": "`true`, `false`", "integer": "number", "object": "mapping"}
    return words[kind] if isinstance(kind, str) else "any"


def _flow(example: Any) -> str:
    if isinstance(example, dict):
        return "{" + ", ".join(f"{key}: {item}" for key, item in example.items()) + "}"
    return "[" + ", ".join(example) + "]" if isinstance(example, list) else str(example)


def _reference(target: str) -> str:
    name = target.rsplit("/", 1)[1]
    place = _PLACES[name]
    anchor = "".join(char for char in place.lower().replace(" ", "-") if char.isalnum() or char == "-")
    return f"[`{place}`](#{anchor})"


if __name__ == "__main__":
    import sys

    sys.stdout.write(reference_text())
