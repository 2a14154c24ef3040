"""How each kind of value is read from what YAML gave: into its real type, or refused in plain words.

The readers raise `PydanticCustomError`, made by `refuse`; the model calls them through
`runner.session.fields`. The upper bounds are generous to music and closed to files made to exhaust memory.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from typing import Any

from pydantic_core import PydanticCustomError

from runner.music.loops import Loop, parse_loop
from runner.music.meter import Meter
from runner.music.moment import Moment, Span, Unit, parse_moment, parse_span

MAX_BARS = 20_000
MIN_TEMPO_BPM = 4
MAX_TEMPO_BPM = 999
MAX_LEAD_S = 600
MAX_OFFSET_MS = 2_000
MAX_SETTLE_MS = 60_000
MAX_SYSEX_BYTES = 65_536
MAX_TEXT = 120

_UNIT_NS = {
    "us": 10**3,
    "µs": 10**3,
    "μs": 10**3,
    "ms": 10**6,
    "s": 10**9,
    "min": 60 * 10**9,
    "h": 3600 * 10**9,
}
_TIME = re.compile(r"\s*([-+−]?)\s*(\d{1,18}(?:\.\d{1,18})?)\s*(h|min|s|ms|us|µs|μs)\s*\Z")
_HEX_PAIR = re.compile(r"[0-9A-Fa-f]{2}\Z")


def refuse(message: str, hint: str = "", at: str = "") -> PydanticCustomError:
    """Return the error that a reader raises; `at` names the key inside a mapping that is at fault."""
    return PydanticCustomError("session", "{message}", {"message": message, "hint": hint, "at": at})


def without_value(error: Exception) -> str:
    """Return an error's text without the value at its end, which a problem tells by itself."""
    return str(error).rsplit(", got ", 1)[0]


def read_text(value: Any, what: str, hint: str = "") -> str:
    if isinstance(value, str):
        return value
    if isinstance(value, (bool, int, Decimal)):
        raise refuse(f"must be {what}", hint or "put it in quotes to make it text")
    raise refuse(f"must be {what}", hint)


def read_name(value: Any) -> str:
    text = read_text(value, "a name").strip()
    if not text:
        raise refuse("must be a name, and is empty")
    if len(text) > MAX_TEXT:
        raise refuse(f"must be a name of at most {MAX_TEXT} characters")
    if any(ord(char) < 32 for char in text):
        raise refuse("must be a name on one line")
    return text


def read_whole(low: int, high: int) -> Callable[[Any], int]:
    def read(value: Any) -> int:
        if isinstance(value, Decimal) and value == int(value):
            value = int(value)
        if isinstance(value, bool) or not isinstance(value, int):
            raise refuse(f"must be a whole number from {low} to {high}")
        if not low <= value <= high:
            raise refuse(f"must be from {low} to {high}")
        return value

    return read


def read_program(value: Any) -> int:
    """Read a program of any numbering; which of them it has to be, the machine says."""
    if isinstance(value, Decimal) and value == int(value):
        value = int(value)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 128:
        raise PydanticCustomError("program", "a program of any numbering, 0 to 128")
    return value


def read_number(value: Any, what: str) -> Fraction:
    if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
        raise refuse(f"must be {what}")
    return Fraction(value)


def read_flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise refuse("must be true or false")
    return value


def read_yes(value: Any) -> bool:
    if value is not True:
        raise refuse("must be true", "leave the key out if it is not to happen")
    return True


def read_tempo(value: Any) -> Fraction:
    what = f"a tempo from {MIN_TEMPO_BPM} to {MAX_TEMPO_BPM} quarter notes a minute"
    tempo = read_number(value, what)
    if not MIN_TEMPO_BPM <= tempo <= MAX_TEMPO_BPM:
        raise refuse(f"must be {what}")
    return tempo


def read_meter(value: Any) -> Meter:
    text = read_text(value, "a meter such as 4/4")
    if len(text) > MAX_TEXT:
        raise refuse("must be a meter such as 4/4")
    try:
        meter = Meter.parse(text)
    except (ValueError, ZeroDivisionError) as error:
        raise refuse(without_value(error)) from None
    if not (1 <= meter.numerator <= 64 and meter.denominator in (1, 2, 4, 8, 16, 32, 64)):
        raise refuse("must be a meter of 1 to 64 beats of 1, 2, 4, 8, 16, 32 or 64")
    return meter


