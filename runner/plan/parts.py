"""The notes of one part: what a session takes out of a Standard MIDI File for one machine.

`select_part` picks a track, channel, key range and bars out of a file, moves them to the machine's
channel and gives `PartNotes`. Everything that does not come through is counted and told.

Format of `PartNotes`, for those who compile it
-----------------------------------------------
Parallel columns, one row per message to be sent, in the order in which they are to be sent:

``ticks``     array('q'): ticks from the start of the *file*, which is bar 1 beat 1 of the song;
              ``Fraction(tick, ppq)`` is the song position in quarter notes. Never decreasing.
``status``    bytes: the status byte, already on the target channel. Note Offs are always 8n.
``data1``     bytes: first data byte (key, controller, program, pressure, bend LSB).
``data2``     bytes: second data byte; 0 for the messages without one (Cn, Dn).
``order``     bytes: `EventOrder` of the row. Program changes and their bank selects are PROGRAM, all other
              channel messages CONTROL, then NOTE_OFF, NOTE_ON. The Note Off of a note of no length carries
              NOTE_ON and stands behind its Note On, so that a *stable* sort by (time, order) never puts an
              end before its beginning.
``partner``   array('i'): for a Note On the row of its own Note Off (always a later row), for a Note Off the
              row of its Note On, -1 for the rest. Every Note On has a partner.

Within one tick rows are sorted by ``order``; equal orders keep the file's own order.
A note sounds at tick ``t`` when ``ticks[on] <= t < ticks[partner[on]]``.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from fractions import Fraction
from math import floor
from typing import Protocol

from runner.errors import PartFileError, Problem, Severity
from runner.plan.part_rows import FileRow, RowBuilder, RowRules, keys_with_ends_first
from runner.plan.smf_file import SmfFile, SmfTrack
from runner.plan.smf_maps import meters_from

NO_PARTNER = -1
_NAMED_TRACKS = 12  #: tracks that an error lists at most


class PartChoice(Protocol):
    """What `select_part` wants to know; a session's `PartSpec` is one.

    `track` is a name, or a number from 1; `channel` a channel of the file, 1 to 16; None takes all.
    `velocity` is a factor. `keys` are the lowest and the highest key taken, as they stand in the file.
    `from_` and `to` are bars of the *file*, by the file's own meters: the part is silent before the first
    beat of bar `from_` and from the first beat of bar `to` on. Nothing is moved by them: bar 17 of the
    file is played at bar 17. `map` gives, for a key of the file, the key to be played.
    The order is: keys, then map, then transpose.
    """

    @property
    def track(self) -> str | int | None: ...
    @property
    def channel(self) -> int | None: ...
    @property
    def to_channel(self) -> int | None: ...
    @property
    def transpose(self) -> int: ...
    @property
    def velocity(self) -> Fraction: ...
    @property
    def keys(self) -> tuple[int, int] | None: ...
    @property
    def from_(self) -> int | None: ...
    @property
    def to(self) -> int | None: ...
    @property
    def map(self) -> Mapping[int, int] | None: ...


@dataclass(frozen=True, slots=True)
class PartCounts:
    """How many notes a part has, and how many were left out or changed, and why."""

    notes: int = 0  #: notes of the part, as it will be played
    other: int = 0  #: controllers, programs, bends and pressures of the part
    outside_keys: int = 0  #: left out by `keys`
    outside_bars: int = 0  #: left out because they begin outside `from` and `to`
    off_keyboard: int = 0  #: left out because the transposed key is below 0 or above 127
    shortened: int = 0  #: ended at `to`
    hanging: int = 0  #: had no Note Off in the file and were ended with their track
    stray_offs: int = 0  #: Note Offs of the file that belong to no Note On; left out
    clamped: int = 0  #: scaled velocities brought back to 1 or 127
    ends_first: int = 0  #: of no length, with the Note Off written before the Note On
    programs_left_out: int = 0  #: program changes and bank selects not taken from the file
    released: int = 0  #: pedals lifted and bends centred at `to`, where the file would have kept them
    sysex: int = 0  #: system exclusive messages and escapes of the track; never sent from a part


@dataclass(frozen=True, slots=True)
class PartNotes:
    """A part ready to be compiled: columns as the head of this module describes them."""

    file: str
    ppq: int  #: ticks per quarter note
    ticks: array[int]
    status: bytes
    data1: bytes
    data2: bytes
    order: bytes
    partner: array[int]
    end_tick: int  #: where the part ends: the end of the file's last track, or bar `to`
    channels: tuple[int, ...] = ()  #: channels (1 to 16) to which the rows are addressed
    counts: PartCounts = field(default_factory=PartCounts)
    notices: tuple[Problem, ...] = ()  #: what was left out or odd, as warnings and notes

    def __len__(self) -> int:
        return len(self.ticks)

    def messages(self) -> list[bytes]:
        """Return the bytes of every row, 2 or 3 each; equal messages are one object."""
        known: dict[tuple[int, int, int], bytes] = {}
        result: list[bytes] = []
        for row in zip(self.status, self.data1, self.data2, strict=True):
            message = known.get(row)
            if message is None:
                message = bytes(row[:2]) if 0xC0 <= row[0] < 0xE0 else bytes(row)
                known[row] = message
            result.append(message)
        return result

    def notes(self) -> Iterator[tuple[int, int]]:
        """Yield the rows (Note On, its Note Off) of every note, in the order of the Note Ons."""
        for row, other in enumerate(self.partner):
            if other > row:
                yield row, other

    def key_range(self) -> tuple[int, int] | None:
        """Return the lowest and highest key played, or None if the part has no notes."""
        keys = {self.data1[row] for row, _ in self.notes()}
        return (min(keys), max(keys)) if keys else None


def select_part(
    smf: SmfFile, spec: PartChoice, channel: int | None = None, *, programs: bool = True
) -> PartNotes:
    """Return what `spec` takes out of `smf`, on its `to_channel`, else on `channel` (the machine's, from 1).

    Without either the channels of the file are kept. What controllers, programs and bends say before bar
    `from_` is in force from its first beat. Velocities are scaled exactly, rounded half up, and kept within
    1 to 127. Without `programs` the file's program changes and bank selects are left out: for songs whose
    cues choose the sounds.

    Raises PartFileError for a track that the file does not have, and, where `from_` or `to` is given, for
    a file whose meter changes within a bar.
    """
    track = _find_track(smf, spec.track)
    first_tick, last_tick = (_tick_of_bar(smf, bar) for bar in (spec.from_, spec.to))
    target = spec.to_channel or channel
    velocities, clamped = _velocities(spec.velocity)
    rules = RowRules(
        keys=_keys(spec),
        velocities=velocities,
        clamped=clamped,
        channel=None if target is None else target - 1,
        programs=programs,
        **({} if first_tick is None else {"first_tick": first_tick}),
        **({} if last_tick is None else {"last_tick": last_tick}),
    )
    builder = RowBuilder(rules)
    builder.add(_rows(smf, track, spec.channel))
    if suspects := builder.suspects():
        ends_first = keys_with_ends_first(_rows(smf, track, spec.channel), suspects)
        builder = RowBuilder(rules, ends_first)
        builder.add(_rows(smf, track, spec.channel))
    builder.finish({each.number: each.end_tick for each in smf.tracks})
    columns = builder.build()
    packets = sum(1 for packet in smf.sysex if track is None or packet.track == track.number)
    other = len(columns["ticks"]) - 2 * builder.counts["notes"]
    counts = PartCounts(**builder.counts, other=other, released=builder.released, sysex=packets)
    return PartNotes(
        file=smf.file,
        ppq=smf.ppq,
        end_tick=smf.end_tick if last_tick is None else min(smf.end_tick, last_tick),
        counts=counts,
        notices=tuple(_notices(smf, spec, track, counts, target)),
        **columns,
    )


def _find_track(smf: SmfFile, wanted: str | int | None) -> SmfTrack | None:
    if wanted is None:
        return None
    if isinstance(wanted, int):
        if 1 <= wanted <= len(smf.tracks):
            return smf.tracks[wanted - 1]
        raise PartFileError(f"there is no track {wanted}; {_tracks_text(smf.tracks)}", file=smf.file)
    found = [track for track in smf.tracks if track.name == wanted]
    found = found or [track for track in smf.tracks if track.name.casefold() == wanted.casefold()]
    if len(found) > 1:
        sounding = [track for track in found if track.events]
        found = sounding if len(sounding) == 1 else found
    if len(found) == 1:
        return found[0]
    if found:
        numbers = ", ".join(str(track.number) for track in found)
        text = f"tracks {numbers} are all named {wanted!r}; give the number of the one that is meant"
        raise PartFileError(text, file=smf.file)
    near = get_close_matches(wanted, [track.name for track in smf.tracks if track.name], 1)
    hint = f"did you mean {near[0]!r}? " if near else ""
    raise PartFileError(f"there is no track {wanted!r}; {hint}{_tracks_text(smf.tracks)}", file=smf.file)


def _tracks_text(tracks: tuple[SmfTrack, ...]) -> str:
    if not tracks:
        return "the file has no tracks"
    more = f" and {len(tracks) - _NAMED_TRACKS} more" if len(tracks) > _NAMED_TRACKS else ""
    return f"the file has {', '.join(map(str, tracks[:_NAMED_TRACKS]))}{more}"


def _tick_of_bar(smf: SmfFile, bar: int | None) -> int | None:
    if bar is None:
        return None
    return floor(meters_from(smf).bar_start(bar) * smf.ppq)


def _keys(spec: PartChoice) -> tuple[int | None, ...]:
    low, high = spec.keys or (0, 127)
    mapping = spec.map or {}
    result: list[int | None] = []
    for key in range(128):
        played = mapping.get(key, key) + spec.transpose
        result.append(None if not low <= key <= high else played if 0 <= played <= 127 else -1)
    return tuple(result)


def _velocities(scale: Fraction) -> tuple[bytes, frozenset[int]]:
    exact = [floor(velocity * scale + Fraction(1, 2)) for velocity in range(128)]
    kept = [min(127, max(1, velocity)) for velocity in exact]
    changed = {velocity for velocity in range(1, 128) if exact[velocity] != kept[velocity]}
    return bytes(kept), frozenset(changed)


def _rows(smf: SmfFile, track: SmfTrack | None, channel: int | None) -> Iterator[FileRow]:
    rows = zip(smf.track, smf.ticks, smf.status, smf.data1, smf.data2, strict=True)
    if track is None and channel is None:
        return rows
    if channel is None:
        number = track.number if track else 0
        return (row for row in rows if row[0] == number)
    low = channel - 1
    if track is None:
        return (row for row in rows if row[2] & 0x0F == low)
    return (row for row in rows if row[0] == track.number and row[2] & 0x0F == low)


_TOLD: tuple[tuple[str, str, Severity], ...] = (
    ("off_keyboard", "{} left out: transposed below key 0 or above key 127", "warning"),
    ("hanging", "{} without a Note Off in the file; ended with their track", "warning"),
    ("ends_first", "{} of no length: the file has the Note Off before the Note On", "note"),
    ("outside_keys", "{} left out by `keys`", "note"),
    ("outside_bars", "{} left out: they begin outside `from` and `to`", "note"),
    ("shortened", "{} ended at `to`, where they would have sounded on", "note"),
    ("clamped", "{} kept within velocity 1 to 127 after scaling", "note"),
)


def _notices(
    smf: SmfFile, spec: PartChoice, track: SmfTrack | None, counts: PartCounts, target: int | None
) -> Iterator[Problem]:
    def tell(text: str, severity: Severity) -> Problem:
        return Problem(text, path=f"track {track}" if track else "", file=smf.file, severity=severity)

    for name, text, severity in _TOLD:
        count: int = getattr(counts, name)
        if count:
            yield tell(text.format("1 note" if count == 1 else f"{count} notes"), severity)
    if counts.stray_offs:
        yield tell(f"{_times(counts.stray_offs, 'Note Off')} without a Note On; left out", "note")
    if counts.released:
        yield tell(f"{_times(counts.released, 'pedal or bend')} brought to rest at `to`", "note")
    if counts.sysex:
        yield tell(f"{_times(counts.sysex, 'sysex event')} not sent; a cue can send what is needed", "note")
    sources = [track] if track else smf.tracks
    channels = sorted({number for each in sources for number in each.channels})
    if spec.channel is None and target is not None and len(channels) > 1:
        names = ", ".join(map(str, channels))
        yield tell(f"channels {names} of the file are all played on channel {target}", "warning")
    if not counts.notes:
        at = f" on channel {spec.channel}" if spec.channel is not None else ""
        yield tell(f"the part has no notes{at}; {_tracks_text(smf.tracks)}", "warning")


def _times(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"
