"""A take as a Standard MIDI File: what was sent and what came in, at the times at which it did.

Pure. Format 1: the tempo map, then a track for each port and direction. Ticks follow the declared tempo,
so bars lie where an editor expects them; times are real, within half a tick, and a tick is never longer
than 0.25 ms. Bar 1 of the song is a whole number of bars into the file.

Clock and other system messages have no place of their own in an SMF. The specification (RP-001 v1.0, p. 6)
lets them in as escapes, ``F7 <length> <bytes>``, but common readers refuse such files (mido 1.3 raises on
data over 7F). So by default transport and position messages are text events and clocks are left out (they
are in clock.jsonl); `escapes=True` gives the full form.
"""

from __future__ import annotations

import struct
from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from runner.music.meter import Meter
from runner.music.moment import SongTime
from runner.takes.lines import hex_text
from runner.takes.model import Event, Take, TickTrack

MAX_TICK_NS = 250_000
PPQS = (9600, 19200, 28800)  #: multiples of 24; the largest division that an SMF can state is 32767
MAX_DELTA = 0x0FFFFFFF
_TEMPO_LIMIT = 0xFFFFFF  #: µs a quarter, 24 bits
_NAMES = {0xF2: "Song Position", 0xF3: "Song Select", 0xFA: "Start", 0xFB: "Continue", 0xFC: "Stop"}
_SHAPE_STEP = Fraction(1)  #: a ramp is written as one tempo event a quarter note


@dataclass(frozen=True, slots=True)
class TickScale:
    """How times become ticks. Row i holds from `starts_ns[i]`: its tick, and µs a quarter note.

    `bar_one` is the tick of bar 1 beat 1.
    """

    ppq: int
    starts_ns: tuple[int, ...]
    ticks: tuple[int, ...]
    us_per_quarter: tuple[int, ...]
    bar_one: int

    def tick(self, t_ns: int) -> int:
        """Return the tick nearest to a time; 0 before the file's start."""
        row = max(0, bisect_right(self.starts_ns, t_ns) - 1)
        quarter_ns = self.us_per_quarter[row] * 1000
        past = (2 * (t_ns - self.starts_ns[row]) * self.ppq + quarter_ns) // (2 * quarter_ns)
        return max(0, self.ticks[row] + past)


def capture_midi(take: Take, *, escapes: bool = False) -> bytes:
    """Return the take as the bytes of a Standard MIDI File; with `escapes`, clocks and all."""
    time = take.declared.song_time()
    first_ns = _first_time(take)
    scale = _song_scale(time, first_ns) if time is not None else _plain_scale(first_ns)
    tracks = [_conductor(take, time, scale)]
    by_track: dict[tuple[str, str], list[Event]] = {}
    for event in take.of_kind("sent", "cut", "received"):
        direction = "in" if event.kind == "received" else "out"
        by_track.setdefault((event.port, direction), []).append(event)
    keys = sorted(set(by_track) | (set(take.tracks) if escapes else set()))
    for key in keys:
        clocks = take.tracks.get(key) if escapes else None
        tracks.append(_track(key, by_track.get(key, []), clocks, scale, escapes))
    head = b"MThd" + struct.pack(">IHHH", 6, 1, len(tracks), scale.ppq)
    return head + b"".join(b"MTrk" + struct.pack(">I", len(track)) + track for track in tracks)


def _first_time(take: Take) -> int:
    times = [event.t_ns for event in take.of_kind("sent", "cut", "received")]
    times += [track.t_ns[0] for track in take.tracks.values() if len(track)]
    return min(times, default=0)


