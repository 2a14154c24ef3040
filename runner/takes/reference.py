"""The reference of a take's files as Markdown; the examples in it are written by the code itself.

`docs/take-files.md` is the output of `reference_text`; write it anew with
``python -m runner.takes.reference > docs/take-files.md``. A test holds the tables against what is written.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields

from runner.audit.verdict import Limits, Verdict
from runner.takes.format import Kind, Record
from runner.takes.journal import KEPT_BYTES
from runner.takes.lines import FORMAT, BeatLines, dump_line, event_line
from runner.takes.rating import Mark, Rating
from runner.takes.reader import at_text_of
from runner.takes.testing import ANCHOR_NS, song_time, take_header

EVENT_KEYS: Mapping[str, tuple[str, str]] = {
    "t": ("ns", "when it happened, from the take's anchor (bar 1 beat 1 as rolled); negative before it"),
    "at": ("text or null", "the song position, such as `bar 17 beat 3`; null where there is none"),
    "kind": ("text", "what the line tells, see below"),
    "n": (
        "number",
        "the engine's number of the record; it only grows in a take; absent in lines of the writer",
    ),
    "port": ("text", "the session's name of the port"),
    "machine": ("text", "the session's name of the machine"),
    "bytes": ("text", "the message, upper-case hex with spaces"),
    "source": ("text", "what in the session it came from: a part, a cue, the clock"),
    "data": ("object", "facts of a state, a finding, a port that came or went, an end"),
    "count": ("number", "how many: records dropped, bytes that are no MIDI"),
    "held_us": ("µs", "how long the port held the engine up"),
    "clocks_before": ("number", "how many clocks had come in on the port before this message"),
    "due": ("ns", "when it should have happened, from the anchor"),
    "late_us": ("µs", "`t` less `due`, three decimals, so exact to the ns"),
}
KIND_WORDS: Mapping[str, str] = {
    "take": "the header: always the first line",
    "begin": "the roll began; `data` holds its order",
    "sent": "a message was handed to a port",
    "received": "a message came in",
    "cut": "a message that silences what still sounded, and was in no plan",
    "state": "the player changed state; `data.state`, `data.why`",
    "finding": "something was noticed while the take ran; `data.code`, `data.text`, …",
    "dropped": "`count` records of the engine found no room in its pipe",
    "send_failed": "a port refused a message",
    "slow_send": "a port held the engine up for `held_us`",
    "presence": "a port came or went; `data.port`, `data.present`",
    "refused": "a command made no sense in its state",
    "bad_input": "`count` bytes came in that are no MIDI",
    "end": "the roll ended; `data.why`, perhaps `data.outcome` (complete, stopped, failed)",
    "log": "the writer on the log itself: `data.state` is `stopped` and `resumed` (disk), `gap` (records "
    "that never arrived), `continued` (another writer went on), `renumbered` (another engine), "
    "`sync_failed`; `data.lost` counts records",
}
CLOCK_KEYS: Mapping[str, tuple[str, str]] = {
    "n": ("number", "the number of the line's last record"),
    "t": ("ns", "when the line's first tick was due (or came, if nothing said when), from the anchor"),
    "at": ("text or null", "the song position of the first tick"),
    "port": ("text", "the session's name of the port"),
    "direction": ("text", "`out` or `in`"),
    "first": (
        "number",
        "the first tick's number: in the roll (out), or since the port was opened (in); of a clock that is "
        "passed on, the master's count from its Start, and from 2^31 on while the master stood",
    ),
    "times_ns": (
        "list of ns",
        "when each tick went out or came in, from `t`; null for a number that is missing",
    ),
    "dev_us": (
        "list of µs",
        "how late each tick was; null where it is missing or nothing said when it was due",
    ),
}
SUMMARY_KEYS: Mapping[str, str] = {
    "format": "the version of the files",
    "take": "the take's folder below the takes folder",
    "session": "the session's name",
    "song": "the song's name",
    "pass": "the pass's name",
    "number": "the take's number, by song and pass",
    "verdict": "what it is worth: " + ", ".join(f"`{verdict.value}`" for verdict in Verdict),
    "started_at": "UTC, ISO 8601: when bar 1 beat 1 fell, or the lead began",
    "seconds": "how long it rolled",
    "outcome": "how it ended: `complete`, `stopped`, `failed`, or null if the log does not say",
    "ended": "why it ended, in words",
    "recovered": "whether it was closed by a recovery",
    "clock": "`role` (master, follower), `source`, `expected`, `sent`, `received`, `missing`, `extra`, "
    "`lateness_us` (`p50`, `p99`, `p999`, `max`, `min`, `count`), `tempo` (`declared`, `measured` in quarter "
    "notes a minute), `locked_after_beats`, `settling` (of a follower: how the lock came about, and the lead "
    "or pre-roll in beats that is enough), `steadiness` (of the clock that made the take's time, its mean "
    "tempo taken out, over spans of 1, 4, 16 and 64 `beats`: `tdev_us`, time deviation, and `mtie_us`, the "
    "greatest interval error; ITU-T G.810), and the same by port and direction in `ports`",
    "messages": "all but clocks: `sent`, `received`, `cut`, `lateness_us`",
    "machines": "for each: `name`, `port`, `channel`, `present` (at the end), `sent`, `received`, "
    "`send_failures`, `latest_us`",
    "alignment": "for comparison with other takes: `machines` (by name: `first_note_clocks` after Start, "
    "`notes`, `lead_clocks`, `interval_us`, `offset_us`) and `settings` (tempo, pre-roll, role)",
    "findings": "for each: `code`, `severity` (error, warning, note), `at`, `t_ns`, `machine`, `port`, "
    "`count`, `text`, `evidence` (numbers; `places` of the single occurrences), `causes` (likeliest first), "
    "`try`, `part_of` (the code of the finding that explains it, or empty)",
    "limits": "what the take was held against: " + ", ".join(f"`{field.name}`" for field in fields(Limits)),
    "log": "`records` in the log, `dropped` (known to be missing), `complete`, `damages` (places that cannot "
    "be read)",
    "files": "size and SHA-256 of each of the other files when the take was closed",
    "notes": "what the program or a person added",
    "header": "the header of events.jsonl once more, in case that is damaged",
}

_TEXT = """# The files of a take

