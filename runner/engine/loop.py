"""The engine's loop: wait for the next moment, send what is due, write down what happened.

The loop knows ports, player and record; it does not know what a session is. It is driven by a `Clock`,
so that the same loop runs a stage set on the real one and an hour of song in a second on the virtual
one. Nothing in it touches a disk, logs a line or waits for a lock.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Sequence

from runner.engine.clock import Clock
from runner.engine.debts import Debts
from runner.engine.headroom import LONGEST_FOLLOWING_NS, LONGEST_NS, Headroom
from runner.engine.log import RecordLog
from runner.engine.presence import CONTINUE, Presence
from runner.play.commands import ClockPolicy, RigMachine
from runner.play.following import NOT_A_CLOCK, FollowingPlayer
from runner.play.player import Note, Player
from runner.play.sounding import Sounding
from runner.play.streams import NO_TICK, Send
from runner.play.time_code_player import TimeCodePlayer
from runner.ports.base import Port, SendError
from runner.takes.format import NONE16, Kind

START_GAP_NS = 1_000_000  #: MIDI 1.0 4.2.1, p. 30
SLOW_SEND_NS = 2_000_000  #: a port that holds the loop up for this long gets a record of its own
BEAT_NS = 200_000_000  #: how often the loop says that it is alive
IDLE_BEAT_NS = 1_000_000_000  #: and how often while nothing rolls: each one wakes three processes

_STARTS = (0xFA, 0xFB)
_NO_SOURCE = 0xFFFFFFFF  # of a message that stands in no timeline
_NOTE_KINDS = {"state": Kind.STATE, "leg": Kind.STATE, "end": Kind.TAKE_END, "finding": Kind.FINDING}


class Inbox:
    """Messages that came in, from whichever thread, in order of delivery; bounded.

    `put` is called from port threads: one append to a deque, which is atomic. What does not fit is
    counted, and the loop writes the count into the record.
    """

    def __init__(self, limit: int = 65_536) -> None:
        self._items: deque[tuple[int, int, bytes]] = deque()
        self._limit = limit
        self.overflow = 0

    def receiver(self, port: int) -> Callable[[int, bytes], None]:
        """Return the function that port number `port` delivers to."""

        def put(arrival_ns: int, data: bytes) -> None:
            if len(self._items) < self._limit:
                self._items.append((arrival_ns, port, data))
            else:
                self.overflow += 1

        return put

    def take(self, most: int) -> list[tuple[int, int, bytes]]:
        """Return up to `most` messages, oldest first, and forget them."""
        items = self._items
        return [items.popleft() for _ in range(min(most, len(items)))]


class Loop:
    """One rig in play. Call `step` for ever, or `run_until` in virtual time."""

    def __init__(
        self,
        clock: Clock,
        ports: Sequence[Port],
        machines: Sequence[RigMachine],
        log: RecordLog,
        player: Player | None = None,
        policy: ClockPolicy | None = None,
        owed: Sounding | None = None,
        unsure: Sounding | None = None,
    ) -> None:
        """`owed` keeps what was really sent, for whoever must silence the rig if this engine dies.

        `unsure` keeps for the same what was ended on a port that has not been seen to be there since.
        """
        self.policy = policy or ClockPolicy()
        self._owed = owed or Sounding()
        self.player = player or make_player(machines, len(ports), self.policy)
        self.log = log
        self.inbox = Inbox()
        self._clock = clock
        self._ports = tuple(ports)
        self._acting = tuple(port for port in ports if not port.threaded)
        self._ticks_in = [0] * len(ports)
        self._bad_bytes = [0] * len(ports)
        self._failing: set[int] = set()
        self._debts = Debts(self._owed)
        self._presence = Presence(ports, machines, log, self._owed, unsure or Sounding())
        self._started_ns: dict[int, int] = {}  #: when a port was sent Start and no clock since
        self._overflow_told = 0
        following = isinstance(self.player, FollowingPlayer)
        self._headroom = Headroom(LONGEST_FOLLOWING_NS if following else LONGEST_NS)
        self._alarm_ns: int | None = None  #: when the loop is to get up for a moment of the player's
        for index, port in enumerate(ports):
            if port.has_input:
                port.start(self.inbox.receiver(index))

    def step(self, limit_ns: int | None = None) -> Sequence[int]:
        """Wait for the next deadline (at most until `limit_ns`) or input, and do what is to be done.

        Returns the descriptors that the clock found ready, for the caller to serve.
        """
        ready = self._clock.wait(self._next_deadline(limit_ns))
        now = self._clock.now_ns()
        self.serve(now)
        return ready

    def run_until(self, end_ns: int) -> None:
        """Step until `end_ns`; for virtual time."""
        while self._clock.now_ns() < end_ns:
            self.step(end_ns)

    def serve(self, now_ns: int) -> None:
        """Do all that is due at `now_ns`: simulated machines, input, sends, records."""
        following = isinstance(self.player, FollowingPlayer)
        if not following:  # our own clock first; what came in can wait for it
            self._send(self.player.due(now_ns, self._headroom.ns))
        for port in self._acting:
            due = port.next_deadline_ns()
            if due is not None and due <= now_ns:
                port.due(now_ns)
        self._read_inbox()
        if following:  # what came in decides what is due
            self._send(self.player.due(now_ns, self._headroom.ns))
        self._serve_presence()
        self._pay_debts()
        self._write_notes()
        self.log.flush(now_ns)

    def _serve_presence(self) -> None:
        """Look after ports that went or came, where there is time for it."""
        player, now = self.player, self._clock.now_ns()
        told = self._presence.serve(now, player.next_deadline_ns(), player.position, moving=player.moving)
        if told is not None:
            for data in told.messages:
                self._send_unplanned(told.port, data)

    def _pay_debts(self) -> None:
        """End on ports that refused messages what they still sound and should not."""
        now = self._clock.now_ns()
        for port, messages in self._debts.due(now, self.player.sounding, moving=self.player.moving):
            if port in self._presence.away:
                continue  # it is told all that it owes when it is back
            at = self.player.position(now)
            sends = [Send(now, port, data, NONE16, _NO_SOURCE, at, NO_TICK, True) for data in messages]
            self._send(sends, planned=False)

    def silence_after_death(self, now_ns: int, lossy: Iterable[int]) -> None:
        """Silence what a dead engine left; on the ports that may have lost it, once more a little later."""
        sounding = self.player.sounding
        for port in lossy:
            self._debts.once_more(port, [*sounding.stop(port), *sounding.note_offs(port)], now_ns)
        self.player.silence(now_ns)

    def tell_away(self, now_ns: int) -> None:
        """Write down which ports are away as a take begins."""
        self._presence.tell_away(now_ns, self.player.position(now_ns))

    def missing_ports(self) -> list[dict[str, object]]:
        """Return the ports that are away, with why, for people, and whether the session requires them."""
        return self._presence.missing()

    def send_now(self, port: int, machine: int, data: bytes) -> None:
        """Send a message that stands in no timeline, at once."""
        self._presence.due(port, data)
        self._send_unplanned(port, data, machine)

    def describe_ports(self) -> list[dict[str, object]]:
        """Return what each port is, for people."""
        return [
            {"name": port.name, "is": port.describe(), "input": port.has_input, "output": port.has_output}
            for port in self._ports
        ]

    def close(self) -> None:
        """Silence the rig if it needs it, write the last records, close every port."""
        now = self._clock.now_ns()
        if self.player.moving:
            self.player.stop(now, "the engine closes")
        elif self.player.sounding.any_left(range(len(self._ports))):
            self.player.silence(now)
        self.serve(self._clock.now_ns())
        self._debts.all_due(now)
        self.serve(self._clock.now_ns())
        self.let_go()

    def complete_ports(self) -> None:
        """Open what was put off until the rig was silent."""
        for port in self._ports:
            port.complete()

    def let_go(self) -> None:
        """Close every port as it is."""
        for port in self._ports:
            port.close()

    # ------------------------------------------------------------------ inside

    def _next_deadline(self, limit_ns: int | None) -> int | None:
        soonest = limit_ns
        self._alarm_ns = None
        due = self.player.next_deadline_ns()
        if due is not None and (soonest is None or due - self._headroom.ns < soonest):
            soonest = self._alarm_ns = due - self._headroom.ns
        due = self.player.next_check_ns()
        if due is not None and (soonest is None or due < soonest):
            soonest = due
        for due in (self._presence.next_deadline_ns(), self._debts.next_deadline_ns()):
            if due is not None and (soonest is None or due < soonest):
                soonest = due
        for port in self._acting:
            due = port.next_deadline_ns()
            if due is not None and (soonest is None or due < soonest):
                soonest = due
        return soonest

    def _send_unplanned(self, port: int, data: bytes, machine: int = NONE16) -> None:
        now = self._clock.now_ns()
        self.player.sounding.track(port, data)
        quarters = self.player.position(now)
        self._send([Send(now, port, data, machine, _NO_SOURCE, quarters, NO_TICK, False)], planned=False)

    def _send(self, sends: Sequence[Send], *, planned: bool = True) -> None:
        """Send each at its moment; write down a chord or a round of clocks only when all of it is out.

        `planned`: what was due anyhow, which a machine that is away must be told when it is back.
        """
        clock, ports, owed, presence = self._clock, self._ports, self._owed, self._presence
        if sends:
            self._learn_headroom(sends[0].due_ns)
        done: list[tuple[Send, int, int]] = []
        for send in sends:
            if send.port in presence.away:
                self._missed(send, planned=planned)
                continue
            if done and send.due_ns > done[0][0].due_ns:
                self._write_sent(done)
                done = []
            adds = send.tick == NO_TICK and owed.adds(send.data)
            clock.hold(max(send.due_ns, self._earliest(send)))
            before = clock.now_ns()
            if adds:
                owed.track(send.port, send.data)
            try:
                ports[send.port].send(send.data)
            except SendError as error:
                self._failed(send, before, error)
                continue
            done.append((send, before, clock.now_ns()))
            if send.data[0] in _STARTS:
                self._start_is_out(send.port, done[-1][2])
            if send.tick != NO_TICK:
                if presence.tick(send.port):
                    self._write_sent(done)
                    done = []
                    self._send_unplanned(send.port, CONTINUE)
                continue
            if not adds:
                presence.ends(send.port, send.data)
                owed.track(send.port, send.data)
            if planned:
                presence.due(send.port, send.data)
        self._write_sent(done)

    def _missed(self, send: Send, *, planned: bool) -> None:
        """Take note of what is due on a port that is away."""
        self._presence.missed(send.port)
        if send.tick != NO_TICK:
            self._presence.tick(send.port)
        elif planned:
            self._presence.due(send.port, send.data)
            if send.data[0] in _STARTS and isinstance(self.player, FollowingPlayer):
                self.player.start_is_out(send.port, self._clock.now_ns())

    def _learn_headroom(self, due_ns: int) -> None:
        """Note how long it took from the alarm until here, if it was for this moment that the loop got up."""
        alarm, self._alarm_ns = self._alarm_ns, None
        if alarm is not None and due_ns == alarm + self._headroom.ns:
            self._headroom.took(max(0, self._clock.now_ns() - alarm))

    def _earliest(self, send: Send) -> int:
        """Return when a message may go at the earliest: a clock not within 1 ms of its Start.

        The plan keeps the two apart; a Start that this computer sent late must not undo it
        (MIDI 1.0 4.2.1, p. 30: at least 1 ms between Start or Continue and the first clock).
        """
        if send.tick != NO_TICK and send.port in self._started_ns:
            return self._started_ns.pop(send.port) + START_GAP_NS
        return 0

    def _start_is_out(self, port: int, t_ns: int) -> None:
        """Take note that a port has taken Start or Continue, however late that was."""
        self._started_ns[port] = t_ns
        if isinstance(self.player, FollowingPlayer):
            self.player.start_is_out(port, t_ns)

    def _write_sent(self, done: Sequence[tuple[Send, int, int]]) -> None:
        log = self.log
        for send, before, after in done:
            is_tick = send.tick != NO_TICK
            log.add(
                Kind.TICK_SENT if is_tick else Kind.CUT if send.cut else Kind.SENT,
                before,
                send.due_ns,
                send.quarters,
                send.port,
                send.machine,
                send.tick if is_tick else send.source,
                b"" if is_tick else send.data,
            )
            if send.port in self._failing:
                self._failing.discard(send.port)
                self._debts.takes_again(send.port, before)
                log.add_json(Kind.FINDING, before, {"code": "port-sends-again"}, send.quarters, send.port)
            if after - before >= SLOW_SEND_NS:
                held_us = (after - before) // 1000
                log.add(Kind.SLOW_SEND, before, send.due_ns, send.quarters, send.port, ref=held_us)

    def _failed(self, send: Send, now_ns: int, error: SendError) -> None:
        """Write down each message that was refused, and the reason once for each port."""
        self.log.add(
            Kind.SEND_FAILED, now_ns, send.due_ns, send.quarters, send.port, send.machine, 0, send.data
        )
        self._debts.refused(send.port, now_ns)
        if send.port not in self._failing:
            self._failing.add(send.port)
            data = {"code": "port-send-failed", "severity": "error", "text": str(error)}
            self.log.add_json(Kind.FINDING, now_ns, data, send.quarters, send.port)

    def _read_inbox(self) -> None:
        player = self.player
        for arrival, port, data in self.inbox.take(512):
            due, quarters = 0, player.position(arrival)
            if isinstance(player, FollowingPlayer):
                heard = player.feed(port, data, arrival)
                if heard is not NOT_A_CLOCK:
                    due, quarters = heard
            if data == b"\xf8":
                self._ticks_in[port] += 1
                ref = self._ticks_in[port] - 1
                self.log.add(Kind.TICK_RECEIVED, arrival, due, quarters, port, ref=ref)
            else:
                before = self._ticks_in[port]
                self.log.add(Kind.RECEIVED, arrival, due, quarters, port, ref=before, data=data)
        if self.inbox.overflow > self._overflow_told:
            lost, self._overflow_told = self.inbox.overflow - self._overflow_told, self.inbox.overflow
            data_out = {"code": "input-overflow", "severity": "error", "count": lost}
            self.log.add_json(Kind.FINDING, self._clock.now_ns(), data_out)
        self._count_bad_bytes()

    def _count_bad_bytes(self) -> None:
        for index, port in enumerate(self._ports):
            bad = port.counts.bad_bytes
            if bad > self._bad_bytes[index]:
                count, self._bad_bytes[index] = bad - self._bad_bytes[index], bad
                now = self._clock.now_ns()
                self.log.add(Kind.BAD_INPUT, now, 0, self.player.position(now), index, ref=count)

    def _write_notes(self) -> None:
        for note in self.player.take_notes():
            data = _note_data(note)
            if note.kind == "end":
                self._presence.end_of_roll()
                if unsent := self._presence.unsent():
                    data = {**data, "unsent": unsent}
            self.log.add_json(_NOTE_KINDS[note.kind], note.t_ns, data, note.quarters)


def make_player(
    machines: Sequence[RigMachine], port_count: int, policy: ClockPolicy, sounding: Sounding | None = None
) -> Player:
    """Return the player for a rig: its own master, or one that follows."""
    if policy.source == "internal":
        return Player(machines, port_count, sounding)
    if policy.source == "time-code":
        return TimeCodePlayer(machines, port_count, sounding, policy)
    return FollowingPlayer(machines, port_count, sounding, policy)


def _note_data(note: Note) -> dict[str, object]:
    return {"state": "leg", **note.data} if note.kind == "leg" else note.data


__all__ = ["BEAT_NS", "IDLE_BEAT_NS", "Inbox", "Loop"]
