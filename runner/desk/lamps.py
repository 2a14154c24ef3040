"""What the player's lamps show: from the daemon's status to MIDI messages. Pure.

Rows of the session's `lamps` that address the same thing (the same key, controller or program of a channel,
or the same bytes) are one lamp: of its states that are on, the last in the file shows. A message is sent
only when what is to be seen changes, so a state that comes and goes unseen costs nothing.

Lamps cannot load a wire: on each port they may send 312 bytes a second, a tenth of what a DIN cable carries
(31,250 baud, ten bits a byte: MIDI 1.0, hardware). Where clock goes out over DIN, a clock never waits for
more than one of their messages; elsewhere 48 bytes may go at once. What has to wait is not kept: when its
turn comes, what is to be seen then is sent.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from runner.desk.status import Status, TakeStatus
from runner.session.model import LampMessage, LampSpec, Session

BYTE_NS = 3_200_000  #: of a port's allowance: ten times what a byte takes on a DIN cable
BURST_BYTES = 48  #: what may go at once where no clock waits for it
CLOCKED_BURST_BYTES = 3  #: and where one does: a channel message

LampSends = list[tuple[str, bytes]]  #: port, message

_ROLLS = ("lead", "pre-roll", "rolling", "tail")
_LIT_BY_STATE = {
    "ready": "ready",
    "waiting": "waiting",
    "armed": "armed",
    "lead": "pre-roll",
    "pre-roll": "pre-roll",
    "rolling": "rolling",
    "tail": "rolling",
    "trouble": "trouble",
}


class _LastVerdict:
    """Remembers which take was the last before a roll, so that an old verdict is not shown for a new one."""

    def __init__(self) -> None:
        self._rolled = False
        self._before: TakeStatus | None = None

    def of(self, status: Status) -> str:
        """Return the verdict of the take that was rolled last; empty while it rolls or is being closed."""
        newest = status.takes[0] if status.takes else None
        if status.state in _ROLLS:
            self._rolled, self._before = True, newest
        if status.state in (*_ROLLS, "closing", "starting") or not self._rolled or newest is None:
            return ""
        return "" if newest == self._before else newest.verdict


def lit_states(status: Status, verdict: str) -> frozenset[str]:
    """Return the lamp states that are on; `verdict` is that of the take that was rolled last, or empty."""
    states = {_LIT_BY_STATE.get(status.state, ""), verdict}
    if status.state == "rolling" and status.at.split()[:2] == ["bar", "1"]:
        states.add("bar-1")
    if status.hold and status.state == "rolling":
        states.add("hold")
    if status.clock_lock == "freewheeling":
        states.add("freewheeling")
    if status.log_trouble or any(alarm.severity == "error" for alarm in status.alarms):
        states.add("trouble")
    return frozenset(states - {""})


@dataclass(slots=True)
class _Lamp:
    """One lamp: the rows that address it, and what it was last sent."""

    rows: tuple[LampSpec, ...]
    since_ns: list[int | None]  #: for each row, when its state began; None while it is not
    shown: int | None = None  #: the row that shows
    sent: bytes | None = None  #: None if it is not known what it shows
    waits_ns: int | None = None  #: since when a message for it waits

    def follow(self, states: Iterable[str], now_ns: int) -> None:
        """Note which of its states are on."""
        for place, row in enumerate(self.rows):
            if row.when not in states:
                self.since_ns[place] = None
            elif self.since_ns[place] is None:
                self.since_ns[place] = now_ns

    def wanted(self, now_ns: int) -> bytes | None:
        """Return the message that shows what is to be seen now; None if there is none for it."""
        lit = None
        for place, (row, since_ns) in enumerate(zip(self.rows, self.since_ns, strict=True)):
            if since_ns is not None and (row.flash_ns is None or now_ns < since_ns + row.flash_ns):
                lit = place
        if lit is not None:
            self.shown = lit
            return _bytes_of(self.rows[lit], self.rows[lit].on)
        return self.dark()

    def dark(self) -> bytes | None:
        """Return the message that puts it out: that of the row that shows, else the first there is."""
        order = self.rows if self.shown is None else (self.rows[self.shown], *self.rows)
        return next((_bytes_of(row, row.off) for row in order if row.off is not None), None)

    def flash_ends_ns(self, now_ns: int) -> int | None:
        """Return when the next flash is over; None if none is on."""
        ends = [
            since_ns + row.flash_ns
            for row, since_ns in zip(self.rows, self.since_ns, strict=True)
            if since_ns is not None and row.flash_ns is not None and since_ns + row.flash_ns > now_ns
        ]
        return min(ends, default=None)


def _bytes_of(row: LampSpec, message: LampMessage) -> bytes:
    return message.message(row.channel)


@dataclass(slots=True)
class _Wire:
    """The allowance of one port. It may fall below nothing by one message, and then has to fill up first."""

    burst: int
    present: bool = True
    full_ns: int | None = None  #: when the allowance is full again; None if nothing was ever sent

    def free_ns(self, size: int) -> int | None:
        """Return when so many bytes may go; None for at once."""
        if self.full_ns is None:
            return None
        return self.full_ns - max(0, self.burst - size) * BYTE_NS

    def spend(self, size: int, now_ns: int) -> None:
        """Take bytes off the allowance."""
        start_ns = now_ns if self.full_ns is None else max(now_ns, self.full_ns)
        self.full_ns = start_ns + size * BYTE_NS


@dataclass(slots=True)
class Lamps:
    """The lamps of a session. Until the first `show`, nothing is sent."""

    lamps: Sequence[tuple[str, _Lamp]]
    wires: dict[str, _Wire]
    _now_ns: int = 0
    _shown: bool = False
    _verdict: _LastVerdict = field(default_factory=_LastVerdict)

    @classmethod
    def of(cls, session: Session) -> Lamps:
        """Return the lamps of a session, all of them dark."""
        found: dict[tuple[object, ...], list[LampSpec]] = {}
        for row in session.lamps:
            found.setdefault((row.port, *_address(row)), []).append(row)
        lamps = [(rows[0].port, _Lamp(tuple(rows), [None] * len(rows))) for rows in found.values()]
        return cls(lamps, {port: _Wire(_burst(session, port)) for port, _ in lamps})

    def show(self, status: Status, now_ns: int) -> LampSends:
        """Take the daemon's status; return what is to be sent now."""
        states = lit_states(status, self._verdict.of(status))
        self._shown = True
        for _, lamp in self.lamps:
            lamp.follow(states, now_ns)
        return self.due(now_ns)

    def due(self, now_ns: int) -> LampSends:
        """Return what is to be sent now: what waited for the wire, and flashes that are over."""
        self._now_ns = now_ns = max(now_ns, self._now_ns)
        if not self._shown:
            return []
        for port, lamp in self.lamps:
            message = lamp.wanted(now_ns)
            if message is None:  # it cannot be put out; whatever lit it may have been written over since
                lamp.sent = None
            if message is None or message == lamp.sent or not self.wires[port].present:
                lamp.waits_ns = None
            elif lamp.waits_ns is None:
                lamp.waits_ns = now_ns
        return self._send(self._waiting(now_ns), now_ns)

    def _waiting(self, now_ns: int) -> list[tuple[str, _Lamp, bytes]]:
        """Return what waits, in the order in which it goes: what goes dark, then what has waited longest."""
        rows: list[tuple[bool, int, str, _Lamp, bytes]] = []
        for port, lamp in self.lamps:
            if lamp.waits_ns is not None and (message := lamp.wanted(now_ns)) is not None:
                rows.append((message != lamp.dark(), lamp.waits_ns, port, lamp, message))
        rows.sort(key=lambda row: row[:2])
        return [row[2:] for row in rows]

    @property
    def next_deadline_ns(self) -> int | None:
        """When `due` has something to send, after the last call; None if nothing is due."""
        here = [(port, lamp) for port, lamp in self.lamps if self.wires[port].present]
        flashes = (lamp.flash_ends_ns(self._now_ns) for _, lamp in here)
        times = [flash_ns for flash_ns in flashes if flash_ns is not None]
        asked: set[str] = set()
        for port, _, message in self._waiting(self._now_ns):
            wire = self.wires[port]
            # those behind the first of a port wait for it: to wake for them would be to wake in vain
            if wire.present and port not in asked:
                asked.add(port)
                times.append(max(self._now_ns, wire.free_ns(len(message)) or 0))
        return min(times, default=None)

    def forget(self, port: str) -> None:
        """A port is gone: nothing is sent to it until `resend`."""
        if port in self.wires:
            self.wires[port].present = False

    def resend(self, port: str, now_ns: int) -> LampSends:
        """A port is back, and knows nothing: send the state of all its lamps anew, as its allowance lets."""
        if port not in self.wires:
            return []
        self.wires[port].present = True
        for its, lamp in self.lamps:
            if its == port:
                lamp.sent = None
        return self.due(now_ns)

    def all_off(self) -> LampSends:
        """Return what puts out all that may be lit, at once: for the end, when nothing rolls any more."""
        sends: LampSends = []
        for port, lamp in self.lamps:
            message = lamp.dark()
            if message is not None and message != lamp.sent and self._shown and self.wires[port].present:
                lamp.sent = message
                sends.append((port, message))
        return sends

    def _send(self, waiting: Sequence[tuple[str, _Lamp, bytes]], now_ns: int) -> LampSends:
        sends: LampSends = []
        held: set[str] = set()  #: ports on which a message has to wait, and so those behind it
        for port, lamp, message in waiting:
            wire = self.wires[port]
            free_ns = wire.free_ns(len(message))
            if port in held or (free_ns is not None and free_ns > now_ns):
                held.add(port)
                continue
            wire.spend(len(message), now_ns)
            lamp.sent, lamp.waits_ns = message, None
            sends.append((port, message))
        return sends


def _address(row: LampSpec) -> tuple[object, ...]:
    """Return what a row lights: rows that light the same are one lamp."""
    on = row.on
    for kind, number in (("note", on.note), ("control", on.control)):
        if number is not None:
            return kind, row.channel, number
    return ("program", row.channel) if on.program is not None else ("bytes", _bytes_of(row, on))


def _burst(session: Session, port: str) -> int:
    clocked = any(machine.port == port and machine.follows_clock for machine in session.machines.values())
    return CLOCKED_BURST_BYTES if clocked and session.link_of(port) == "din" else BURST_BYTES
