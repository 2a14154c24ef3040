"""The JSON Schema of `audit --json` and take.json, made from the program's own tables.

``python -m runner.audit.schema > docs/audit.schema.json``. Draft 2020-12. Keys may be added in later
versions, so a reader must let unknown ones pass; those here stay.
"""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Any

from runner.audit.cause_codes import CAUSES
from runner.audit.findings import SEVERITY_ORDER
from runner.audit.meanings import MEANINGS
from runner.audit.verdict import Limits, Verdict

Schema = dict[str, Any]

_TEXT: Schema = {"type": "string"}
_COUNT: Schema = {"type": "integer", "minimum": 0}
_NUMBER: Schema = {"type": "number"}
_FLAG: Schema = {"type": "boolean"}


def _or_null(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}


def _object(required: Schema, **optional: Schema) -> Schema:
    return {"type": "object", "properties": {**required, **optional}, "required": sorted(required)}


def _list(items: Schema) -> Schema:
    return {"type": "array", "items": items}


def _spread() -> Schema:
    values = dict.fromkeys(("p50", "p99", "p999", "max", "min"), _NUMBER)
    return _or_null(_object({**values, "count": _COUNT}))


def _tempo() -> Schema:
    return _object({"declared": _or_null(_NUMBER), "measured": _or_null(_NUMBER)})


def _clock() -> Schema:
    port = _object(
        {
            "port": _TEXT,
            "direction": {"enum": ["in", "out"]},
            "expected": _or_null(_COUNT),
            "count": _COUNT,
            "missing": {"type": "integer"},
            "extra": _COUNT,
            "pauses": _COUNT,
            "lateness_us": _spread(),
            "residual_us": _or_null(_NUMBER),
            "tempo": _tempo(),
        }
    )
    return _object(
        {
            "role": {"enum": ["master", "follower"]},
            "source": _TEXT,
            "expected": _or_null(_COUNT),
            "sent": _COUNT,
            "received": _COUNT,
            "missing": {"type": "integer"},
            "extra": _COUNT,
            "lateness_us": _spread(),
            "tempo": _tempo(),
            "locked_after_beats": _or_null(_NUMBER),
            "settling": _or_null({"type": "object"}),
            "ports": _list(port),
        },
        steadiness=_list(_object({"beats": _COUNT, "tdev_us": _NUMBER, "mtie_us": _NUMBER})),
    )


def _finding() -> Schema:
    place = _object({"at": _or_null(_TEXT), "t_ns": {"type": "integer"}, "count": {"type": "integer"}})
    cause = _object(
        {
            "code": {"enum": ["", *sorted(CAUSES)]},
            "text": _TEXT,
            "why": _TEXT,
            "weight": {"type": "number", "minimum": 0, "maximum": 1},
        }
    )
    return _object(
        {
            "code": {"type": "string", "examples": sorted(MEANINGS)},
            "severity": {"enum": sorted(SEVERITY_ORDER)},
            "at": _or_null(_TEXT),
            "t_ns": _or_null({"type": "integer"}),
            "machine": _TEXT,
            "port": _TEXT,
            "count": {"type": "integer"},
            "text": _TEXT,
            "causes": _list(cause),
            "try": _TEXT,
            "part_of": {"enum": ["", *sorted(MEANINGS)]},
            "evidence": {"type": "object", "properties": {"places": _list(place)}},
        }
    )


def audit_schema() -> Schema:
    """Return the schema."""
    machine = _object(
        {
            "name": _TEXT,
            "port": _TEXT,
            "channel": _or_null({"type": "integer"}),
            "present": _FLAG,
            "sent": _COUNT,
            "received": _COUNT,
            "send_failures": _COUNT,
            "latest_us": _or_null(_NUMBER),
        }
    )
    damage = _object({"file": _TEXT, "line": _COUNT, "bytes": _COUNT, "text": _TEXT})
    file = _object({"bytes": _COUNT, "sha256": {"type": "string", "pattern": "^[0-9a-f]{64}$"}})
    limits = {field.name: {"type": "number", "minimum": 0} for field in fields(Limits)}
    body = _object(
        {
            "format": {"const": 1},
            "take": _TEXT,
            "session": _TEXT,
            "song": _TEXT,
            "pass": _TEXT,
            "number": {"type": "integer"},
            "verdict": {"enum": [verdict.value for verdict in Verdict]},
            "started_at": _TEXT,
            "seconds": _NUMBER,
            "outcome": _or_null({"enum": ["complete", "stopped", "failed"]}),
            "ended": _or_null(_TEXT),
            "recovered": _FLAG,
            "clock": _clock(),
            "messages": _object(
                {"sent": _COUNT, "received": _COUNT, "cut": _COUNT, "lateness_us": _spread()}
            ),
            "machines": _list(machine),
            "alignment": _object({"machines": {"type": "object"}, "settings": {"type": "object"}}),
            "findings": _list(_finding()),
            "limits": _object(limits),
            "log": _object(
                {"records": _COUNT, "dropped": _COUNT, "complete": _FLAG, "damages": _list(damage)}
            ),
            "files": {"type": "object", "additionalProperties": file},
            "notes": {"type": "object"},
            "header": {"type": "object"},
        }
    )
    head = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "The audit of a take",
        "description": "Times in ns count from the take's anchor; keys that end in _us are in microseconds.",
    }
    return {**head, **body}


if __name__ == "__main__":
    print(json.dumps(audit_schema(), indent=1, ensure_ascii=False))