This page is made from the program's own code. Version of the files: {format}.

    takes/<session>/<song>/<pass>/take-0007/
        events.jsonl    every message in and out but clock ticks, every state, every finding
        clock.jsonl     the clock ticks, a line for each beat, port and direction
        session.yaml    the session as it was read
        plan.json       what was due: the rows of `takewright plan --json`
        recorder.json   with a recorder only: what it said that it did ([guide](guides/recorder.md))
        capture.mid     what was sent and received, as a Standard MIDI File
        take.json       the summary and the verdict; written last
        rating.json     what a person said of it, if somebody did: see below

All files are UTF-8. The `.jsonl` files hold one JSON object a line (JSON Lines) and only ever grow.
Characters that some file system refuses stand in folder names as `%` and two hex digits; the true names are
in the files. Numbers of time are whole ns or µs of the computer's monotonic clock; wall-clock time is only a
label.

## What is sure

- Each record is handed to the operating system as soon as it comes: a killed program loses nothing.
- The files are brought to the medium at each change of state and two times a second at least: a power cut
  costs a second at most, on a medium that takes half a second to write. Only the last line of a file can be
  torn by it; what has no line yet is in the working file.
- While a take is open, `pending-<n>.records` beside the files holds the engine's raw records (64 bytes each)
  that have no line yet, and the last {kept} KiB of the others, by which a record that is read twice is known.
  They go when the take is closed; a recovery leaves them.
- A full or vanished disk stops the log and never the music. A `log` line says so once there is room.
- What a medium lost as it was pulled out is written again when it is back, 256 KiB of each file at most.
- A take without take.json is recovered at the next start: what can be read is read, take.json and
  capture.mid are added, and no byte that is there is changed. A torn last line is reported.
- take.json is written in full beside its place and then renamed: it is whole, or not there.

## events.jsonl

The first line is the header:

{header}

(in the file it is one line). `declared` is what the session says about the song and the rig; the rows of its
`tempo_map` are [quarter notes from bar 1, quarter notes a minute, quarter notes that a ramp lasts].
`rights` says what the system allowed the engine; it is empty where nobody knew.

Each further line:

| Key | Unit | Meaning |
|---|---|---|
{event_keys}

| Kind | What it tells |
|---|---|
{kinds}

