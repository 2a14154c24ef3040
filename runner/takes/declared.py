"""What a take's header says about the song and the rig, so that the take explains itself without its session.

Pure. All of it is optional: an audit says less about a take that declares less, and nothing wrong.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from fractions import Fraction
from typing import Any

from runner.music.meter import Meter, MeterMap
from runner.music.moment import SongTime
from runner.music.tempo import TempoChange, TempoMap
from runner.takes.legs import LegFacts


@dataclass(frozen=True, slots=True)
class MachineFacts:
    """One machine of the rig: its port, MIDI channel (1-16), and how it takes part.

    `follows` holds "clock", "transport", "position"; `offset_ns` is what all that it gets is moved by
    (negative: earlier); `settle_ns` the time that it needs after a program change.
    """

    name: str
    port: str = ""
    channel: int | None = None
    kind: str = "instrument"
    follows: tuple[str, ...] = ()
    offset_ns: int = 0
    settle_ns: int = 0
    starts: str = ""
    link: str = "usb"


@dataclass(frozen=True, slots=True)
class Declared:
    """What was meant to happen.

    `tempo_map` rows are (quarters, quarter notes a minute, quarters that the ramp lasts), the first at 0;
    `meters` rows are (bar, "3/4"), the first at bar 1; `sections` name bars. `clocks` gives, for each
    port that gets clock, the number of its first tick in the roll and of the one after its last.
    `role` is "master" or "follower"; `source` the port that the clock comes from, "" for our own.
    The end in `clocks` is None for a roll that goes on until it is told. `legs` are the stretches of the
    roll in order; `others` says of each further song of the roll what the rest says of the first.
    """

    tempo_map: tuple[tuple[float, float, float], ...] = ()
    meters: tuple[tuple[int, str], ...] = ()
    sections: Mapping[str, int] = field(default_factory=dict)
    lead_ns: int = 0
    pre_roll_quarters: float = 0.0
    entry_quarters: float = 0.0
    end_quarters: float = 0.0
    role: str = "master"
    source: str = ""
    clocks: Mapping[str, tuple[int, int | None]] = field(default_factory=dict)
    machines: tuple[MachineFacts, ...] = ()
    legs: tuple[LegFacts, ...] = ()
    others: Mapping[str, Declared] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for the header's "declared"."""
        data = {**asdict(self), "sections": dict(self.sections), "clocks": dict(self.clocks)}
        data["others"] = {name: _song_facts(other) for name, other in self.others.items()}
        return data

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Declared:
        """Return what `to_dict` wrote. What is missing or makes no sense gets its default."""
        return cls(
            tempo_map=tuple(_tempo_rows(data.get("tempo_map"))),
            meters=tuple(_meter_rows(data.get("meters"))),
            sections={name: bar for name, bar in _items(data.get("sections")) if _is_whole(bar)},
            lead_ns=_whole(data.get("lead_ns")),
            pre_roll_quarters=_number(data.get("pre_roll_quarters")),
            entry_quarters=_number(data.get("entry_quarters")),
            end_quarters=_number(data.get("end_quarters")),
            role="follower" if data.get("role") == "follower" else "master",
            source=_text(data.get("source")),
            clocks={
                port: (span[0], span[1])
                for port, span in _items(data.get("clocks"))
                if isinstance(span, list | tuple)
                and len(span) == 2
                and _is_whole(span[0])
                and (span[1] is None or _is_whole(span[1]))
            },
            machines=tuple(_machines(data.get("machines"))),
            legs=tuple(_legs(data.get("legs"))),
            others={
                name: Declared.from_dict({**other, "others": {}})
                for name, other in _items(data.get("others"))
                if isinstance(other, Mapping)
            },
        )

    @classmethod
    def of_song(cls, time: SongTime, **facts: Any) -> Declared:
        """Return what a song's time says, with further fields as `facts`."""
        tempo, meters = time.tempo, time.meters
        return cls(
            tempo_map=(
                (0.0, float(tempo.first_bpm), 0.0),
                *((float(c.at), float(c.bpm), float(c.over)) for c in tempo.changes),
            ),
            meters=((1, str(meters.first)), *((bar, str(meter)) for bar, meter in meters.changes)),
            sections=dict(time.sections),
            pre_roll_quarters=float(time.pre_roll_quarters),
            end_quarters=float(time.end_quarters),
            **facts,
        )

    @property
    def has_tempo(self) -> bool:
        """Whether a tempo is declared."""
        return bool(self.tempo_map)

    @property
    def steady_bpm(self) -> float | None:
        """The tempo, if it never changes."""
        same = all(other.tempo_map == self.tempo_map for other in self.others.values())
        return self.tempo_map[0][1] if len(self.tempo_map) == 1 and same else None

    def tempo(self) -> TempoMap | None:
        """The declared tempo map, or None if none is declared or it makes no sense."""
        if not self.tempo_map:
            return None
        with contextlib.suppress(ValueError, OverflowError):
            changes = [
                TempoChange(_near(at), _near(bpm), _near(over)) for at, bpm, over in self.tempo_map[1:]
            ]
            return TempoMap(_near(self.tempo_map[0][1]), changes)
        return None

    def song_time(self) -> SongTime | None:
        """Where the song's moments lie, or None if the declaration does not tell."""
        tempo = self.tempo()
        if tempo is None or not self.meters:
            return None
        with contextlib.suppress(ValueError, OverflowError):
            meters = MeterMap(
                Meter.parse(self.meters[0][1]), [(bar, Meter.parse(text)) for bar, text in self.meters[1:]]
            )
            return SongTime(
                meters, tempo, self.sections, _near(self.pre_roll_quarters), _near(self.end_quarters)
            )
        return None

    def song_times(self, song: str) -> dict[str, SongTime | None]:
        """Where the moments of each song of the roll lie; `song` is the first one's name."""
        return {song: self.song_time(), **{name: other.song_time() for name, other in self.others.items()}}


