"""The pages that are made from the code are current, and what audits give fits the published schema."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from runner.audit.cause_codes import CAUSES
from runner.audit.meanings import MEANINGS
from runner.audit.reference import page
from runner.audit.schema import audit_schema
from runner.audit.text import audit_take
from runner.sync.findings import KINDS
from runner.takes.format import Kind
from runner.takes.reader import read_take
from runner.takes.testing import RecordMaker, song_time, steady_records, take_header, write_take

DOCS = Path(__file__).parents[3] / "docs"
TIME = song_time(125, bars=2, pre_roll=1)


def test_the_page_of_codes_is_current() -> None:
    """`docs/finding-codes.md` is what ``python -m runner.audit.reference`` prints."""
    assert (DOCS / "finding-codes.md").read_text() == page()


def test_the_schema_is_current() -> None:
    """`docs/audit.schema.json` is what ``python -m runner.audit.schema`` prints."""
    assert json.loads((DOCS / "audit.schema.json").read_text()) == audit_schema()


def test_every_code_stands_on_the_page() -> None:
    """Each finding has its heading and each cause its row; each cause of a finding is in the table."""
    text = page()
    for code, meaning in MEANINGS.items():
        assert f"\n### {code}\n" in text
        assert set(meaning.causes) <= set(CAUSES), code
    assert all(f"| `{code}` |" in text for code in CAUSES)
    assert {code.value for code in KINDS} <= set(MEANINGS)
    named = {cause for meaning in MEANINGS.values() for cause in meaning.causes}
    assert set(CAUSES) - named == set()


def test_the_schema_is_a_schema() -> None:
    """It is valid JSON Schema of draft 2020-12 (checked by the jsonschema library's own meta-schema)."""
    jsonschema.Draft202012Validator.check_schema(audit_schema())


@pytest.mark.parametrize("trouble", [False, True])
def test_an_audit_fits_the_schema(trouble: bool, tmp_path: Path) -> None:
    """The audit of a clean take and of one with half a dozen troubles have all keys, of the right kinds."""
    records = steady_records(TIME, 2)
    if trouble:
        maker = RecordMaker(seq=records[-1].seq + 1)
        maker.json(Kind.PRESENCE, 100, {"port": "loft", "present": False}, port=1)
        maker.add(Kind.BAD_INPUT, 200, port=0, ref=3)
        maker.add(Kind.SLOW_SEND, 300, port=0, ref=4000)
        maker.json(Kind.FINDING, 400, {"code": "clock-wander", "size": 3.0})
        records = [*records[:-300], *maker.records]
    write_take(tmp_path, take_header(TIME, 2), records).finish()
    summary = json.loads(json.dumps(audit_take(read_take(tmp_path))))
    assert bool(summary["findings"]) == trouble
    jsonschema.Draft202012Validator(audit_schema()).validate(summary)


@pytest.mark.parametrize(
    ("key", "value"),
    [("verdict", "fine"), ("findings", [{"code": "clock-late"}]), ("clock", {}), ("seconds", "1")],
)
def test_the_schema_refuses_what_is_no_audit(key: str, value: object, tmp_path: Path) -> None:
    """A wrong verdict, a finding without its fields, an empty clock or a text for a number do not fit."""
    write_take(tmp_path, take_header(TIME, 1), steady_records(TIME, 1)).finish()
    summary = {**audit_take(read_take(tmp_path)), key: value}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(audit_schema()).validate(json.loads(json.dumps(summary)))
