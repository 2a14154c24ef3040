"""Writes a first session for a Standard MIDI File: its tempo, meters, sections, machines and parts.

The text is YAML that the session loader accepts as it stands, with comments that say what to fill in and
what of the file could not be taken over. Program changes become cues, where they can be seen and altered, and
the part of such a channel is told to leave its own out, so that each is sent once. A channel whose program
changes no cue can say as they stand keeps them in its part.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

from runner.errors import PartFileError
from runner.music.meter import Meter, MeterMap
from runner.music.position import Position
from runner.plan.smf_file import SmfFile, SmfTrack
from runner.plan.smf_maps import bars_to, bpm_of, read_meters, sections_from, tempo_from
from runner.plan.take_over import MAX_CHANGES
from runner.session.fields_file import FromFile

_PERCUSSION_CHANNEL = 10  #: General MIDI level 1, p. 2
_MIN_BPM, _MAX_BPM = 4, 999
_MAX_BARS = 20_000
_MAX_QUARTERS = 100_000
_MAX_BEATS, _MAX_DENOMINATOR = 64, 64
_MAX_ROWS = 2_000  #: tempo changes, or cues of a channel, that a person would still read
_MAX_NAME = 60
_MAX_FILE = 120
_SHOWN = 40  #: remarks at the end of the text

_HEAD = """\
# A session drafted from {file}: {what}.
# What to look at before the first roll: the port, the machines' channels, and each line marked TODO.
# `takewright check` says what is wrong with it, `takewright plan` what would be sent.
"""
_PORTS = """
ports:
  # TODO: a port of this system, as `takewright ports` lists them: {match: "Front USB*"}. Until then all goes
  # to a virtual port of this name, to which any program can be connected.
  rig: {create: takewright-rig, direction: out}