{events}

## clock.jsonl

| Key | Unit | Meaning |
|---|---|---|
{clock_keys}

A line begins at a whole quarter note where the position is known, and holds at most 24 ticks. A tick's time
is `t + times_ns[i]`, its number `first + i`, and it was due at its time less `dev_us[i]`.

{beat}

## take.json

| Key | Meaning |
|---|---|
{summary_keys}

## rating.json

    {rating}

`rating` is `keep`, `discard` or null; `marks` are places in the take, `t_ns` from its anchor. It is the
only file that changes after the take is closed, and it has no part in the verdict or the checksums.

## capture.mid

Format 1: the tempo map with meters and sections (markers) first, then a track for each port and direction.
Times are those at which messages really went or came, to half a tick, and a tick is never longer than
0.25 ms; bar 1 of the song is a whole number of bars into the file. Transport and song position are text
events. Clock ticks are left out, since an SMF can hold them only as escapes, which common readers refuse.

## Reading them with other tools

JSON Lines are read as they are by most data tools, for example by DuckDB:

    SELECT machine, count(*), max(late_us) FROM read_json_auto('takes/*/*/*/*/events.jsonl')
    WHERE kind = 'sent' GROUP BY machine;
"""


def reference_text() -> str:
    """Return the page."""
    rights = {"realtime": True, "memory_locked": True}
    header = take_header(song_time(112, bars=16), 1, rights=rights)
    return _TEXT.format(
        format=FORMAT,
        kept=KEPT_BYTES // 1024,
        header=_code(_spread_out(header.to_line())),
        event_keys=_rows(EVENT_KEYS),
        kinds="\n".join(f"| `{kind}` | {words} |" for kind, words in KIND_WORDS.items()),
        events=_code("".join(_example_events())),
        clock_keys=_rows(CLOCK_KEYS),
        beat=_code(_example_beat()),
        rating=json.dumps(Rating("keep", (Mark(17_142_857_143, "bar 9 beat 3", "bass early"),)).to_dict()),
        summary_keys="\n".join(f"| `{key}` | {words} |" for key, words in SUMMARY_KEYS.items()),
    )


def _spread_out(line: Mapping[str, object]) -> str:
    """An object with one key a line; an object in it likewise (in the file it is all one line)."""
    rows = []
    for key, value in line.items():
        if isinstance(value, dict) and value:
            inner = ",\n   ".join(f"{json.dumps(name)}: {json.dumps(item)}" for name, item in value.items())
            rows.append(f" {json.dumps(key)}: {{\n   {inner}}}")
        else:
            rows.append(f" {json.dumps(key)}: {json.dumps(value)}")
    return "{" + ",\n".join(rows)[1:] + "}"


def _rows(table: Mapping[str, tuple[str, str]]) -> str:
    return "\n".join(f"| `{key}` | {unit} | {words} |" for key, (unit, words) in table.items())


def _code(text: str) -> str:
    return "\n".join("    " + line for line in text.rstrip("\n").split("\n"))


def _example_events() -> list[str]:
    header = take_header(song_time(112, bars=16), 1)
    records = [
        Record(Kind.STATE, 40, ANCHOR_NS, quarters=0.0, data=b'{"state":"rolling"}'),
        Record(Kind.SENT, 41, ANCHOR_NS + 21_000, ANCHOR_NS, 0.0, 0, 0, 1, b"\x99\x24\x64"),
        Record(Kind.RECEIVED, 42, ANCHOR_NS + 803_571_000, 0, 1.5, 0, data=b"\xfc"),
    ]
    at_text = at_text_of(header)
    lines = [event_line(record, record.seq, header, at_text) for record in records]
    return [dump_line(line).decode() for line in lines if line is not None]


def _example_beat() -> str:
    header = take_header(song_time(125, bars=16), 1)
    beats = BeatLines(header, at_text_of(header))
    for tick in range(4):
        due = ANCHOR_NS + 20_000_000 * tick
        beats.feed(
            Record(Kind.TICK_SENT, 50 + tick, due + 900 * tick, due, tick / 24, 0, ref=192 + tick), 50 + tick
        )
    (line,) = beats.flush()
    return dump_line(line).decode().replace("]", ", …]")


if __name__ == "__main__":
    print(reference_text(), end="")
