"""All recorders of a rig through one take: they are ready when all are, and refused if one is. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from runner.music import TimeCode
from runner.play.machine_control import RecorderControl, RecorderState
from runner.play.recorder_report import Loop, RecorderFinding


@dataclass(frozen=True, slots=True)
class CrewMember:
    """A recorder with where it is: numbers of its port and machine as in the rig's configuration."""

    port: int
    machine: int
    control: RecorderControl


class ToSend(NamedTuple):
    """A message for a recorder, to be sent out of the timeline's order."""

    port: int
    machine: int
    data: bytes


class RecorderCrew:
    """The recorders that take part in a take. `take_part` is told which, and where each is located to.

    In this order: `prepare`, wait until `ready` (or `refused`); `begin`, wait until `rolling` (or `refused`);
    the take; `finish`, wait until `idle`. In between, all that is sent and received is told, `due` is called
    at `next_deadline_ns`, and what it returns is sent.
    """

    def __init__(self, members: Sequence[CrewMember]) -> None:
        self._members = tuple(members)
        self._active: tuple[CrewMember, ...] = ()

    @property
    def active(self) -> bool:
        """Whether any recorder takes part."""
        return bool(self._active)

    def prepare(self, targets: Mapping[int, TimeCode], now_ns: int) -> None:
        """Locate the recorders named by machine number; the others do not take part."""
        self._active = tuple(member for member in self._members if member.machine in targets)
        for member in self._active:
            member.control.prepare(targets[member.machine], now_ns)

    def begin(self, now_ns: int) -> None:
        """Let them play."""
        for member in self._active:
            member.control.begin(now_ns)

    def finish(self, now_ns: int) -> None:
        """Stop them, also those that refused."""
        for member in self._active:
            member.control.finish(now_ns)

    def abort(self, now_ns: int) -> None:
        """Stop them and forget the take."""
        for member in self._active:
            member.control.abort(now_ns)

    @property
    def ready(self) -> bool:
        """Whether all are in place."""
        return self._all(RecorderState.READY)

    @property
    def rolling(self) -> bool:
        """Whether all roll, as they say or as is believed of them."""
        return self._all(RecorderState.ROLLING)

    @property
    def idle(self) -> bool:
        """Whether all have stopped."""
        return self._all(RecorderState.IDLE)

    @property
    def refused(self) -> tuple[str, ...]:
        """The names of those that do not obey."""
        return tuple(
            member.control.spec.machine
            for member in self._active
            if member.control.state is RecorderState.REFUSED
        )

    @property
    def waiting_for(self) -> str:
        """What is waited for, for people; empty if nothing is."""
        texts = {
            RecorderState.LOCATING: "{0} to go to {1}",
            RecorderState.STARTING: "{0} to roll",
            RecorderState.STOPPING: "{0} to stop",
        }
        return ", ".join(
            texts[member.control.state].format(member.control.spec.machine, member.control.report.target)
            for member in self._active
            if member.control.state in texts
        )

    def _all(self, state: RecorderState) -> bool:
        return all(member.control.state is state for member in self._active)

    def sent(self, port: int, data: bytes, t_ns: int) -> None:
        """Take a message of the timeline that went out."""
        if data[:2] == b"\xf0\x7f":
            for member in self._active:
                if member.port == port:
                    member.control.sent(data, t_ns)

    def received(self, port: int, data: bytes, t_ns: int) -> None:
        """Take a message that came in."""
        if data[:2] == b"\xf0\x7f":
            for member in self._active:
                if member.port == port:
                    member.control.feed(data, t_ns)

    def due(self, now_ns: int) -> list[ToSend]:
        """Return what is to be sent now."""
        return [
            ToSend(member.port, member.machine, data)
            for member in self._active
            for data in member.control.due(now_ns)
        ]

    def next_deadline_ns(self) -> int | None:
        """Return when `due` is next worth calling; None while nothing is to come by itself."""
        times = [member.control.next_deadline_ns() for member in self._active]
        return min((t for t in times if t is not None), default=None)

    def take_findings(self) -> list[RecorderFinding]:
        """Return what there is to say since the last call."""
        return [finding for member in self._active for finding in member.control.take_findings()]

    def reports(self) -> list[dict[str, Any]]:
        """Return what each recorder did in the take, in its own words."""
        return [member.control.report.to_dict() for member in self._active]

    @property
    def in_open_loop(self) -> tuple[str, ...]:
        """The names of those that do not answer."""
        return tuple(
            member.control.spec.machine for member in self._active if member.control.loop is Loop.OPEN
        )
