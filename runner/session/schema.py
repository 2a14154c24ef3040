"""The JSON Schema of the session file, for editors that check and complete YAML as it is written.

The schema is made from the model, so the two cannot disagree in keys, ranges and descriptions. It says
less than `load_session` checks: names, moments and what must agree are beyond a schema.
"""

from __future__ import annotations

import json
from typing import Any

from runner.session.fields import TIME_PATTERN
from runner.session.model import Session
from runner.session.wording import spec_name

DRAFT = "https://json-schema.org/draft/2020-12/schema"


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a session file."""
    schema = Session.model_json_schema(by_alias=True, mode="validation")
    definitions = {spec_name(name): body for name, body in schema.pop("$defs").items()}
    result: dict[str, Any] = {
        "$schema": DRAFT,
        "title": "Takewright session",
        **_without_title(_tidy(schema)),
        "$defs": {name: _without_title(_tidy(body)) for name, body in sorted(definitions.items())},
    }
    places = result["properties"]["order"]["items"]
    result["properties"]["order"]["items"] = {
        "anyOf": [{"type": "string", "description": "A song's name."}, places]
    }
    return result


def schema_text() -> str:
    """Return the schema as it stands in a file."""
    return json.dumps(json_schema(), indent=1, ensure_ascii=False) + "\n"


def time_text(time_ns: int) -> str:
    """Return a time as a session file writes it, such as `30 ms`."""
    for unit, size in (("s", 10**9), ("ms", 10**6)):
        if time_ns and time_ns % size == 0:
            return f"{time_ns // size} {unit}"
    return f"{time_ns / 1_000:g} us" if time_ns else "0 ms"


def _without_title(body: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in body.items() if key != "title" or not isinstance(value, str)}


def _tidy(node: Any) -> Any:
    """Take out what only speaks of the model: null for keys left out, made-up titles, long references."""
    if isinstance(node, list):
        return [_tidy(item) for item in node]
    if not isinstance(node, dict):
        return node
    body = {key: _tidy(value) for key, value in node.items()}
    if "properties" in body:
        body["properties"] = {key: _property(value) for key, value in body["properties"].items()}
    reference = body.get("$ref")
    if isinstance(reference, str):
        body["$ref"] = "#/$defs/" + spec_name(reference.rsplit("/", 1)[1])
    return body


def _property(body: dict[str, Any]) -> dict[str, Any]:
    body = _without_title(body)
    default = body.get("default")
    if body.get("pattern") == TIME_PATTERN and isinstance(default, int):
        body["default"] = time_text(default)
    elif "default" in body and default in (None, []):
        del body["default"]
    choices = [choice for choice in body.get("anyOf", ()) if choice != {"type": "null"}]
    if len(choices) == 1 and "anyOf" in body:
        del body["anyOf"]
        body = {**choices[0], **body}
    return body
