"""Reads Standard MIDI Files of types 0 and 1 into columns; strict about what is lost, lenient about the rest.

Source: RP-001, Standard MIDI Files 1.0. What is odd but loses nothing is read and noted: unknown chunks
and metas, an overlong header, a missing end of track, empty tracks, a wrong count of tracks, junk behind
the last track. What cannot be read faithfully is a PartFileError that names the byte.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from typing import NoReturn

from runner.errors import PartFileError, Problem, Severity
from runner.plan.smf_file import (
    TRACK_NAME,
    SmfFile,
    SmfMeter,
    SmfSysex,
    SmfTempo,
    SmfText,
    SmfTrack,
)
from runner.plan.smf_track import MAX_META, RawMeta, RawSysex, RawTrack, TrackParser

MAX_FILE_BYTES = 16 * 1024 * 1024
"""The largest part file accepted; look at a file's size before reading it."""

DEFAULT_US_PER_QUARTER = 500_000
"""The tempo of a file that names none: 120 quarter notes a minute (RP-001)."""

_MAX_TRACKS = 4096
_MAX_NOTICES = 50
_TEMPO, _SMPTE_OFFSET, _METER = 0x51, 0x54, 0x58
_SMPTE_RATES = {24: "24", 25: "25", 29: "30 drop-frame", 30: "30"}
_FOREIGN = {
    b"RIFF": "it is a RIFF file; take the Standard MIDI File out of it",
    b"<?xm": "it is an XML file; export a Standard MIDI File from it",
    b"PK\x03\x04": "it is a ZIP archive",
}


def read_smf(data: bytes, file: str = "") -> SmfFile:
    """Return what the Standard MIDI File `data` says; `file` is its name for messages.

    Raises PartFileError, with the byte offset, for anything that is no such file or cannot be read whole.
    """
    return _Reader(data, file).read()