"""


@dataclass(frozen=True, slots=True)
class _Program:
    tick: int
    channel: int
    program: int  #: from 1
    bank: tuple[int, int] | None


@dataclass(slots=True)
class _Draft:
    smf: SmfFile
    title: str
    file: str
    meters: MeterMap
    bars: int
    remarks: list[str] = field(default_factory=list)
    cued: dict[int, list[_Program]] = field(default_factory=dict)  #: program changes that become cues


def draft_session(smf: SmfFile, file: str) -> str:
    """Return the text of a session with one song, which plays all of `smf`.

    `file` is the part file's name as seen from where the session is going to be kept.
    Raises PartFileError for a file with nothing to play, and for a name that a session cannot hold.
    """
    if not smf.ticks:
        raise PartFileError("no notes or other channel messages: there is nothing to draft", file=smf.file)
    if len(file) > _MAX_FILE or not file.isprintable():
        text = f"a session can name files of at most {_MAX_FILE} characters, all printable; rename it"
        raise PartFileError(text, file=smf.file)
    meters, remarks = _usable_meters(smf)
    draft = _Draft(smf, _title(file), file, meters, 0, remarks)
    draft.bars = _bars(draft)
    draft.cued = _cued(draft)
    names = _machine_names(smf)
    tracks = len(smf.tracks)
    what = f"type {smf.format}, {tracks} track{'s' * (tracks != 1)}, {smf.ppq} ticks per quarter note"
    lines = [_HEAD.format(file=_comment(file), what=what)]
    lines += [f"session: {_quoted(draft.title)}\nformat: 1", _PORTS, "machines:"]
    lines += _machines(smf, names)
    lines += ["", "songs:", *_song(draft), *_parts(draft, names), *_cues(draft, names)]
    lines += ["", f"order: [{_quoted(draft.title)}]"]
    remarks = list(dict.fromkeys(draft.remarks))
    if remarks:
        lines += [
            "",
            "# Not taken over as the file has it:",
            *(f"# - {_comment(each)}" for each in remarks[:_SHOWN]),
        ]
    if len(remarks) > _SHOWN:
        lines.append(f"# - and {len(remarks) - _SHOWN} more")
    return "\n".join(lines) + "\n"


def _song(draft: _Draft) -> Iterator[str]:
    smf = draft.smf
    first, changes = _tempos(draft)
    yield f"  - song: {_quoted(draft.title)}"
    yield f"    tempo: {first}"
    yield f"    meter: {draft.meters.first}"
    yield f"    length: {draft.bars} bar{'s' * (draft.bars != 1)}"
    if _begins_at_the_end(draft):
        yield "    tail: 1 beat             # the file's last notes begin where its last bar ends"
    yield "    # lead: 4 s              # clock before the start, for machines that must settle on it"
    yield "    # pre-roll: 2 bars       # counted before bar 1"
    found = sections_from(smf, draft.meters)
    draft.remarks += [notice.message for notice in found.notices]
    sections = {name: bar for name, bar in found.bars.items() if bar <= draft.bars}
    draft.remarks += [
        f"the marker {name!r} behind the last bar" for name in found.bars if name not in sections
    ]
    if sections:
        yield "    sections:  # from the file's markers and cue points"
        yield from (f"      {_quoted(name)}: {bar}" for name, bar in sections.items())
    if changes:
        yield "    tempo-changes:"
        yield from (f"      - {{at: {at}, tempo: {tempo}}}" for at, tempo in changes)
    meter_changes = [(bar, meter) for bar, meter in draft.meters.changes if bar <= draft.bars]
    if meter_changes:
        yield "    meter-changes:"
        yield from (f"      - {{at: bar {bar}, meter: {meter}}}" for bar, meter in meter_changes)


def _begins_at_the_end(draft: _Draft) -> bool:
    """Return whether a note begins at the very end: its bar is counted as the one before."""
    smf = draft.smf
    end = draft.meters.bar_start(draft.bars + 1) * smf.ppq
    row = len(smf.ticks) - 1
    while row >= 0 and smf.ticks[row] == end:
        if 0x90 <= smf.status[row] < 0xA0 and smf.data2[row]:
            return True
        row -= 1
    return False


def _parts(draft: _Draft, names: dict[int, str]) -> Iterator[str]:
    yield "    parts:"
    for channel, name in names.items():
        track = _only_track(draft.smf, channel)
        choice = f"track: {_quoted(track.name)}" if track else f"channel: {channel}"
        programs = ", programs: false" if channel in draft.cued else ""
        yield f"      - {{file: {_quoted(draft.file)}, {choice}, machine: {_quoted(name)}{programs}}}"


def _cues(draft: _Draft, names: dict[int, str]) -> Iterator[str]:
    programs = sorted((each for cues in draft.cued.values() for each in cues), key=lambda each: each.tick)
    if not programs:
        return
    yield "    cues:  # the file's program changes; programs count from 1 as on most machines"
    for each in programs:
        bank = f', bank: "{each.bank[0]}/{each.bank[1]}"' if each.bank else ""
        machine = _quoted(names[each.channel])
        yield f"      - {{at: {_at(draft, each.tick)}, machine: {machine}, program: {each.program}{bank}}}"


def _cued(draft: _Draft) -> dict[int, list[_Program]]:
    """Return the program changes that are written as cues, by channel."""
    cued: dict[int, list[_Program]] = {}
    total = 0
    for channel, programs in sorted(_programs(draft.smf).items()):
        why = "with bank selects that a cue cannot say as they are" if programs is None else ""
        if programs and total + len(programs) > _MAX_ROWS:
            why = f"which are {len(programs)}, too many for cues"
        elif programs and _position(draft, programs[-1].tick).bar > draft.bars:
            why = "some of them behind the last bar"
        if programs and not why:
            cued[channel] = programs
            total += len(programs)
        else:
            draft.remarks.append(f"the programs of channel {channel} as cues, {why}: its part sends them")
    return cued


def _machines(smf: SmfFile, names: dict[int, str]) -> Iterator[str]:
    notes = dict.fromkeys(names, 0)
    keys: dict[int, set[int]] = {channel: set() for channel in names}
    for status, key, velocity in zip(smf.status, smf.data1, smf.data2, strict=True):
        if 0x90 <= status < 0xA0 and velocity:
            notes[(status & 0x0F) + 1] += 1
            keys[(status & 0x0F) + 1].add(key)
    yield "  # TODO: `follows: [clock, transport]` for a machine that plays by itself; `settle: 120 ms` for"
    yield "  # one that is slow to change its program; `offset: -3 ms` for one that sounds late"
    for channel, name in names.items():
        span = f", keys {min(keys[channel])} to {max(keys[channel])}" if keys[channel] else ""
        count = f"{notes[channel]} note{'s' * (notes[channel] != 1)}"
        yield f"  {_quoted(name)}: {{port: rig, channel: {channel}}}  # {count}{span}"


def _usable_meters(smf: SmfFile) -> tuple[MeterMap, list[str]]:
    """Return the meters that a session can say; what cannot be taken over comes as words."""
    meters, refused = read_meters(smf)
    remarks = [str(each) for each in refused]
    first, changes = meters.first, list(meters.changes)
    for bar, meter in [(1, first), *changes]:
        if meter.numerator > _MAX_BEATS or meter.denominator > _MAX_DENOMINATOR:
            remarks.append(f"the meter {meter} at bar {bar}, and all meters after it")
            changes = [change for change in changes if change[0] < bar]
            first = Meter(4, 4) if bar == 1 else first
            break
    return MeterMap(first, changes), remarks


def _bars(draft: _Draft) -> int:
    """Return how many bars the file needs, within what a song may have."""
    smf, meters = draft.smf, draft.meters
    needed = [bars_to(smf, meters, smf.end_tick), bars_to(smf, meters, smf.ticks[-1] + 1)]
    all_meters = [meters.first, *(meter for _, meter in meters.changes)]
    most = min(_MAX_BARS, int(_MAX_QUARTERS / max(meter.quarters_per_bar for meter in all_meters)))
    if needed[0] <= most:
        return needed[0]
    if needed[1] > most:
        draft.remarks.append(
            f"everything after bar {most}: the file has {needed[1]} bars, more than a song may"
        )
    return min(needed[1], most)


def _at(draft: _Draft, tick: int) -> str:
    position = _position(draft, tick)
    return f"bar {position.bar}" if position.beat == 1 else str(position)


def _position(draft: _Draft, tick: int) -> Position:
    return draft.meters.position(Fraction(tick, draft.smf.ppq))


def _tempos(draft: _Draft) -> tuple[str, list[tuple[str, str]]]:
    """Return the first tempo and the changes as they are written.

    Too many for a person to read are left to the file; more than a song may have are thinned.
    """
    first, changes = tempo_from(draft.smf)
    if _MAX_ROWS < len(changes) <= MAX_CHANGES and _can_be_said(first, changes):
        return f"{_quoted(str(FromFile(draft.file)))}  # it changes {len(changes)} times", []
    within = [(_position(draft, tick), bpm_of(us)) for tick, us in changes]
    kept = [(position, bpm) for position, bpm in within if position.bar <= draft.bars]
    for unit in ("beat", "bar"):
        if len(kept) > _MAX_ROWS:
            found: dict[tuple[int, int], tuple[Position, Fraction]] = {}
            for position, bpm in kept:
                key = (position.bar, int(position.beat) if unit == "beat" else 1)
                found.setdefault(key, (position, bpm))
            draft.remarks.append(f"{len(kept) - len(found)} tempo changes: the first of each {unit} is kept")
            kept = list(found.values())
    if len(kept) > _MAX_ROWS:
        draft.remarks.append(f"the last {len(kept) - _MAX_ROWS} tempo changes")
    rows: list[tuple[str, str]] = []
    for position, bpm in kept[:_MAX_ROWS]:
        at = f"bar {position.bar}" if position.beat == 1 else str(position)
        rows.append((at, _tempo_text(draft, bpm)))
    return _tempo_text(draft, first), rows


def _can_be_said(first: Fraction, changes: list[tuple[int, int]]) -> bool:
    """Return whether a song may have all these tempos."""
    return all(_MIN_BPM <= bpm <= _MAX_BPM for bpm in (first, *(bpm_of(us) for _, us in changes)))


def _tempo_text(draft: _Draft, bpm: Fraction) -> str:
    """Return the shortest number that the file's whole µs per quarter note stand for."""
    if not _MIN_BPM <= bpm <= _MAX_BPM:
        draft.remarks.append(f"a tempo of {float(bpm):.2f}: songs have {_MIN_BPM} to {_MAX_BPM}")
        bpm = Fraction(_MIN_BPM if bpm < _MIN_BPM else _MAX_BPM)
    us = Fraction(60_000_000) / bpm
    for places in range(10):
        near = Fraction(round(bpm * 10**places), 10**places)
        if near and round(60_000_000 / near) == round(us):
            break
    return f"{float(near):.9f}".rstrip("0").rstrip(".")


