"""What each finding's code stands for: severity, meaning, evidence, possible causes, and what to try.

Pure. Codes never change their meaning. The codes of the clock watch (`runner.sync.findings`) are part of the
table; a few of them the audit judges anew from the whole record, and says so in `evidence`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from runner.errors import Severity
from runner.sync.findings import KINDS as WATCH_KINDS
from runner.sync.findings import Code


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a code stands for. `evidence` says from which figures it is concluded; `causes` are codes."""

    severity: Severity
    meaning: str
    evidence: str
    remedy: str
    causes: tuple[str, ...] = ()


_CLOCK_CAUSES: Mapping[Code, tuple[str, ...]] = {
    Code.MISSING: ("unplugged", "wire-load", "computer", "link-loss"),
    Code.EXTRA: ("computer", "wire-load", "second-path"),
    Code.BUNCHED: ("unplugged", "computer", "wire-load", "link-bursts"),
    Code.MERGED: ("second-source",),
    Code.LOOP: ("echo",),
    Code.TEMPO: ("master-tempo", "master-ramp", "master-step"),
    Code.WANDER: ("master-wow",),
    Code.STEP: ("master-step", "master-ramp"),
    Code.JUMP: ("master-jump", "link-bursts", "computer"),
    Code.JITTER: ("link-bursts", "computer", "wire-load", "unplugged"),
    Code.NO_START: ("master-setting",),
    Code.START_NO_CLOCK: ("master-setting", "unplugged", "master-gone"),
    Code.NO_STOP: ("unplugged", "master-gone", "wire-load", "computer"),
    Code.DROPOUT: ("unplugged", "master-gone", "wire-load", "computer"),
    Code.LATE_LOCK: ("short-lead", "master-tempo", "master-ramp", "master-step"),
    Code.SENSING_LOST: ("unplugged",),
    Code.POSITION_REFUSED: ("master-locates",),
    Code.REDUNDANT: ("doubled-message",),
    Code.RESTARTED: ("stop-lost", "doubled-message"),
    Code.REFUSED: (
        "second-source",
        "master-noise",
        "master-gone",
        "unplugged",
        "flood",
        "computer",
        "wire-load",
    ),
    Code.CODE_MISSING: ("link-loss",),
    Code.CODE_DROPOUT: ("unplugged", "master-gone"),
    Code.CODE_ENDED: ("unplugged", "master-gone"),
    Code.CODE_JUMP: ("master-locates",),
    Code.CODE_REVERSE: ("master-locates",),
    Code.CODE_RATE: ("other-settings",),
    Code.CODE_NUMBERS: ("other-settings",),
    Code.CODE_SPEED: ("master-tempo",),
    Code.CODE_BROKEN: ("link-loss",),
    Code.CODE_JOINED: ("short-lead",),
}

_SENT_LATE = ("slow-port", "computer", "unplugged", "wire-load")

