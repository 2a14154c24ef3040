"""What an audit can find: stable codes, what each means, its usual severity, and what to try.

Pure. The codes of the clock watch (`runner.sync.findings`) are part of the same table for readers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from runner.errors import Severity
from runner.sync.findings import KINDS as WATCH_KINDS

SEVERITY_ORDER: Mapping[str, int] = {"error": 0, "warning": 1, "note": 2}


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a code stands for. `evidence` says from which figures it is concluded."""

    severity: Severity
    meaning: str
    evidence: str
    remedy: str


MEANINGS: Mapping[str, Meaning] = {
    "take-failed": Meaning(
        "error", "the take broke off because something failed", "the log's last state",
        "see the other findings for the cause; roll again once it is mended",
    ),
    "take-interrupted": Meaning(
        "error", "the log ends without saying how the take ended", "no end in the log",
        "look for a power cut or a killed program; what was logged until then is in the take",
    ),
    "stopped-early": Meaning(
        "note", "the take was stopped before its end", "the log's end", "nothing, if that was meant"
    ),
    "log-incomplete": Meaning(
        "warning", "records of the take are missing in its log", "counted by engine and writer",
        "free the disk or move the takes folder; figures of this take may be too low",
    ),
    "file-damaged": Meaning(
        "warning", "a file of the take cannot be read in full", "lines that are no lines of a take",
        "check the medium; `takewright verify` names the damaged files",
    ),
    "clock-not-sent": Meaning(
        "error", "clocks that were due never went out", "numbers missing in the clocks sent",
        "see the port's other findings; a follower of this port lost its place by that much",
    ),
    "clock-late": Meaning(
        "warning", "clocks went out later than the limit allows", "time handed to the port against time due",
        "give this computer real-time rights; keep other work off it; turn power saving off",
    ),
    "message-late": Meaning(
        "warning", "messages other than clock went out later than the limit allows",
        "time handed to the port against time due", "as for late clocks",
    ),
    "program-late": Meaning(
        "warning", "a program change left less time to settle than its machine needs",
        "time sent, the machine's settle time and the moment it was for",
        "make `settle` longer, or move the program change away from dense data",
    ),
    "not-sent": Meaning(
        "error", "planned messages never went out", "plan.json against the messages sent",
        "see the port's other findings",
    ),
    "port-send-failed": Meaning(
        "error", "the port refused messages", "errors of the port", "check cable, power and the port's name"
    ),
    "port-sends-again": Meaning(
        "note", "a port that had refused messages takes them again", "the next send", "check its cable"
    ),
    "input-overflow": Meaning(
        "error", "more came in than could be taken, and some was lost", "a count by the engine",
        "find what floods the port; switch off what need not be sent",
    ),
    "engine-restarted": Meaning(
        "error", "the engine died and was started again; it stopped and silenced the rig",
        "the new engine's first record", "report it, with the take's folder",
    ),
    "slow-port": Meaning(
        "warning", "a port held the engine up while it took a message", "time that the send took",
        "put this machine on another interface; a driver that blocks delays every port",
    ),
    "port-lost": Meaning(
        "error", "a port vanished in the take", "the system's list of ports",
        "check the cable, the hub and its power; use a cable that cannot slip out",
    ),
    "port-returned": Meaning(
        "note", "a port that had vanished came back", "the system's list of ports", "check its cable"
    ),
    "bad-input": Meaning(
        "note", "bytes came in that are no MIDI", "bytes without a valid status",
        "check the cable and the ground; a data byte was probably lost on the wire",
    ),
    "command-refused": Meaning(
        "note", "a command made no sense in its state and was not obeyed", "the player's refusals",
        "nothing, unless it surprises you",
    ),
    "tempo-off": Meaning(
        "warning", "the measured tempo is not the declared one", "least squares over all clocks",
        "set the clock's source to the song's tempo, or the song to it",
    ),
    "start-too-close": Meaning(
        "warning", "the first clock followed Start or Continue in under 1 ms",
        "times sent; MIDI 1.0 asks for 1 ms between them", "report it: the plan keeps them apart",
    ),
    "start-missing": Meaning(
        "error", "the followed machine's Start or Continue never came", "no such message in the take",
        "let the master send transport messages on this port",
    ),
    "note-left": Meaning(
        "error", "a note was left sounding at the end", "Note On without its Note Off",
        "send `takewright tell panic`; see the port's other findings",
    ),
    **{
        code.value: Meaning(kind.severity, kind.meaning, f"the clock watch; size in {kind.unit}", kind.remedy)
        for code, kind in WATCH_KINDS.items()
    },
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Cause:
    """A possible cause: what, why it is thought so, and how strongly (0 to 1; the list is sorted by it)."""

    text: str
    why: str
    weight: float
    code: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return {"code": self.code, "text": self.text, "why": self.why, "weight": round(self.weight, 3)}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that an audit has to say. `t_ns` is from the anchor; `causes` are ranked."""

    code: str
    severity: Severity
    t_ns: int | None
    text: str
    at: str | None = None
    machine: str = ""
    port: str = ""
    count: int = 1
    evidence: Mapping[str, Any] = field(default_factory=dict)
    causes: tuple[Cause, ...] = ()

    @property
    def remedy(self) -> str:
        """What to try."""
        meaning = MEANINGS.get(self.code)
        return meaning.remedy if meaning else ""

    def to_dict(self) -> dict[str, Any]:
        """Return plain data, as in take.json."""
        return {
            "code": self.code,
            "severity": self.severity,
            "at": self.at,
            "t_ns": self.t_ns,
            "machine": self.machine,
            "port": self.port,
            "count": self.count,
            "text": self.text,
            "evidence": dict(self.evidence),
            "causes": [cause.to_dict() for cause in self.causes],
            "try": self.remedy,
        }