def _plain_scale(first_ns: int) -> TickScale:
    """Without a declared tempo: 120 BPM (the SMF default), from the first event or bar 1."""
    start = min(0, first_ns)
    return TickScale(PPQS[0], (start,), (0,), (500_000,), -start * PPQS[0] // 500_000_000)


def _song_scale(time: SongTime, first_ns: int) -> TickScale:
    segments = time.tempo.segments
    slowest_us = max(_us(bpm) for s in segments for bpm in (s.first_bpm, s.last_bpm))
    ppq = next((ppq for ppq in PPQS if slowest_us * 1000 <= MAX_TICK_NS * ppq), PPQS[-1])
    origin = _origin(time, first_ns)
    starts: list[Fraction] = []
    ticks: list[int] = []
    tempos: list[int] = []
    at = origin
    t_ns = origin * 60_000_000_000 / time.tempo.first_bpm if origin < 0 else Fraction(0)
    for quarters, bpm in _tempo_rows(time):
        if quarters > at:
            t_ns += (quarters - at) * tempos[-1] * 1000
            at = quarters
        elif starts:
            starts.pop(), ticks.pop(), tempos.pop()
        starts.append(t_ns)
        ticks.append(round((at - origin) * ppq))
        tempos.append(_us(bpm))
    whole = tuple(round(start) for start in starts)
    return TickScale(ppq, whole, tuple(ticks), tuple(tempos), round(-origin * ppq))


def _origin(time: SongTime, first_ns: int) -> Fraction:
    """Where the file begins: the bar line at or before the first event, bar 1 at the latest."""
    if first_ns >= 0:
        return Fraction(0)
    bar = time.meters.position(time.tempo.quarters_at(first_ns)).bar
    return time.meters.bar_start(min(bar, 1)) if bar != 1 else Fraction(0)


def _tempo_rows(time: SongTime) -> Iterable[tuple[Fraction, Fraction]]:
    """Yield (position, tempo) of each tempo event; a ramp has one a quarter, at the tempo of its middle."""
    yield Fraction(-(10**9)), time.tempo.first_bpm
    for segment in time.tempo.segments:
        if not segment.is_ramp or segment.end_quarters is None:
            yield segment.start_quarters, segment.first_bpm
            continue
        at = segment.start_quarters
        while at < segment.end_quarters:
            middle = min(at + _SHAPE_STEP / 2, segment.end_quarters)
            yield at, segment.bpm_at(middle)
            at += _SHAPE_STEP


def _us(bpm: Fraction) -> int:
    return min(_TEMPO_LIMIT, max(1, round(60_000_000 / bpm)))


def _conductor(take: Take, time: SongTime | None, scale: TickScale) -> bytes:
    """The first track: name, meters, tempos, and the sections as markers."""
    header = take.header
    rows: list[tuple[int, bytes]] = [(0, _text(3, f"{header.song}, {header.pass_name}, {header.take}"))]
    rows += [
        (tick, b"\xff\x51\x03" + us.to_bytes(3, "big"))
        for tick, us in zip(scale.ticks, scale.us_per_quarter, strict=True)
    ]
    if time is not None:
        rows.append((0, _meter(time.meters.first)))
        for bar, meter in time.meters.changes:
            rows.append((_bar_tick(time, scale, bar), _meter(meter)))
        for name, bar in time.sections.items():
            rows.append((_bar_tick(time, scale, bar), _text(6, name)))
    return _join(sorted(rows, key=lambda row: row[0]))


def _bar_tick(time: SongTime, scale: TickScale, bar: int) -> int:
    """The tick of a bar line: by position, so that it is exact where a ramp is only stepped."""
    return max(0, scale.bar_one + round(time.meters.bar_start(bar) * scale.ppq))


def _meter(meter: Meter) -> bytes:
    power = meter.denominator.bit_length() - 1
    clocks = max(1, min(255, round(96 / meter.denominator)))
    return bytes((0xFF, 0x58, 4, min(255, meter.numerator), power, clocks, 8))


def _text(kind: int, text: str) -> bytes:
    data = text.encode()
    return bytes((0xFF, kind)) + _variable(len(data)) + data


def _track(
    key: tuple[str, str], events: list[Event], clocks: TickTrack | None, scale: TickScale, escapes: bool
) -> bytes:
    port, direction = key
    rows = [(scale.tick(event.t_ns), _body(event.data, escapes)) for event in events if event.data]
    if clocks is not None:
        rows += [(scale.tick(t), b"\xf7\x01\xf8") for t in clocks.t_ns]
        rows.sort(key=lambda row: row[0])
    rows.sort(key=lambda row: row[0])
    return _join([(0, _text(3, f"{port} {direction}")), *rows])


def _body(data: bytes, escapes: bool) -> bytes:
    """One message as an SMF event: as it is, as a sysex, as an escape, or told as text."""
    status = data[0]
    if 0x80 <= status < 0xF0 and len(data) == (2 if status & 0xE0 == 0xC0 else 3) and max(data[1:]) < 0x80:
        return data
    if status == 0xF0 and data[-1] == 0xF7 and all(byte < 0x80 for byte in data[1:-1]):
        return b"\xf0" + _variable(len(data) - 1) + data[1:]
    if escapes:
        return b"\xf7" + _variable(len(data)) + data
    return _text(1, f"{_NAMES.get(status, 'bytes')} ({hex_text(data)})")


def _join(rows: list[tuple[int, bytes]]) -> bytes:
    parts: list[bytes] = []
    now = 0
    for tick, body in rows:
        parts.append(_variable(min(MAX_DELTA, max(0, tick - now))))
        parts.append(body)
        now = max(now, tick)
    parts.append(b"\x00\xff\x2f\x00")
    return b"".join(parts)


def _variable(number: int) -> bytes:
    """A number as a variable-length quantity (RP-001, p. 2)."""
    if number < 0x80:
        return bytes((number,))
    out = [number & 0x7F]
    number >>= 7
    while number:
        out.append(0x80 | (number & 0x7F))
        number >>= 7
    return bytes(reversed(out))