@dataclass(slots=True)
class _Reader:
    data: bytes
    file: str
    format: int = 0
    ppq: int = 0
    parser: TrackParser = field(init=False)
    tracks: list[SmfTrack] = field(default_factory=list)
    raw: list[RawTrack] = field(default_factory=list)
    tempos: list[SmfTempo] = field(default_factory=list)
    meters: list[SmfMeter] = field(default_factory=list)
    texts: list[SmfText] = field(default_factory=list)
    sysex: list[SmfSysex] = field(default_factory=list)
    notices: list[Problem] = field(default_factory=list)
    unsaid: int = 0

    def __post_init__(self) -> None:
        self.parser = TrackParser(self.file)

    def read(self) -> SmfFile:
        if len(self.data) > MAX_FILE_BYTES:
            raise PartFileError(
                f"{len(self.data):,} bytes; a part file may have at most {MAX_FILE_BYTES:,}",
                file=self.file,
                offset=MAX_FILE_BYTES,
            )
        at, declared = self._header()
        self._chunks(at, declared)
        if self.unsaid:
            self._note("", f"{self.unsaid} more oddities of the same kinds")
        return self._merged()

    def _fail(self, message: str, offset: int) -> NoReturn:
        raise PartFileError(message, file=self.file, offset=offset)

    def _note(self, where: int | str, message: str, severity: Severity = "note") -> None:
        if where != "" and len(self.notices) >= _MAX_NOTICES:
            self.unsaid += 1
            return
        path = f"byte {where}" if isinstance(where, int) else where
        self.notices.append(Problem(message, path=path, file=self.file, severity=severity))

    def _header(self) -> tuple[int, int]:
        """Check the header chunk; return the place behind it and its count of tracks."""
        data = self.data
        if not data:
            self._fail("the file is empty", 0)
        if data[:4] != b"MThd":
            reason = _FOREIGN.get(data[:4], f"it begins with {data[:4].hex(' ').upper()}, not with MThd")
            self._fail(f"no Standard MIDI File: {reason}", 0)
        if len(data) < 14:
            self._fail(f"the header is cut off after {len(data)} bytes", len(data))
        length = int.from_bytes(data[4:8], "big")
        if length < 6 or 8 + length > len(data):
            self._fail(f"the header says {length} bytes; it needs 6, the file has {len(data) - 8}", 4)
        self.format, declared, division = (int.from_bytes(data[i : i + 2], "big") for i in (8, 10, 12))
        if self.format == 2:
            self._fail("type 2 (independent patterns) has no one time line; save it as type 0 or 1", 8)
        if self.format > 2:
            self._fail(f"type {self.format} is unknown; types 0 and 1 can be read", 8)
        if division & 0x8000:
            rate = _SMPTE_RATES.get(256 - (division >> 8), f"unknown rate {division >> 8:02X}")
            self._fail(
                f"its times are SMPTE frames ({rate} a second, {division & 0xFF} ticks each), "
                "which have no bars; save it with ticks per quarter note",
                12,
            )
        if division == 0:
            self._fail("0 ticks per quarter note", 12)
        self.ppq = division
        if length > 6:
            self._note(14, f"the header has {length - 6} more bytes than are known; skipped")
        return 8 + length, declared

    def _chunks(self, at: int, declared: int) -> None:
        data = self.data
        while at < len(data):
            kind, length = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "big")
            is_chunk = len(data) - at >= 8 and all(0x20 <= byte < 0x7F for byte in kind)
            fits = is_chunk and at + 8 + length <= len(data)
            if kind != b"MTrk" and not fits:
                if len(self.raw) < declared:
                    self._lost(at, is_chunk, length, declared)
                self._note(at, f"{len(data) - at} bytes behind the last track; skipped")
                break
            if not fits:
                self._lost(at, is_chunk, length, declared)
            if kind == b"MTrk":
                self._track(at + 8, length)
            else:
                self._note(at, f"chunk {kind.decode('ascii')!r} of {length} bytes is not known; skipped")
            at += 8 + length
        if len(self.raw) != declared:
            self._note(10, f"the header says {declared} tracks, the file has {len(self.raw)}", "warning")
        if self.format == 0 and len(self.raw) > 1:
            self._note(8, f"type 0 has one track, this file has {len(self.raw)}; played together")

    def _lost(self, at: int, is_chunk: bool, length: int, declared: int) -> NoReturn:
        left = len(self.data) - at
        number = f"track {len(self.raw) + 1} of {declared}" if len(self.raw) < declared else "a further track"
        if not is_chunk:
            self._fail(f"{left} bytes that are no chunk where {number} should be", at)
        self._fail(f"{number}: its chunk says {length} bytes, the file has only {left - 8} left", at + 4)

    def _track(self, at: int, length: int) -> None:
        if len(self.raw) >= _MAX_TRACKS:
            self._fail(f"the file has more than {_MAX_TRACKS} tracks", at)
        raw = self.parser.parse(self.data[at : at + length], at)
        number = len(self.raw) + 1
        if not length:
            self._note(at, f"track {number} is empty")
        elif not raw.ended:
            self._note(at + length, f"track {number} has no end-of-track event; it ends with its last event")
        if raw.left_over:
            offset = at + length - raw.left_over
            self._note(offset, f"{raw.left_over} bytes behind the end of track {number}; skipped", "warning")
        name = ""
        for meta in raw.metas:
            if meta.kind == TRACK_NAME and not name:
                name = _text(meta.data)
            self._meta(meta, number)
        self.sysex += [_sysex(packet, number) for packet in raw.sysex]
        kinds = set(raw.status)
        ons = sum(
            1
            for status, velocity in zip(raw.status, raw.data2, strict=True)
            if velocity and 0x90 <= status < 0xA0
        )
        channels = tuple(sorted({(status & 0x0F) + 1 for status in kinds}))
        self.tracks.append(SmfTrack(number, name, channels, ons, len(raw.ticks), raw.end_tick))
        self.raw.append(raw)

    def _meta(self, meta: RawMeta, track: int) -> None:
        if meta.kind == _TEMPO:
            us = int.from_bytes(meta.data[:3], "big")
            if len(meta.data) < 3 or us == 0:
                self._note(meta.offset, f"the tempo {_shown(meta.data)} means nothing; left out", "warning")
            else:
                self.tempos.append(SmfTempo(meta.tick, us, track, meta.offset))
        elif meta.kind == _METER:
            if len(meta.data) < 2 or meta.data[0] == 0 or meta.data[1] > 7:
                self._note(meta.offset, f"the meter {_shown(meta.data)} means nothing; left out", "warning")
            else:
                clocks = meta.data[2] if len(meta.data) > 2 else 24
                shape = meta.data[0], 1 << meta.data[1], clocks
                self.meters.append(SmfMeter(meta.tick, *shape, track, meta.offset))
        elif meta.kind == _SMPTE_OFFSET:
            if any(byte & 0x1F if index == 0 else byte for index, byte in enumerate(meta.data)):
                self._note(meta.offset, "the file begins at a time code other than 0; not acted on")
        else:
            if len(meta.data) == MAX_META:
                self._note(meta.offset, f"only the first {MAX_META} bytes of a long text are kept")
            self.texts.append(SmfText(meta.tick, meta.kind, _text(meta.data), track, meta.offset))

    def _merged(self) -> SmfFile:
        ticks, track = array("q"), array("H")
        status, data1, data2 = bytearray(), bytearray(), bytearray()
        for number, raw in enumerate(self.raw, 1):
            ticks += raw.ticks
            track += array("H", [number]) * len(raw.ticks)
            status += raw.status
            data1 += raw.data1
            data2 += raw.data2
        end_tick = max((raw.end_tick for raw in self.raw), default=0)
        busy = sum(1 for raw in self.raw if raw.ticks)
        self.raw.clear()
        if busy > 1:
            rows = sorted(range(len(ticks)), key=ticks.__getitem__)
            ticks = array("q", map(ticks.__getitem__, rows))
            track = array("H", map(track.__getitem__, rows))
            status, data1, data2 = (bytearray(map(c.__getitem__, rows)) for c in (status, data1, data2))
        if any(tempo.track > 1 for tempo in self.tempos) and self.format == 1:
            self._note("", "tempo changes outside the first track are taken as well")
        return SmfFile(
            file=self.file,
            format=self.format,
            ppq=self.ppq,
            tracks=tuple(self.tracks),
            ticks=ticks,
            track=track,
            status=bytes(status),
            data1=bytes(data1),
            data2=bytes(data2),
            tempos=tuple(sorted(self.tempos, key=_tick)),
            meters=tuple(sorted(self.meters, key=_tick)),
            texts=tuple(sorted(self.texts, key=_tick)),
            sysex=tuple(sorted(self.sysex, key=_tick)),
            end_tick=end_tick,
            notices=tuple(self.notices),
        )


def _tick(event: SmfTempo | SmfMeter | SmfText | SmfSysex) -> int:
    return event.tick


def _sysex(packet: RawSysex, track: int) -> SmfSysex:
    return SmfSysex(packet.tick, packet.escape, packet.data, track, packet.offset)


def _shown(data: bytes) -> str:
    return data[:8].hex(" ").upper() or "without a value"


def _text(data: bytes) -> str:
    """Return the text of a meta: UTF-8 where it is that, else Latin-1; blanks for what cannot be printed."""
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    return "".join(char if char.isprintable() else " " for char in text).strip()
