"""The limits that a take is held against, and the verdict.

Pure. Nothing is judged by a number that is not here or in the session's `limits:`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields
from enum import StrEnum
from typing import Any

from runner.errors import Severity


class Verdict(StrEnum):
    """What a take is worth, from best to worst."""

    CLEAN = "clean"  #: within all limits
    FLAWED = "flawed"  #: played to the end, and something was beyond a limit
    INTERRUPTED = "interrupted"  #: stopped before its end, or its log ends without saying how it ended
    FAILED = "failed"  #: something broke that a take cannot do without


@dataclass(frozen=True, slots=True)
class Limits:
    """What a take may show and still be called clean; the names are those of the session's `limits:`.

    Defaults: `clock_ns` one byte on a DIN cable (MIDI 1.0: 31.25 kbaud, 10 bits, 320 µs); `lateness_ns`
    and `wire_wait_ns` one full-speed USB frame (1 ms); `cue_ns` the smallest displacement that listeners
    notice in a regular run (6 ms: Friberg and Sundberg, J. Acoust. Soc. Am. 98, 1995); `tempo_percent` a
    fifteenth of the smallest noticeable difference of tempo (1.5 %: Drake and Botte, Percept. Psychophys.
    54, 1993), since it adds up to 240 ms in four minutes.
    """

    clock_ns: int = 320_000
    lateness_ns: int = 1_000_000
    cue_ns: int = 6_000_000
    wire_wait_ns: int = 1_000_000
    missing_clocks: int = 0
    extra_clocks: int = 0
    tempo_percent: float = 0.1

    @classmethod
    def from_mapping(cls, data: Mapping[str, Any]) -> Limits:
        """Return limits from plain data, keys as here or as in the session file ("wire-wait").

        A value that is no number of 0 or more gets the default.
        """
        values: dict[str, Any] = {}
        for field in fields(cls):
            file_key = field.name.removesuffix("_ns").replace("_", "-")
            value = data.get(field.name, data.get(file_key))
            if not isinstance(value, int | float) or isinstance(value, bool):
                continue
            if 0 <= value < math.inf:
                values[field.name] = float(value) if field.name == "tempo_percent" else int(value)
        return cls(**values)

    def to_dict(self) -> dict[str, int | float]:
        """Return the limits as plain data."""
        return asdict(self)


def judge(severities: Iterable[Severity], outcome: str | None) -> Verdict:
    """Return the verdict of a take.

    `outcome` is how it ended: "complete", "stopped", "failed", or None if its log does not say.
    """
    seen = set(severities)
    if outcome is None:
        return Verdict.INTERRUPTED
    if outcome == "failed" or "error" in seen:
        return Verdict.FAILED
    if outcome == "stopped":
        return Verdict.INTERRUPTED
    return Verdict.FLAWED if "warning" in seen else Verdict.CLEAN