def _programs(smf: SmfFile) -> dict[int, list[_Program] | None]:
    """Return the program changes of each channel that has some; None if cues cannot say them as they are.

    A cue says a program alone, or with both of its bank selects right before it, MSB first (MIDI 1.0
    Detailed Specification 4.2.1, p. 13).
    """
    found: dict[int, list[_Program] | None] = {}
    selects: dict[int, list[tuple[int, int, int]]] = {}  # since the last program change, by channel
    for tick, status, first, second in zip(smf.ticks, smf.status, smf.data1, smf.data2, strict=True):
        channel = (status & 0x0F) + 1
        if status & 0xF0 == 0xB0 and first in (0, 32):
            selects.setdefault(channel, []).append((tick, first, second))
        elif status & 0xF0 == 0xC0:
            banks = selects.pop(channel, [])
            programs = found.setdefault(channel, [])
            if banks and [(at, number) for at, number, _ in banks] != [(tick, 0), (tick, 32)]:
                found[channel] = None
            elif programs is not None:
                pair = (banks[0][2], banks[1][2]) if banks else None
                programs.append(_Program(tick, channel, first + 1, pair))
    for channel in selects:  # selects without a program change: nothing of them may get lost
        found[channel] = None
    return found


def _machine_names(smf: SmfFile) -> dict[int, str]:
    """Return a name of its own for the machine of each channel that the file uses."""
    names: dict[int, str] = {}
    for channel in sorted({number for track in smf.tracks for number in track.channels}):
        track = _only_track(smf, channel)
        name = track.name if track else ""
        if not name:
            name = "drums" if channel == _PERCUSSION_CHANNEL else f"channel {channel}"
        name = _plain(name)[:_MAX_NAME].strip() or f"channel {channel}"
        taken = {each.casefold() for each in names.values()}
        names[channel] = name if name.casefold() not in taken else f"{name} (channel {channel})"
    return names


