"""Where orders come in and states go out: pedals, lamps and the control socket, around the director."""

from __future__ import annotations

import selectors
from collections.abc import Callable
from dataclasses import dataclass, field

from runner.desk.actions import Order, Outcome
from runner.desk.controls import ControlMap
from runner.desk.lamps import Lamps, LampSends
from runner.desk.recording import Heard, Presence
from runner.desk.server import ControlServer
from runner.desk.status import Status
from runner.plan.timeline import NO_MACHINE
from runner.session.model import Session

SHOW_EVERY_NS = 100_000_000  #: how often lamps and watchers are told what there is to see
IDLE_SHOW_NS = 500_000_000  #: and how often while nothing rolls and nothing has happened

Obey = Callable[[Order, int], Outcome]
Send = Callable[[list[list[object]]], None]  #: rows of port, machine, hex for the engine


@dataclass(slots=True)
class Console:
    """Controls, lamps and the socket of one session. Nothing in it waits."""

    session: Session
    obey: Obey
    send: Send
    warn: Callable[[str], None]
    server: ControlServer | None = None
    _controls: ControlMap = field(init=False)
    _lamps: Lamps = field(init=False)
    _ports: tuple[str, ...] = ()
    _show_at_ns: int = 0
    _sign: object = None

    def __post_init__(self) -> None:
        self.take_session(self.session)

    def take_session(self, session: Session) -> None:
        """Go by this session from now on; lamps of another one are put out first."""
        if self._ports:
            self._light(self._lamps.all_off())
        self.session = session
        self._ports = tuple(session.ports)
        self._controls = ControlMap(session)
        self._lamps = Lamps.of(session)

    def register(self, selector: selectors.BaseSelector) -> None:
        """Have the desk's selector wake for clients of the socket."""
        if self.server is not None:
            self.server.register(selector)

    # ------------------------------------------------------------------ what comes in

    def hear(self, heard: Heard, now_ns: int) -> None:
        """A message came in: it may be a pedal."""
        if heard.port < len(self._ports):
            for order in self._controls.feed(self._ports[heard.port], heard.data, heard.t_ns):
                self.obey(order, now_ns)

    def presence(self, event: Presence, now_ns: int) -> None:
        """A port is gone, or there again and in the dark."""
        if event.present:
            self._light(self._lamps.resend(event.name, now_ns))
        else:
            self._controls.forget(event.name)
            self._lamps.forget(event.name)

    def silent(self, port: str, silent: bool, now_ns: int) -> None:
        """A wire went dead or lives again: its pedals are let go, then its lamps are lit anew."""
        if silent:
            self._controls.forget(port)
        else:
            self._light(self._lamps.resend(port, now_ns))

    def rig_is_new(self, now_ns: int) -> None:
        """Another engine has the ports: what it has lit is not known."""
        for port in self._ports:
            self._light(self._lamps.resend(port, now_ns))

    def turn(self, status: Callable[[], Status], sign: object, rolling: bool, now_ns: int) -> None:
        """Do one turn: orders from the socket, presses that time has decided, what there is to see.

        It is shown at once when `sign` is another than the last time.
        """
        if self.server is not None:
            for request in self.server.serve():
                self.server.answer(request, self.obey(request.order, now_ns))
        for order in self._controls.due(now_ns):
            self.obey(order, now_ns)
        for text in self._controls.hints():
            self.warn(text)
        if now_ns >= self._show_at_ns or sign != self._sign:
            self._show_at_ns = now_ns + (SHOW_EVERY_NS if rolling else IDLE_SHOW_NS)
            self._sign = sign
            self.show(status(), now_ns)
        else:
            self._light(self._lamps.due(now_ns))

    # ------------------------------------------------------------------ what goes out

    def show(self, status: Status, now_ns: int) -> None:
        """Show a status on the lamps and to those who watch."""
        self._light(self._lamps.show(status, now_ns))
        if self.server is not None:
            self.server.publish(status)

    def close(self) -> None:
        """Put all lamps out, and close the socket."""
        self._light(self._lamps.all_off())
        if self.server is not None:
            self.server.close()

    def wait_s(self, now_ns: int, longest_s: float) -> float:
        """Return how long the desk may wait before the next turn."""
        times = [
            time
            for time in (self._controls.next_deadline_ns, self._lamps.next_deadline_ns)
            if time is not None
        ]
        return max(0.0, min([longest_s, *((time - now_ns) / 1e9 for time in times)]))

    def _light(self, sends: LampSends) -> None:
        rows: list[list[object]] = [[self._ports.index(port), NO_MACHINE, data.hex()] for port, data in sends]
        if rows:
            self.send(rows)
