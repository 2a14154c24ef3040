"""Ports that go and come back: noticed, opened again, and their machines told what they missed.

The system says nothing when a machine is unplugged, so each port is looked at in its turn, where there is
time for it before the next message is due. One that is away takes no messages: they are counted, and what
they would have set is kept. One that is back gets, in this order: Stop, if it may be running out of place;
where it follows song position, the position at which it will be let in; the Note Offs that are owed; the
programs and controllers in force. The clock goes on at once; Continue follows when the clock has
come to that position (MIDI 1.0 4.2.1, p. 27: a song position is for a machine that stands).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from runner.engine.log import RecordLog
from runner.errors import RigError
from runner.play.commands import RigMachine
from runner.play.in_force import PortInForce
from runner.play.sounding import Sounding
from runner.ports.base import Port
from runner.takes.format import Kind

LOOK_EVERY_NS = 500_000_000  #: how often it is looked whether a port is still there, or there again
IDLE_LOOK_EVERY_NS = 1_000_000_000  #: while nothing rolls and all are there: a look wakes the process
LOOK_NEEDS_NS = 5_000_000  #: not shortly before something is due: asking may take 2 ms
MEND_NEEDS_NS = 8_000_000  #: a step of opening a port took 3 ms on ALSA, 6 ms on JACK (measured)
LITTLE_ROOM_NS = (
    2_000_000  #: what must do for what has waited for `HURRY_NS`; after `AT_ONCE_NS` nothing must
)
HURRY_NS = 300_000_000
AT_ONCE_NS = 1_000_000_000
MEND_STEP_NS = 5_000_000
SETTLE_NS = 20_000_000  #: JACK carries nothing in the first periods of a new connection (seen)
WIRE_BYTE_NS = 320_000  #: MIDI 1.0 4.2.1, p. 1: 31.25 kbaud, ten bits a byte
_OPENING_BYTES = 4  # Stop and a song position
RESTORE_WAIT_NS = 100_000_000  #: a group of messages waits at most this long for a gap between clocks
STOP, CONTINUE = b"\xfc", b"\xfb"


@dataclass(slots=True)
class _Away:
    """A port that is away: since when, and how many messages it missed in this roll."""

    since_ns: int
    unsent: int = 0


@dataclass(slots=True)
class _Work:
    """Something that waits for a gap: since when, and when it is to be tried next."""

    since_ns: int
    next_ns: int = 0

    def fits(self, now_ns: int, due_ns: int | None, needs_ns: int) -> bool:
        """Whether it is time, and there is room before `due_ns`; if not, it is tried right after that."""
        waited = now_ns - self.since_ns
        if waited > HURRY_NS:
            needs_ns = min(needs_ns, LITTLE_ROOM_NS)
        if now_ns < self.next_ns:
            return False
        if due_ns is None or due_ns - now_ns >= needs_ns or waited > AT_ONCE_NS:
            return True
        self.next_ns = max(due_ns, now_ns) + MEND_STEP_NS // 10
        return False


@dataclass(slots=True)
class _Restore:
    """What a port that is back is still to be sent, in groups that stay together."""

    work: _Work
    opening: bool = True  #: whether Stop and the position are still to come: they go first
    groups: deque[tuple[bytes, ...]] = field(default_factory=deque)
    continue_at: int | None = None  #: the number of the clock that Continue goes before


@dataclass(slots=True)
class Told:
    """Messages for one port, to be sent now."""

    port: int
    messages: list[bytes] = field(default_factory=list)


class Presence:
    """Watches the ports of one rig. All times are monotonic ns."""

    def __init__(
        self,
        ports: Sequence[Port],
        machines: Sequence[RigMachine],
        log: RecordLog,
        owed: Sounding,
        unsure: Sounding,
    ) -> None:
        """`owed` counts what was really sent; `unsure` keeps what was ended since a port was last seen."""
        self._ports = tuple(ports)
        self._log = log
        self._owed = owed
        self._watched = tuple(
            index for index, port in enumerate(ports) if port.threaded or getattr(port, "may_vanish", False)
        )
        self._at = 0
        self._moving = False
        self._look = _Work(0)
        self._may_go = frozenset(self._watched)
        self._unsure = unsure
        self._away: dict[int, _Away] = {i: _Away(0) for i in self._watched if ports[i].trouble}
        self._mending: int | None = None
        self._mend = _Work(0)
        self._restores: dict[int, _Restore] = {}
        self._states = [PortInForce() for _ in ports]
        self._transport = [
            tuple(m.name for m in machines if m.port == index and "transport" in m.follows)
            for index in range(len(ports))
        ]
        self._position_ports = frozenset(m.port for m in machines if "position" in m.follows)

    # ------------------------------------------------------------------ what goes out, or would

    @property
    def away(self) -> dict[int, _Away]:
        """The ports that take nothing now."""
        return self._away

    def due(self, port: int, data: bytes) -> None:
        """Take note of a message that is due on a port, whether it can be sent or not."""
        status = data[0]
        if status >= 0xF0 or status & 0xF0 >= 0xA0:
            self._states[port].track(data)
            if 0xFA <= status <= 0xFC and port in self._restores:
                self._restores[port].continue_at = None  # the song itself starts or stops the machine

    def ends(self, port: int, data: bytes) -> None:
        """Take note of a message that was just sent and ends something, before it is tracked as sent.

        Until the port is seen to be still there, nobody knows whether it arrived.
        """
        if port in self._may_go:
            for begun in self._owed.begun_by(port, data):
                self._unsure.track(port, begun)

    def tick(self, port: int) -> bool:
        """Take note of a clock that is due on a port; True if Continue is to follow it at once."""
        state = self._states[port]
        state.tick()
        if not self._restores:
            return False
        restore = self._restores.get(port)
        if restore is None or restore.continue_at != state.clocks:
            return False
        restore.continue_at = None
        return True

    def missed(self, port: int) -> None:
        """Count a message that could not be sent."""
        self._away[port].unsent += 1

    def unsent(self) -> dict[str, int]:
        """Return how many messages each port that is away has missed since this was last asked."""
        counts = {self._ports[port].name: away.unsent for port, away in self._away.items() if away.unsent}
        for away in self._away.values():
            away.unsent = 0
        return counts

    # ------------------------------------------------------------------ what the loop asks

    def next_deadline_ns(self) -> int | None:
        """Return when `serve` has something to do that will not wait for the next turn anyhow."""
        times = [restore.work.next_ns for restore in self._restores.values() if _waits(restore)]
        if self._mending is not None:
            times.append(self._mend.next_ns)
        elif self._watched and not self._moving:
            times.append(self._look.next_ns)  # in a roll there are turns enough
        return min(times, default=None)

    def serve(
        self, now_ns: int, due_ns: int | None, position: Callable[[int], float], *, moving: bool
    ) -> Told | None:
        """Do one thing of those that wait, if there is room before `due_ns`; return what is to be sent.

        `position` gives the song position in quarters of a time; `moving` says whether a song is played.
        """
        if moving and not self._moving and self._watched:
            self._look.next_ns = min(self._look.next_ns, now_ns + LOOK_EVERY_NS // len(self._watched))
        self._moving = moving
        if self._mending is not None:
            if self._mend.fits(now_ns, due_ns, MEND_NEEDS_NS):
                self._mend_on(now_ns, position(now_ns))
        elif self._watched and self._look.fits(now_ns, due_ns, LOOK_NEEDS_NS):
            self._look_at_next(now_ns, position(now_ns))
        for port, restore in list(self._restores.items()):
            if _waits(restore):
                told = self._restore(port, restore, now_ns, due_ns, position, moving=moving)
                if told is not None:
                    return told
            elif restore.continue_at is None:
                del self._restores[port]
        return None

    def tell_away(self, now_ns: int, quarters: float) -> None:
        """Write down, at the begin of a take, which ports are away from its start."""
        for port, away in self._away.items():
            away.unsent = 0
            self._tell(port, now_ns, quarters, present=False, text=self._ports[port].trouble)

    def end_of_roll(self) -> None:
        """Forget machines that were to be let in: there is nothing to join any more."""
        for restore in self._restores.values():
            restore.continue_at = None

    def missing(self) -> list[dict[str, object]]:
        """Return the ports that are away, and why, for people."""
        return [
            {
                "port": self._ports[port].name,
                "text": self._ports[port].trouble or f"port {self._ports[port].name}: it has gone",
                "required": self._ports[port].required,
            }
            for port in sorted(self._away)
        ]

    # ------------------------------------------------------------------ inside

    def _look_at_next(self, now_ns: int, quarters: float) -> None:
        self._at = (self._at + 1) % len(self._watched)
        index = self._watched[self._at]
        port = self._ports[index]
        if index not in self._away:
            if not port.present():
                self._away[index] = _Away(now_ns)
                self._restores.pop(index, None)
                self._owed.owe(index, self._unsure)  # what ended it may have gone nowhere
                self._tell(index, now_ns, quarters, present=False)
            self._unsure.forget(index)
        elif port.returned():
            self._mending = index
            self._mend = _Work(now_ns, now_ns)
        self._look_later(now_ns)

    def _look_later(self, now_ns: int) -> None:
        idle = not self._moving and not self._away
        every = (IDLE_LOOK_EVERY_NS if idle else LOOK_EVERY_NS) // len(self._watched)
        self._look = _Work(now_ns + every, now_ns + every)

    def _mend_on(self, now_ns: int, quarters: float) -> None:
        index = self._mending
        assert index is not None
        try:
            whole = self._ports[index].mend()
        except RigError:
            self._mending = None  # its turn comes again
            return
        self._mend = _Work(now_ns, now_ns + MEND_STEP_NS)
        if whole:
            self._mending = None
            away = self._away.pop(index)
            self._look_later(now_ns)  # right after connecting, JACK would wait for its next period to tell
            self._tell(index, now_ns, quarters, present=True, unsent=away.unsent)
            self._restores[index] = _Restore(_Work(now_ns, now_ns + SETTLE_NS))

    def _restore(
        self,
        port: int,
        restore: _Restore,
        now_ns: int,
        due_ns: int | None,
        position: Callable[[int], float],
        *,
        moving: bool,
    ) -> Told | None:
        """Return the next group for a port: as many bytes as its wire is rid of before the next clock."""
        size = _OPENING_BYTES if restore.opening else sum(map(len, restore.groups[0]))
        wire_ns = size * WIRE_BYTE_NS
        work = restore.work
        if now_ns - work.since_ns < RESTORE_WAIT_NS and not work.fits(now_ns, due_ns, wire_ns + WIRE_BYTE_NS):
            return None
        restore.work = _Work(now_ns + wire_ns, now_ns + wire_ns)
        if not restore.opening:
            return Told(port, list(restore.groups.popleft()))
        restore.opening = False
        restore.groups.extend((data,) for data in self._owed.note_offs(port))
        restore.groups.extend(self._states[port].messages())
        return Told(port, self._opening(port, restore, now_ns, position, moving=moving))

    def _opening(
        self, port: int, restore: _Restore, now_ns: int, position: Callable[[int], float], *, moving: bool
    ) -> list[bytes]:
        """Return Stop and song position for a port that is back, as far as they are called for."""
        state = self._states[port]
        first = [STOP] if state.running or self._owed.running(port) else []
        if moving and state.running:
            place = state.rejoin() if port in self._position_ports else None
            if place is not None:
                restore.continue_at, pointer = place
                first.append(pointer)
            self._tell_place(port, now_ns, position(now_ns), rejoins=place is not None)
        return first

    def _tell(self, index: int, now_ns: int, quarters: float, **more: object) -> None:
        port = self._ports[index]
        data = {"port": port.name, "required": port.required, **more}
        self._log.add_json(Kind.PRESENCE, now_ns, data, quarters, index)

    def _tell_place(self, index: int, now_ns: int, quarters: float, *, rejoins: bool) -> None:
        names = ", ".join(self._transport[index]) or f"the machines on port {self._ports[index].name}"
        if rejoins:
            code, severity = "machine-rejoins", "note"
            text = f"{names}: back in mid-song, stopped and sent to its place; Continue follows on a beat"
        else:
            code, severity = "machine-left-stopped", "warning"
            text = f"{names}: back in mid-song, and left stopped: it cannot be told where the song is"
        data = {"code": code, "severity": severity, "text": text}
        self._log.add_json(Kind.FINDING, now_ns, data, quarters, index)


def _waits(restore: _Restore) -> bool:
    return restore.opening or bool(restore.groups)
