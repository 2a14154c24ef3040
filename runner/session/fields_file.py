"""What a song may take from a part file instead of saying it itself: `from parts/ropewalk.mid`.

A loaded song holds a `FromFile` there. The session opens no files: whoever does gives their contents to
`runner.plan.take_over`, which returns the song with everything filled in.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Any

from pydantic import Field, GetCoreSchemaHandler, GetJsonSchemaHandler, PlainValidator, WithJsonSchema
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

from runner.music.moment import Span
from runner.session import readers
from runner.session.fields import BARS_PATTERN, SectionBar

FROM_PATTERN = r"^\s*from\s+\S.*$"
_FROM = re.compile(r"\s*from(?:\s+(.*))?", re.DOTALL)


@dataclass(frozen=True, slots=True)
class FromFile:
    """Taken from a Standard MIDI File, named as seen from the session file."""

    file: str

    def __str__(self) -> str:
        return f"from {self.file}"


def read_from(value: Any) -> FromFile | None:
    """Return what `from FILE` says, or None for a value that says something else."""
    match = _FROM.fullmatch(value) if isinstance(value, str) else None
    if not match:
        return None
    if not match[1] or not match[1].strip():
        raise readers.refuse("names no file", "write `from parts/NAME.mid`")
    return FromFile(readers.read_name(match[1]))


def _or_from(read: Callable[[Any], Any]) -> PlainValidator:
    return PlainValidator(lambda value: read_from(value) or read(value))


def _file_schema(text: str, example: str) -> dict[str, Any]:
    return {"type": "string", "description": text, "pattern": FROM_PATTERN, "examples": [example]}


_EXAMPLE = "from parts/ropewalk.mid"

SongTempo = Annotated[
    Fraction | FromFile,
    _or_from(readers.read_tempo),
    WithJsonSchema(
        {
            "anyOf": [
                {
                    "type": "number",
                    "description": "Quarter notes a minute.",
                    "examples": [112, 97.5],
                    "minimum": readers.MIN_TEMPO_BPM,
                    "maximum": readers.MAX_TEMPO_BPM,
                },
                _file_schema("A file's tempos and meters.", _EXAMPLE),
            ]
        }
    ),
]
SongLength = Annotated[
    Span | FromFile,
    _or_from(readers.read_bars(1, readers.MAX_BARS)),
    WithJsonSchema(
        {
            "anyOf": [
                {
                    "type": "string",
                    "description": "How many bars the song has.",
                    "examples": ["64 bars"],
                    "pattern": BARS_PATTERN,
                },
                _file_schema("As many bars as a file has.", _EXAMPLE),
            ]
        }
    ),
]


class _SectionsOrFile:
    """Names for bars, or `from FILE`."""

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        def read(value: Any, inner: core_schema.ValidatorFunctionWrapHandler) -> Any:
            return read_from(value) or inner(value)

        names = handler.generate_schema(Annotated[dict[str, SectionBar], Field(max_length=1000)])
        return core_schema.no_info_wrap_validator_function(read, names)

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        return {"anyOf": [handler(schema), _file_schema("A file's markers and cue points.", _EXAMPLE)]}


Sections = Annotated[dict[str, int] | FromFile, _SectionsOrFile]

__all__ = ["FromFile", "Sections", "SongLength", "SongTempo", "read_from"]