def read_span(value: Any) -> Span:
    text = read_text(value, "a span such as 2 bars, 3 beats or 120 ms", "say the unit")
    if len(text) > MAX_TEXT:
        raise refuse("must be a span such as 2 bars, 3 beats or 120 ms")
    try:
        return parse_span(text)
    except (ValueError, ZeroDivisionError) as error:
        raise refuse(without_value(error)) from None


def read_loop(value: Any) -> Loop:
    text = read_text(value, "a loop such as `refrain to bridge` or `bar 9 to bar 17, 4 times`")
    try:
        return parse_loop(text)
    except (ValueError, ZeroDivisionError) as error:
        raise refuse(without_value(error)) from None


def read_bars(low: int, high: int) -> Callable[[Any], Span]:
    def read(value: Any) -> Span:
        if isinstance(value, (int, Decimal)) and not isinstance(value, bool):
            raise refuse("must be a span in bars", f"write `{value} bars`")
        span = read_span(value)
        if span.unit is not Unit.BARS:
            raise refuse("must be a span in bars")
        if span.amount.denominator != 1 or not low <= span.amount <= high:
            raise refuse(f"must be a whole number of bars from {low} to {high:,}")
        return span

    return read


def read_moment(value: Any) -> Moment:
    hint = "such as `bar 17 beat 3`, a section's name, `start` or `end`"
    if isinstance(value, int) and not isinstance(value, bool):
        hint = f"write `bar {value}` for a bar"
    text = read_text(value, "a moment", hint)
    if len(text) > 2 * MAX_TEXT:
        raise refuse("must be a moment", hint)
    try:
        return parse_moment(text)
    except (ValueError, ZeroDivisionError) as error:
        raise refuse(without_value(error)) from None


def read_time(low_ms: int, high_ms: int, example: str) -> Callable[[Any], int]:
    """Read a signed time into ns."""

    def read(value: Any) -> int:
        what = f"a time such as {example}"
        match = _TIME.match(read_text(value, what, "say the unit: ms or s"))
        if match is None:
            raise refuse(f"must be {what}")
        time_ns = round(Fraction(match[2]) * _UNIT_NS[match[3]]) * (-1 if match[1] in ("-", "−") else 1)
        if not low_ms * 10**6 <= time_ns <= high_ms * 10**6:
            raise refuse(f"must be a time from {_ms_text(low_ms)} to {_ms_text(high_ms)}")
        return time_ns

    return read


def _ms_text(ms: int) -> str:
    if ms % 3_600_000 == 0 and ms:
        return f"{ms // 3_600_000} h"
    return f"{ms // 1000} s" if ms % 1000 == 0 else f"{ms} ms"


def read_hex(value: Any, what: str) -> bytes:
    """Return the bytes that a text of two-digit hex numbers stands for."""
    if isinstance(value, (int, Decimal)) and not isinstance(value, bool):
        raise refuse(f"must be {what}", "put the bytes in quotes")
    words = re.split(r"[\s,]+", read_text(value, what).strip())
    if words == [""]:
        raise refuse(f"must be {what}, and is empty")
    if len(words) == 1 and len(words[0]) > 2 and len(words[0]) % 2 == 0:
        words = [words[0][index : index + 2] for index in range(0, len(words[0]), 2)]
    for place, word in enumerate(words, start=1):
        if not _HEX_PAIR.match(word):
            raise refuse(f"byte {place} must be two hex digits, not {word[:12]!r}")
    if len(words) > MAX_SYSEX_BYTES:
        raise refuse(f"must be at most {MAX_SYSEX_BYTES:,} bytes")
    return bytes.fromhex("".join(words))


def read_sysex(value: Any) -> bytes:
    """Read a system exclusive message, with or without its F0 and F7; both are there afterwards."""
    data = read_hex(value, 'bytes such as "7D 01 02"')
    if data[0] == 0xF0:
        data = data[1:]
    if data and data[-1] == 0xF7:
        data = data[:-1]
    if not data:
        raise refuse("must hold at least a maker's number between F0 and F7")
    for place, byte in enumerate(data, start=1):
        if byte >= 0x80:
            raise refuse(f"data byte {place} is {byte:02X}, but may be 7F at most")
    return b"\xf0" + data + b"\xf7"


