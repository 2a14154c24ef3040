"""What a recorder did in one take, in its own words: report, punches, and what it did not do. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from runner.errors import Severity
from runner.music.machine_control import Command, Mmc, RecordStatus

GRACE_NS = 200_000_000  #: a status so soon after a punch may be that of before it


class Loop(StrEnum):
    """Whether the recorder answers."""

    UNKNOWN = "unknown"
    CLOSED = "closed"
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class RecorderFinding:
    """Something that the recorder did not do as it was told. `t_ns` is monotonic."""

    code: str
    severity: Severity
    t_ns: int
    machine: str
    text: str
    evidence: Mapping[str, Any] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for a record."""
        return {
            "code": self.code,
            "severity": self.severity,
            "machine": self.machine,
            "text": self.text,
            "evidence": dict(self.evidence),
        }


@dataclass(slots=True)
class Punch:
    """One stretch that was to be recorded, and what the recorder said of it; None where it said nothing."""

    in_ns: int
    out_ns: int | None = None
    began: bool | None = None  #: it said, after the punch in, that it records
    held: bool | None = None  #: its last word before the punch out was that it records
    ended: bool | None = None  #: it said, after the punch out, that it does not
    asked: int = 0  #: questions about it until the punch out
    answered: int = 0  #: and how many were answered by then

    @property
    def recorded(self) -> bool | None:
        """Whether it said that it recorded at the beginning and at the end; None if that is not known."""
        if self.began is None:
            return None
        if not (self.began and self.held):
            return False
        return True if self.answered >= self.asked else None


@dataclass(slots=True)
class RecorderReport:
    """What the recorder did in one take, in its own words."""

    machine: str
    loop: Loop = Loop.UNKNOWN
    target: str = ""
    located: bool | None = None
    rolled: bool | None = None
    stopped: bool | None = None
    punches: list[Punch] = field(default_factory=list)

    @property
    def recorded(self) -> bool | None:
        """Whether every punch was recorded; None if none was asked for, or it did not say."""
        said = [punch.recorded for punch in self.punches]
        if not said or (None in said and False not in said):
            return None
        return all(said)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for the take."""
        return {
            "machine": self.machine,
            "loop": self.loop.value,
            "target": self.target,
            "located": self.located,
            "rolled": self.rolled,
            "stopped": self.stopped,
            "recorded": self.recorded,
            "punches": [
                {"began": punch.began, "held": punch.held, "ended": punch.ended} for punch in self.punches
            ],
        }


@dataclass(frozen=True, slots=True)
class Complaint:
    """What a recorder did not do: the code of a finding, its severity, the rest of a sentence about it."""

    code: str
    text: str
    severity: Severity = "error"
    evidence: Mapping[str, Any] = field(default_factory=dict)


class PunchWatch:
    """Holds what a recorder says of its recording against the punches that it was sent."""

    def __init__(self, punches: list[Punch]) -> None:
        self._punches = punches

    @property
    def _open(self) -> Punch | None:
        punches = self._punches
        return punches[-1] if punches and punches[-1].out_ns is None else None

    def sent(self, command: Command, t_ns: int) -> None:
        """Take a command that went out: a punch, what ends one, or a question about it."""
        if command.code == Mmc.RECORD_STROBE:
            self.close(t_ns)
            self._punches.append(Punch(t_ns))
        elif command.code in (Mmc.RECORD_EXIT, Mmc.STOP):
            self.close(t_ns)
        elif command.code == Mmc.READ and self._open is not None:
            self._open.asked += 1

    def close(self, t_ns: int) -> None:
        """Whatever is recorded is over."""
        if self._open is not None:
            self._open.out_ns = t_ns

    def said(self, status: RecordStatus, now_ns: int) -> Complaint | None:
        """Take what it says of its recording; return what is wrong with that."""
        if not self._punches:
            return None
        punch = self._punches[-1]
        changed_ns = punch.in_ns if punch.out_ns is None else punch.out_ns
        if now_ns - changed_ns < GRACE_NS:
            return None
        if punch.out_ns is not None:
            punch.ended = not status.recording
            text = "records on after it was punched out"
            return Complaint("recorder-still-recording", text) if status.recording else None
        if punch.began is None:
            punch.began = status.recording
        punch.held = status.recording
        punch.answered += 1
        return None if status.recording else _not_recording(punch, status, now_ns)


def _not_recording(punch: Punch, status: RecordStatus, now_ns: int) -> Complaint:
    if punch.began:
        after = (now_ns - punch.in_ns) / 1e9
        text = f"left record by itself, at most {after:.1f} s after it was punched in"
        return Complaint("recorder-dropped-out", text, evidence={"after_s": after})
    if status.inhibited:
        return Complaint("recorder-protected", "says that recording is locked on the machine")
    return Complaint("recorder-not-recording", "was punched in and does not record")
