"""The types of a session's values: each an `Annotated` alias of its reader and its JSON Schema.

The schema is what an editor checks and completes by; the reader (`runner.session.readers`) decides.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Any

from pydantic import PlainValidator, WithJsonSchema

from runner.music.loops import Loop
from runner.music.meter import Meter
from runner.music.moment import Moment, Span
from runner.session import readers
from runner.session.readers import (
    MAX_OFFSET_MS,
    MAX_SETTLE_MS,
    MAX_TEMPO_BPM,
    MAX_TEXT,
    MIN_TEMPO_BPM,
)

AMOUNT = r"(?:\d+\s+)?(?:\d+(?:\.\d*)?|\.\d+)(?:\s*/\s*\d+)?"
UNITS = r"(?:bars?|beats?|quarters?|min(?:utes?)?|s(?:ec|econds?)?|ms|milliseconds?|us|µs|μs|microseconds?)"
SPAN_PATTERN = rf"^\s*\+?\s*{AMOUNT}\s*{UNITS}\s*$"
BARS_PATTERN = r"^\s*\+?\s*\d+\s*bars?\s*$"
MOMENT_PATTERN = (
    rf"^\s*(?:\+?\s*{AMOUNT}\s*{UNITS}\s+(?:before|after)\s+)?"
    rf"(?:bar\s*[-+]?\d+(?:\s+beat\s+{AMOUNT})?|(?!bar\s*[-+\d])(?![-+\d.,:/ ]+$)\S.*?)\s*$"
)
TIME_PATTERN = r"^\s*[-+−]?\s*\d+(\.\d+)?\s*(h|min|s|ms|us|µs|μs)\s*$"


def value_schema(kind: str | list[str], text: str, *examples: Any, **more: Any) -> WithJsonSchema:
    schema: dict[str, Any] = {"type": kind, "description": text}
    if examples:
        schema["examples"] = list(examples)
    return WithJsonSchema({**schema, **more})


def whole(low: int, high: int, text: str) -> Any:
    """Return the two markers of a whole number from `low` to `high`."""
    return PlainValidator(readers.read_whole(low, high)), value_schema(
        "integer", text, minimum=low, maximum=high
    )


Name = Annotated[
    str, PlainValidator(readers.read_name), value_schema("string", "A name.", minLength=1, maxLength=MAX_TEXT)
]
Flag = Annotated[bool, PlainValidator(readers.read_flag), value_schema("boolean", "true or false.")]
Yes = Annotated[
    bool, PlainValidator(readers.read_yes), WithJsonSchema({"const": True, "description": "Only ever true."})
]
Channel = Annotated[int, *whole(1, 16, "A MIDI channel, counted from 1.")]
SevenBit = Annotated[int, *whole(0, 127, "A 7-bit value.")]
Velocity = Annotated[int, *whole(1, 127, "A Note On velocity.")]
DeviceId = Annotated[int, *whole(0, 127, "A device number; 127 is all devices.")]
Transpose = Annotated[int, *whole(-127, 127, "Semitones.")]
Count = Annotated[int, *whole(0, 1_000_000, "A number.")]
Repeats = Annotated[int, *whole(1, 1_000, "How often.")]
TakeCount = Annotated[int, *whole(1, 1_000, "How many.")]
Program = Annotated[
    int,
    PlainValidator(readers.read_program),
    value_schema("integer", "A program, counted as the machine's `numbering` says.", minimum=0, maximum=128),
]
Bend = Annotated[int, *whole(-8192, 8191, "A pitch bend; 0 is the centre.")]
BarNumber = Annotated[
    int,
    PlainValidator(readers.read_bar_number),
    value_schema(["integer", "string"], "A bar.", 9, "bar 9", minimum=1, pattern=r"^\s*bar\s+[1-9]\d*\s*$"),
]
SectionBar = Annotated[
    int,
    PlainValidator(readers.read_bar_number),
    value_schema(["integer", "string"], "The bar in which the section begins.", 17, "bar 17", minimum=1),
]
Tempo = Annotated[
    Fraction,
    PlainValidator(readers.read_tempo),
    value_schema(
        "number", "Quarter notes a minute.", 112, 97.5, minimum=MIN_TEMPO_BPM, maximum=MAX_TEMPO_BPM
    ),
]
MeterField = Annotated[
    Meter,
    PlainValidator(readers.read_meter),
    value_schema("string", "A meter.", "4/4", "7/8", pattern=r"^\s*[0-9+() ]+/\s*(1|2|4|8|16|32|64)\b.*$"),
]
SpanField = Annotated[
    Span,
    PlainValidator(readers.read_span),
    value_schema("string", "A musical span or a time.", "2 bars", "1/2 beat", "120 ms", pattern=SPAN_PATTERN),
]
LoopField = Annotated[
    Loop,
    PlainValidator(readers.read_loop),
    value_schema(
        "string",
        "A span that goes round: so many times, or until the player gives `go`.",
        "refrain to bridge",
        "bar 9 to bar 17, 4 times",
    ),
]
MomentField = Annotated[
    Moment,
    PlainValidator(readers.read_moment),
    value_schema(
        "string",
        "A moment of the song: `bar N [beat X]`, a section's name, `start` (the pre-roll begins) or `end`, "
        "optionally with `<span> before` or `<span> after` in front.",
        "bar 17 beat 3",
        "start",
        "1 beat before refrain",
        pattern=MOMENT_PATTERN,
        maxLength=2 * MAX_TEXT,
    ),
]
PreRoll = Annotated[
    Span,
    PlainValidator(readers.read_bars(0, 64)),
    value_schema("string", "Bars counted before bar 1.", "2 bars", pattern=BARS_PATTERN),
]
Offset = Annotated[
    int,
    PlainValidator(readers.read_time(-MAX_OFFSET_MS, MAX_OFFSET_MS, "-2.5 ms")),
    value_schema("string", "A signed time; negative is earlier.", "-2.5 ms", "4 ms", pattern=TIME_PATTERN),
]
Settle = Annotated[
    int,
    PlainValidator(readers.read_time(0, MAX_SETTLE_MS, "120 ms")),
    value_schema("string", "A time.", "120 ms", pattern=TIME_PATTERN),
]
ShortTime = Annotated[
    int,
    PlainValidator(readers.read_time(0, 60_000, "20 ms")),
    value_schema("string", "A time of a minute at most.", "20 ms", pattern=TIME_PATTERN),
]
LongTime = Annotated[
    int,
    PlainValidator(readers.read_time(0, 7 * 24 * 3_600_000, "20 s")),
    value_schema("string", "A time of a week at most.", "20 s", "90 min", "2 h", pattern=TIME_PATTERN),
]
Sysex = Annotated[
    bytes,
    PlainValidator(readers.read_sysex),
    value_schema(
        "string", "A system exclusive message in hex; F0 and F7 may be left out.", "7D 01 02", "F0 7D 01 F7"
    ),
]
Bank = Annotated[
    int | tuple[int, int],
    PlainValidator(readers.read_bank),
    value_schema(["integer", "string"], "A bank: MSB/LSB, or one number counted as programs are.", "1/2", 3),
]
Parameter = Annotated[
    tuple[int, int],
    PlainValidator(readers.read_parameter),
    value_schema(["integer", "string"], "A parameter: MSB/LSB, or one 14-bit number.", "0/2", 130),
]
VelocityScale = Annotated[
    Fraction,
    PlainValidator(readers.read_percent(1, 400)),
    value_schema(["number", "string"], "A factor on velocities.", 0.8, "80 %"),
]
Share = Annotated[
    float,
    PlainValidator(readers.read_positive(100)),
    value_schema("number", "Percent.", 0.1, minimum=0, maximum=100),
]
KeyRange = Annotated[
    tuple[int, int],
    PlainValidator(readers.read_keys),
    value_schema(
        "string", "Keys from the lowest to the highest.", "36-59", pattern=r"^\s*\d+\s*(-|–|to)\s*\d+\s*$"
    ),
]
KeyMap = Annotated[
    dict[int, int],
    PlainValidator(readers.read_key_map),
    WithJsonSchema(
        {
            "type": "object",
            "description": "Key played for each key of the file; keys not named stay.",
            "additionalProperties": {"type": "integer", "minimum": 0, "maximum": 127},
            "propertyNames": {"pattern": r"^\d{1,3}$"},
            "examples": [{"36": 35, "38": 40}],
        }
    ),
]
Track = Annotated[
    str | int,
    PlainValidator(readers.read_track),
    value_schema(
        ["string", "integer"], "A track of the file by its name, or by its number from 1.", "bass", 2
    ),
]
Setting = Annotated[
    Any,
    PlainValidator(readers.read_setting),
    value_schema(["string", "number", "boolean", "array", "object"], "A value, a list or a mapping."),
]
