"""The settings that a replay may try in place of those the take was recorded with. Pure."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from runner.errors import UsageError
from runner.music.moment import Unit, parse_span
from runner.sync.record import FollowRecord

_CLOCKS = {Unit.BARS: 96, Unit.BEATS: 24, Unit.QUARTERS: 24}  #: as for `freewheel` in a session


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting: what it means, an example, and how its text changes what the follower begins with."""

    meaning: str
    example: str
    apply: Callable[[FollowRecord, str], FollowRecord]


def _freewheel(record: FollowRecord, text: str) -> FollowRecord:
    span = parse_span(text)
    if span.is_musical:
        clocks = max(1, round(span.amount * _CLOCKS[span.unit]))
        return replace(record, follower=replace(record.follower, freewheel_clocks=clocks, freewheel_ns=None))
    return replace(record, follower=replace(record.follower, freewheel_ns=max(1, span.ns)))


def _then(record: FollowRecord, text: str) -> FollowRecord:
    if text not in ("stop", "carry-on"):
        raise ValueError(f"{text!r} is neither stop nor carry-on")
    then: Literal["stop", "carry-on"] = "carry-on" if text == "carry-on" else "stop"
    return replace(record, follower=replace(record.follower, on_dropout=then))


def _time_ns(text: str) -> int:
    span = parse_span(text)
    if span.is_musical:
        raise ValueError(f"{text!r} is a length of music; a time in ms or us is wanted")
    if not 1 <= span.ns <= 10**10:
        raise ValueError(f"{text!r} is not above 0 and at most 10 s")
    return span.ns


def _lock_limit(record: FollowRecord, text: str) -> FollowRecord:
    return replace(record, follower=replace(record.follower, lock_limit_ns=_time_ns(text)))


def _jitter_guess(record: FollowRecord, text: str) -> FollowRecord:
    return replace(record, follower=replace(record.follower, jitter_guess_ns=_time_ns(text)))


def _number(text: str, low: float, high: float) -> float:
    try:
        value = float(text.removesuffix("%").strip())
    except ValueError:
        raise ValueError(f"{text!r} is no number") from None
    if not low <= value <= high:
        raise ValueError(f"{text!r} is not from {low:g} to {high:g}")
    return value


def _tempo_limit(record: FollowRecord, text: str) -> FollowRecord:
    return replace(record, watch=replace(record.watch, tempo_limit_percent=_number(text, 0.001, 100)))


def _min_tempo(record: FollowRecord, text: str) -> FollowRecord:
    return replace(record, follower=replace(record.follower, min_bpm=_number(text, 1, 1000)))


def _max_tempo(record: FollowRecord, text: str) -> FollowRecord:
    return replace(record, follower=replace(record.follower, max_bpm=_number(text, 1, 1000)))


def _song_tempo(record: FollowRecord, text: str) -> FollowRecord:
    if text not in ("told", "untold"):
        raise ValueError(f"{text!r} is neither told nor untold")
    return replace(record, told=text == "told")


SETTINGS: Mapping[str, Setting] = {
    "freewheel": Setting("how long to go on without clock", "4 beats", _freewheel),
    "then": Setting("what then: stop or carry-on", "carry-on", _then),
    "lock-limit": Setting("how sure the time a beat ahead must be to be locked", "1 ms", _lock_limit),
    "jitter-guess": Setting("the jitter assumed until it shows", "3 ms", _jitter_guess),
    "tempo-limit": Setting("from where a tempo is not the song's, in percent", "0.5", _tempo_limit),
    "min-tempo": Setting("the slowest tempo, quarter notes a minute", "30", _min_tempo),
    "max-tempo": Setting("the fastest tempo, quarter notes a minute", "300", _max_tempo),
    "song-tempo": Setting("whether the follower is told the song's tempo map", "untold", _song_tempo),
}


def with_settings(record: FollowRecord, settings: Mapping[str, str]) -> FollowRecord:
    """Return the record with settings in place of its own; UsageError names the setting and what it takes."""
    for key, text in settings.items():
        setting = _setting(key)
        try:
            record = setting.apply(record, text.strip())
        except ValueError as error:
            raise UsageError(f"{key}: {error}; such as {key}={setting.example}") from None
    return record


def _setting(key: str) -> Setting:
    setting = SETTINGS.get(key)
    if setting is None:
        near = difflib.get_close_matches(key, SETTINGS, n=2)
        hint = f"did you mean {' or '.join(near)}?" if near else f"it knows {', '.join(SETTINGS)}"
        raise UsageError(f"no setting {key!r} of a replay; {hint}")
    return setting


def read_settings(words: Iterable[str]) -> dict[str, str]:
    """Return ``key=value`` words as a mapping; UsageError for a word without one, or a key said twice."""
    settings: dict[str, str] = {}
    for word in words:
        key, equals, text = word.partition("=")
        key = key.strip()
        if not equals or not key or not text.strip():
            raise UsageError(f"{word!r} is no setting; write key=value, such as freewheel='4 beats'")
        _setting(key)
        if key in settings:
            raise UsageError(f"setting {key!r} is given twice")
        settings[key] = text.strip()
    return settings