def read_pair(value: Any, what: str) -> tuple[int, int]:
    match = re.match(r"\s*(\d{1,3})\s*/\s*(\d{1,3})\s*\Z", read_text(value, what, "write MSB/LSB"))
    if match is None:
        raise refuse(f"must be {what}")
    if int(match[1]) > 127 or int(match[2]) > 127:
        raise refuse(f"must be {what}: both numbers from 0 to 127")
    return int(match[1]), int(match[2])


def read_bank(value: Any) -> int | tuple[int, int]:
    what = "a bank: MSB/LSB such as 1/2, or one number"
    if isinstance(value, int) and not isinstance(value, bool):
        if not 0 <= value <= 16_384:
            raise refuse("must be from 0 to 16384")
        return value
    return read_pair(value, what)


def read_parameter(value: Any) -> tuple[int, int]:
    if isinstance(value, int) and not isinstance(value, bool):
        if not 0 <= value <= 16_383:
            raise refuse("must be from 0 to 16383")
        return value >> 7, value & 0x7F
    return read_pair(value, "a parameter: MSB/LSB such as 0/2, or one number")


def read_percent(low: int, high: int) -> Callable[[Any], Fraction]:
    """Read a share written as `80 %` or `0.8` into a `Fraction`, bounds in percent."""

    def read(value: Any) -> Fraction:
        what = f"a share such as 0.8 or 80 %, from {low} % to {high} %"
        if isinstance(value, str):
            match = re.match(r"\s*(\d{1,6}(?:\.\d{1,9})?)\s*%\s*\Z", value)
            if match is None:
                raise refuse(f"must be {what}")
            share = Fraction(match[1]) / 100
        else:
            share = read_number(value, what)
        if not Fraction(low, 100) <= share <= Fraction(high, 100):
            raise refuse(f"must be {what}")
        return share

    return read


def read_positive(high: int) -> Callable[[Any], float]:
    def read(value: Any) -> float:
        number = read_number(value, f"a number from 0 to {high}")
        if not 0 <= number <= high:
            raise refuse(f"must be a number from 0 to {high}")
        return float(number)

    return read


def read_keys(value: Any) -> tuple[int, int]:
    what = "a range of keys such as 36-59 (0 to 127)"
    match = re.match(r"\s*(\d{1,3})\s*(?:-|–|to)\s*(\d{1,3})\s*\Z", read_text(value, what))
    if match is None or int(match[1]) > 127 or int(match[2]) > 127:
        raise refuse(f"must be {what}")
    if int(match[1]) > int(match[2]):
        raise refuse(f"must be {what}, the lower key first")
    return int(match[1]), int(match[2])


def read_bar_number(value: Any) -> int:
    if isinstance(value, str):
        match = re.match(r"\s*bar\s+(\d{1,6})\s*\Z", value)
        value = int(match[1]) if match else value
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= MAX_BARS + 1:
        raise refuse(f"must be a bar from 1 to {MAX_BARS:,}, such as bar 9")
    return value


def read_key_map(value: Any) -> dict[int, int]:
    if not isinstance(value, dict) or not value:
        raise refuse("must be a mapping of keys such as {36: 35, 38: 40}")
    result: dict[int, int] = {}
    for key, target in value.items():
        number = int(key) if re.match(r"\d{1,3}\Z", key) else -1
        if not 0 <= number <= 127:
            raise refuse("must be a key from 0 to 127", at=key)
        if isinstance(target, bool) or not isinstance(target, int) or not 0 <= target <= 127:
            raise refuse("must be mapped to a key from 0 to 127", at=key)
        result[number] = target
    return result


def read_track(value: Any) -> str | int:
    if isinstance(value, int) and not isinstance(value, bool):
        if not 1 <= value <= 65_535:
            raise refuse("must be a track's name, or its number from 1")
        return value
    return read_name(value)


def read_setting(value: Any) -> Any:
    """Read a simulated machine's setting; what it means, the machine knows."""
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, list):
        return [read_setting(item) for item in value]
    if isinstance(value, dict):
        return {key: read_setting(item) for key, item in value.items()}
    if not isinstance(value, (str, int)):
        raise refuse("must be a value, a list or a mapping")
    return value
