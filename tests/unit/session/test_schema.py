"""The JSON Schema and the reference page: made from the model, equal to the committed files, and true."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

from runner.session.load import load_session
from runner.session.model import Session
from runner.session.reference import reference_text
from runner.session.schema import json_schema, schema_text, time_text
from runner.session.spec import Spec
from runner.session.wording import spec_name

ROOT = Path(__file__).parents[3]
CORPUS = ROOT / "tests" / "corpus" / "sessions"
GOOD = [*sorted((CORPUS / "good").glob("*.yaml")), *sorted((ROOT / "configs").glob("*.yaml"))]


def plain_of(path: Path) -> Any:
    """Return a session file as an editor's YAML 1.2 reader has it, through our reader and JSON."""
    root = load_session(path.read_bytes(), path.name).marks.root
    return json.loads(json.dumps(root.plain(), default=float))


def validator() -> jsonschema.Draft202012Validator:
    """Return the reference validator of the schema (the library `jsonschema`, draft 2020-12)."""
    return jsonschema.Draft202012Validator(json_schema())


def test_schema_is_a_valid_schema() -> None:
    """The schema is valid by the draft's own meta-schema (json-schema.org, draft 2020-12)."""
    jsonschema.Draft202012Validator.check_schema(json_schema())
    assert json_schema()["$schema"] == "https://json-schema.org/draft/2020-12/schema"


def test_committed_schema_is_up_to_date() -> None:
    """`configs/session.schema.json` is what the model gives."""
    assert (ROOT / "configs" / "session.schema.json").read_text("utf-8") == schema_text()


def test_committed_reference_is_up_to_date() -> None:
    """`docs/session-file.md` is what ``python -m runner.session.reference`` prints."""
    assert (ROOT / "docs" / "session-file.md").read_text("utf-8") == reference_text()


@pytest.mark.parametrize("path", GOOD, ids=lambda path: path.stem)
def test_good_sessions_satisfy_the_schema(path: Path) -> None:
    """What the program accepts, an editor accepts as well."""
    errors = [f"{error.json_path}: {error.message}" for error in validator().iter_errors(plain_of(path))]
    assert errors == []


@pytest.mark.parametrize(
    "text",
    [
        "{machine: x, at: bar 1 beat, stop: true}",
        "{machine: x, at: '17', stop: true}",
        "{machine: x, at: '17:3', stop: true}",
        "{machine: x, at: bar one, stop: true, colour: red}",
        "{machine: x, at: bar 1, note: 128}",
        "{machine: x, at: bar 1, stop: false}",
        "{machine: x, at: bar 1, note: 60, length: 3}",
        "{machine: x, at: bar 1, note: 60, length: 3 moons}",
        "{machine: x}",
    ],
)
def test_editors_see_common_slips(text: str) -> None:
    """Slips in a cue are refused by the schema already, while the file is being written."""
    cue = yaml.safe_load(text)
    definition = {"$ref": "#/$defs/cue", "$defs": json_schema()["$defs"]}
    assert list(jsonschema.Draft202012Validator(definition).iter_errors(cue))


def test_defaults_in_the_schema_are_values_of_the_file() -> None:
    """Each default that the schema names is itself valid where it stands."""
    schema = json_schema()
    checked = 0
    for body in [schema, *schema["$defs"].values()]:
        for name, prop in body["properties"].items():
            if "default" in prop:
                whole = {**prop, "$defs": schema["$defs"]}
                assert list(jsonschema.Draft202012Validator(whole).iter_errors(prop["default"])) == [], name
                checked += 1
            assert prop.get("default", "") is not None
    assert checked > 25


def test_examples_in_the_schema_are_valid() -> None:
    """Each example that the schema offers is itself valid where it stands."""
    schema = json_schema()
    checked = 0
    for body in [schema, *schema["$defs"].values()]:
        for name, prop in body["properties"].items():
            for example in prop.get("examples", ()):
                assert list(jsonschema.Draft202012Validator(prop).iter_errors(example)) == [], name
                checked += 1
    assert checked > 30


def specs() -> list[type[Spec]]:
    """Return the classes of all mappings."""
    found: list[type[Spec]] = []
    stack = list(Spec.__subclasses__())
    while stack:
        found.append(stack.pop())
        stack += found[-1].__subclasses__()
    return found


def test_every_mapping_is_in_the_schema_and_on_the_page() -> None:
    """No mapping and no key of the model is missing from the schema or from the reference page."""
    schema, page = json_schema(), reference_text()
    names = {spec_name(spec.__name__) for spec in specs()} - {"session"}
    assert names == set(schema["$defs"])
    for spec in specs():
        body = schema if spec is Session else schema["$defs"][spec_name(spec.__name__)]
        keys = {field.alias for field in spec.model_fields.values()}
        assert set(body["properties"]) == keys
        for key in keys:
            assert f"| `{key}` |" in page


def test_every_key_has_a_description() -> None:
    """Editors show a description for each key."""
    for spec in specs():
        for name, field in spec.model_fields.items():
            assert field.description, f"{spec.__name__}.{name}"
            assert field.description.endswith((".", "!")), f"{spec.__name__}.{name}"


def test_every_key_stands_in_the_corpus() -> None:
    """The corpus' file of every key leaves none out."""
    used: set[tuple[str, str]] = set()

    def visit(value: Any) -> None:
        if isinstance(value, Spec):
            kind = type(value)
            used.update((kind.__name__, name) for name in value.model_fields_set)
            for name in kind.model_fields:
                visit(getattr(value, name))
        elif isinstance(value, dict):
            for item in value.values():
                visit(item)
        elif isinstance(value, list):
            for item in value:
                visit(item)

    visit(load_session((CORPUS / "good" / "every-key.yaml").read_bytes()).session)
    everything = {(spec.__name__, name) for spec in specs() for name in spec.model_fields}
    assert everything - used == set()


def test_page_says_limits_and_cautions() -> None:
    """The reference page warns about loudness and about safety systems, and tells the bounds."""
    page = reference_text()
    for words in ("turn amplifiers and headphones down", "MIDI is no safety system", "1024 KiB", "32 levels"):
        assert words in " ".join(page.split())


@pytest.mark.parametrize(
    ("time_ns", "text"),
    [(0, "0 ms"), (30_000_000, "30 ms"), (2 * 10**9, "2 s"), (320_000, "320 us"), (1_500, "1.5 us")],
)
def test_time_text(time_ns: int, text: str) -> None:
    """A time is written in the largest unit that is whole, and reads back."""
    assert time_text(time_ns) == text