def _song_facts(declared: Declared) -> dict[str, Any]:
    """What is told of a further song of a roll."""
    return {
        "tempo_map": [list(row) for row in declared.tempo_map],
        "meters": [list(row) for row in declared.meters],
        "sections": dict(declared.sections),
        "pre_roll_quarters": declared.pre_roll_quarters,
        "end_quarters": declared.end_quarters,
    }


def _legs(value: Any) -> list[LegFacts]:
    rows = [row for row in _rows(value) if isinstance(row, Mapping) and isinstance(row.get("song"), str)]
    return [
        LegFacts(
            row["song"],
            _number(row.get("entry_quarters")),
            _number(row.get("exit_quarters")),
            max(0, _whole(row.get("repeats"))),
        )
        for row in rows
    ]


def _near(number: float) -> Fraction:
    """The fraction that a float was made from: tempos and positions have small denominators."""
    return Fraction(number).limit_denominator(100_000)


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and -(2**62) < value < 2**62


def _is_number(value: Any) -> bool:
    return _is_whole(value) or (isinstance(value, float) and math.isfinite(value) and abs(value) < 1e15)


def _whole(value: Any) -> int:
    return value if _is_whole(value) else 0


def _number(value: Any) -> float:
    return float(value) if _is_number(value) else 0.0


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""


def _items(value: Any) -> Sequence[tuple[str, Any]]:
    return list(value.items()) if isinstance(value, Mapping) else []


def _rows(value: Any) -> Sequence[Any]:
    return value if isinstance(value, list | tuple) else ()


def _tempo_rows(value: Any) -> list[tuple[float, float, float]]:
    rows = [tuple(row) for row in _rows(value) if isinstance(row, list | tuple) and len(row) == 3]
    good = [row for row in rows if all(map(_is_number, row)) and row[1] > 0]
    return [(float(at), float(bpm), float(over)) for at, bpm, over in good]


def _meter_rows(value: Any) -> list[tuple[int, str]]:
    rows = [row for row in _rows(value) if isinstance(row, list | tuple) and len(row) == 2]
    return [(row[0], row[1]) for row in rows if _is_whole(row[0]) and isinstance(row[1], str)]


def _machines(value: Any) -> list[MachineFacts]:
    rows = [row for row in _rows(value) if isinstance(row, Mapping) and isinstance(row.get("name"), str)]
    return [
        MachineFacts(
            name=row["name"],
            port=_text(row.get("port")),
            channel=row["channel"] if _is_whole(row.get("channel")) else None,
            kind=_text(row.get("kind")) or "instrument",
            follows=tuple(word for word in _rows(row.get("follows")) if isinstance(word, str)),
            offset_ns=_whole(row.get("offset_ns")),
            settle_ns=_whole(row.get("settle_ns")),
            starts=_text(row.get("starts")),
            link=_text(row.get("link")) or "usb",
        )
        for row in rows
    ]