MEANINGS: Mapping[str, Meaning] = {
    "take-failed": Meaning(
        "error", "the take broke off because something failed", "the log's last state",
        "see the other findings for the cause; roll again once it is mended",
        ("reported", "engine-died", "keeper-died", "unplugged"),
    ),
    "take-interrupted": Meaning(
        "error", "the log ends without saying how the take ended", "no end in the log",
        "look for a power cut or a killed program; what was logged until then is in the take", ("power-cut",),
    ),
    "stopped-early": Meaning(
        "note", "the take was stopped before its end", "the log's end", "nothing, if that was meant",
        ("stopped", "master-stopped", "master-gone", "keeper-died", "unplugged", "master-setting"),
    ),
    "log-incomplete": Meaning(
        "warning", "records of the take are missing in its log", "counted by engine and writer",
        "free the disk or move the takes folder; figures of this take may be too low",
        ("disk", "pipe-full", "gap"),
    ),
    "file-damaged": Meaning(
        "warning", "a file of the take cannot be read in full", "lines that are no lines of a take",
        "check the medium; `takewright verify` names the damaged files", ("file",),
    ),
    "clock-not-sent": Meaning(
        "error", "clocks that were due never went out", "numbers missing in the clocks sent",
        "see the port's other findings; a follower of this port lost its place by that much",
        ("unplugged", "port-refused", "log", "file", "broken-off"),
    ),
    "clock-late": Meaning(
        "warning", "clocks went out later than the limit allows", "time handed to the port against time due",
        "give this computer real-time rights; keep other work off it; turn power saving off", _SENT_LATE,
    ),
    "message-late": Meaning(
        "warning", "messages other than clock went out later than the limit allows",
        "time handed to the port against time due", "as for late clocks", _SENT_LATE,
    ),
    "program-late": Meaning(
        "warning", "a program change came after its moment, or too close to it for its machine to settle",
        "time sent, the machine's `settle`, and the moment that it was for",
        "lengthen the lead (or let the master wait) so that programs go out before bar 1; else make `settle` "
        "longer, or move the program change away from dense data",
        ("slow-port", "computer", "wire-load", "mid-song", "short-lead", "settle-short"),
    ),
    "not-sent": Meaning(
        "error", "planned messages never went out", "plan.json against the messages sent",
        "see the port's other findings", ("unplugged", "port-refused", "log"),
    ),
    "port-send-failed": Meaning(
        "error", "the port refused messages", "errors of the port",
        "check cable, power and the port's name", ("unplugged", "port-refused"),
    ),
    "port-sends-again": Meaning(
        "note", "a port that had refused messages takes them again", "the next send", "check its cable",
        ("unplugged", "port-refused"),
    ),
    "input-overflow": Meaning(
        "error", "more came in than could be taken, and some was lost", "a count by the engine",
        "find what floods the port; switch off what need not be sent", ("flood",),
    ),
    "engine-restarted": Meaning(
        "error", "the engine died and was started again; it stopped and silenced the rig",
        "the new engine's first record", "report it, with the take's folder", ("engine-died",),
    ),
    "slow-port": Meaning(
        "warning", "a port held the engine up while it took a message, for longer than a clock or a message "
        "may be late", "time that the send took, from 2 ms on",
        "put this machine on another interface; a driver that blocks delays every port",
        ("slow-port", "computer"),
    ),
    "port-lost": Meaning(
        "error", "a port vanished in the take", "the system's list of ports",
        "check the cable, the hub and its power; use a cable that cannot slip out", ("unplugged",),
    ),
    "port-returned": Meaning(
        "note", "a port that had vanished came back", "the system's list of ports", "check its cable",
        ("unplugged",),
    ),
    "machine-rejoins": Meaning(
        "note", "a machine whose port came back in mid-song was sent to its place, and let in there",
        "the port's return", "listen to the bars before it: it was silent there", ("unplugged",),
    ),
    "machine-left-stopped": Meaning(
        "warning", "a machine whose port came back in mid-song was left stopped",
        "the port's return; the machine follows no song position",
        "let it follow `position` if it can; else roll again", ("unplugged",),
    ),
    "bad-input": Meaning(
        "note", "bytes came in that are no MIDI", "bytes without a valid status",
        "check the cable and the ground; a data byte was probably lost on the wire", ("bad-wire",),
    ),
    "command-refused": Meaning(
        "note", "a command made no sense in its state and was not obeyed", "the player's refusals",
        "nothing, unless it surprises you",
    ),
    "tempo-off": Meaning(
        "warning", "the measured tempo is not the declared one",
        "least squares over all clocks; by the bar, whether it is off by a constant, at a step or by a ramp",
        "set the master to the song's tempo and take out its tempo changes, or enter them in the song",
        ("master-tempo", "master-ramp", "master-step", "computer"),
    ),
    "follower-misled": Meaning(
        "error", "the follower counted the master's clocks wrongly, so its place in the song was off",
        "the clocks that it took for missing or too many, against the whole record",
        "mend the cause that is named; with the song's tempo right, the count is",
        ("master-tempo", "master-ramp", "master-step", "link-bursts", "master-jump"),
    ),
    "start-too-close": Meaning(
        "warning", "the first clock followed Start or Continue in under 1 ms",
        "times sent; MIDI 1.0 asks for 1 ms between them", "as for late clocks: Start itself was late",
        ("computer", "slow-port"),
    ),
    "start-missing": Meaning(
        "error", "the followed machine's Start or Continue never came", "no such message in the take",
        "let the master send transport messages on this port", ("master-setting",),
    ),
    "machine-started-late": Meaning(
        "warning", "a machine came in late after its Start, by a whole number of clocks",
        "the notes that it sends, against the clocks that it was sent",
        "give it more clock before Start (`lead`); if it had enough, start it earlier (`offset`), or look "
        "into its own count-in and chase settings",
        ("short-lead", "machine-start"),
    ),
    "machine-silent": Meaning(
        "warning", "a machine that sends notes in other takes of the song sent none in this one",
        "the notes that came in, in this take and in the others", "check its power, channel and input cable",
        ("unplugged", "machine-deaf"),
    ),
    "take-shifted": Meaning(
        "warning", "a machine lies elsewhere against bar 1 than in the other takes of the song",
        "its first note and the mean place of its notes, here and in the other takes",
        "roll it again; overdubs on top of both will not sit together",
        ("short-lead", "machine-start", "other-settings"),
    ),
    "note-left": Meaning(
        "error", "a note was left sounding at the end", "Note On without its Note Off",
        "send `takewright tell panic`; see the port's other findings",
        ("unplugged", "port-refused", "log", "engine-died"),
    ),
    "recorder-open-loop": Meaning(
        "note", "a recorder does not answer: it is believed to do as it is told",
        "no answer to a question within 2 s (MMA RP-013)",
        "connect its MIDI out, and check its device number; without answers nothing it does is verified",
    ),
    "recorder-not-located": Meaning(
        "error", "a recorder did not go to where the take begins; the take was not rolled", "its own answers",
        "see that it obeys machine control; look at its device number and its tape",
    ),
    "recorder-other-rate": Meaning(
        "error", "a recorder counts at another frame rate than the session says", "the time that it answers",
        "set the machine's `frame-rate` and the recorder's project to the same, drop-frame included",
    ),
    "recorder-not-rolling": Meaning(
        "error", "a recorder was told to play and did not; the take was not rolled", "its own answers",
        "see whether it waits for a clock or time code of its own; set it to internal",
    ),
    "recorder-stopped": Meaning(
        "error", "a recorder did not play while the take rolled", "its own answers", "look at the machine"
    ),
    "recorder-not-recording": Meaning(
        "error", "a recorder was punched in and did not record", "its own answers", "arm a track on it"
    ),
    "recorder-protected": Meaning(
        "error", "a recorder says that recording is locked", "its own answers",
        "unlock it on the machine: a tab, a switch or a setting of the project",
    ),
    "recorder-dropped-out": Meaning(
        "error", "a recorder left record by itself", "its own answers, before the punch out",
        "look for a full disk or the end of the tape",
    ),
    "recorder-still-recording": Meaning(
        "error", "a recorder records on after it was punched out", "its own answers",
        "stop it by hand; what followed the punch out is overwritten",
    ),
    "recorder-not-stopped": Meaning(
        "warning", "a recorder was told to stop and still moved 3 s later", "its own answers",
        "stop it by hand",
    ),
    "recorder-refuses": Meaning(
        "warning", "a recorder does not know what it was asked", "its response or command error",
        "nothing, if it records: it tells less of itself than others",
    ),
    **{
        code.value: Meaning(
            kind.severity, kind.meaning, f"the clock watch; size in {kind.unit}", kind.remedy,
            _CLOCK_CAUSES.get(code, ()),
        )
        for code, kind in WATCH_KINDS.items()
    },
}  # fmt: skip