def _only_track(smf: SmfFile, channel: int) -> SmfTrack | None:
    """Return the track that alone plays `channel`, plays nothing else, and has a name of its own."""
    tracks = [track for track in smf.tracks if channel in track.channels]
    if len(tracks) != 1 or tracks[0].channels != (channel,):
        return None
    name = tracks[0].name
    same = [track for track in smf.tracks if track.name.casefold() == name.casefold()]
    if len(same) != 1 or not name or len(name) > _MAX_NAME or name != _plain(name):
        return None
    return tracks[0]


def _title(file: str) -> str:
    stem = re.split(r"[\\/]", file)[-1].rsplit(".", 1)[0]
    words = re.sub(r"[-_\s]+", " ", _plain(stem)).strip()[:_MAX_NAME].strip()
    return words[:1].upper() + words[1:] if words else "Untitled"


def _plain(text: str) -> str:
    """Return `text` without characters that a YAML file or a terminal cannot show, and single blanks."""
    return " ".join("".join(char for char in text if char.isprintable()).split())


def _comment(text: str) -> str:
    return _plain(text)[:200]


def _quoted(text: str) -> str:
    """Return `text` as a YAML scalar: bare where that cannot be misread, else in double quotes."""
    if re.fullmatch(r"[A-Za-z][A-Za-z0-9]*(?:[ ._/-][A-Za-z0-9]+)*", text) and not _reserved(text):
        return text
    return json.dumps(text, ensure_ascii=False)


def _reserved(text: str) -> bool:
    return text.casefold() in ("true", "false", "null", "yes", "no", "on", "off", "y", "n")
