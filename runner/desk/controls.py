"""Messages of pedals, keys and other controllers, and the orders that they give. Pure.

`ControlMap` is fed every message that comes in and gives the orders of the session's `controls`. What is
no whole MIDI message is counted, never raised. It reads no clock: the times of messages are given, and
`next_deadline_ns` says when `due` has something to decide. Feed what has come before asking what is due,
or a long press is told of a pedal whose release lies unread.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from runner.desk.actions import Order
from runner.desk.switch import Switch, Wants
from runner.music.machine_control import ALL_DEVICES, Mmc, read_commands
from runner.session.model import ControlSpec, Session

HYSTERESIS = 8  #: how far below its threshold a value must fall to count as let go; 1 is the lowest
REPEATED_NS = 300_000_000  #: a press after so long with no release between makes a hint

_COMMANDS: dict[int, str] = {
    Mmc.STOP: "stop",
    Mmc.PLAY: "play",
    Mmc.DEFERRED_PLAY: "deferred-play",
    Mmc.FAST_FORWARD: "fast-forward",
    Mmc.REWIND: "rewind",
    Mmc.RECORD_STROBE: "record",
    Mmc.RECORD_EXIT: "record-exit",
    Mmc.PAUSE: "pause",
    Mmc.LOCATE: "locate",
}
_REAL_TIME = {0xFA: "start", 0xFB: "continue", 0xFC: "stop"}
_NO_CONTROL = (0xF8, 0xFE)  #: clock and active sensing: hundreds a second, and never a control

Key = tuple[str, str, int, str]  #: port, kind, number (-1 for none), machine control command


@dataclass(frozen=True, slots=True)
class Message:
    """What a message means to controls; `value` is None where it only happens, and -1 for a Note Off."""

    kind: str
    number: int = -1
    command: str = ""
    value: int | None = None
    address: int = 0  #: MIDI channel 1 to 16, device number of machine control, else 0


def read_message(data: bytes) -> list[Message] | None:
    """Return what one whole message means; [] if nothing to controls, None if it is no whole message."""
    if not data:
        return None
    status = data[0]
    if status == 0xF0:
        return _machine_control(data)
    if status in _REAL_TIME:
        return [Message(_REAL_TIME[status])] if len(data) == 1 else None
    if status < 0x80 or any(byte >= 0x80 for byte in data[1:]):
        return None
    if status >= 0xF0:
        if status == 0xF3 and len(data) == 2:
            return [Message("song-select", data[1])]
        return [] if status != 0xF3 else None
    if len(data) != (2 if status & 0xF0 in (0xC0, 0xD0) else 3):
        return None
    return _channel_message(status & 0xF0, (status & 0x0F) + 1, data[1], data[-1])


def _channel_message(kind: int, channel: int, first: int, last: int) -> list[Message]:
    if kind == 0x80 or (kind == 0x90 and last == 0):
        return [Message("note", first, value=-1, address=channel)]
    if kind == 0x90:
        return [Message("note", first, value=last, address=channel)]
    if kind == 0xB0:
        return [Message("control", first, value=last, address=channel)]
    if kind == 0xC0:
        return [Message("program", first, address=channel)]
    if kind == 0xD0:
        return [Message("pressure", value=first, address=channel)]
    if kind == 0xE0:
        return [Message("bend", value=last, address=channel)]  # the coarse byte comes last
    return []


def _machine_control(data: bytes) -> list[Message] | None:
    if data[-1] != 0xF7 or any(byte >= 0x80 for byte in data[1:-1]):
        return None
    try:
        found = read_commands(data)
    except ValueError:
        return None
    if found is None:
        return []
    device, commands = found
    names = (_COMMANDS.get(command.code) for command in commands)
    return [Message("machine-control", command=name, address=device) for name in names if name]


@dataclass(frozen=True, slots=True)
class _Group:
    """The controls that are one switch: same message, read in the same way."""

    controls: tuple[ControlSpec, ...]
    origin: str

    def wants(self, address: int) -> Wants:
        """Return what is wanted of the switch at this channel or device."""
        found = [control for control in self.controls if _meant(control, address)]
        longs = sorted({control.long_after_ns for control in found if control.press == "long"})
        return Wants(
            press=self._orders(control for control in found if control.press == "press"),
            release=self._orders(control for control in found if control.press == "release"),
            double=self._orders(control for control in found if control.press == "double"),
            longs=tuple(
                (
                    after_ns,
                    self._orders(c for c in found if c.press == "long" and c.long_after_ns == after_ns),
                )
                for after_ns in longs
            ),
            debounce_ns=max((control.debounce_ns for control in found), default=0),
            double_within_ns=max((c.double_within_ns for c in found if c.press == "double"), default=0),
        )

    def _orders(self, controls: Iterable[ControlSpec]) -> tuple[Order, ...]:
        return tuple(Order(control.do.word, control.do.name, self.origin) for control in controls)


def _meant(control: ControlSpec, address: int) -> bool:
    if control.channel is not None:
        return control.channel == address
    if control.device_id is not None and control.device_id != ALL_DEVICES:
        return address in (control.device_id, ALL_DEVICES)
    return True


class ControlMap:
    """The controls of a session."""

    def __init__(self, session: Session) -> None:
        self._groups: dict[Key, tuple[_Group, ...]] = _groups_of(session.controls)
        self._ports = {control.port for control in session.controls}
        self._switches: dict[tuple[Key, int, int], Switch] = {}
        self._values: dict[tuple[Key, int, int], tuple[int, int]] = {}  #: last value that pressed, and when
        self._hints: dict[str, str] = {}
        self._told: set[str] = set()
        self.refused = 0  #: what came in on ports with controls and was no whole MIDI message

    @property
    def next_deadline_ns(self) -> int | None:
        """When `due` has something to decide; None if it waits for messages only."""
        times = [switch.next_deadline_ns for switch in self._switches.values()]
        return min((time for time in times if time is not None), default=None)

    def feed(self, port: str, data: bytes, t_ns: int) -> list[Order]:
        """Take one message that came in at `t_ns`; return the orders that it and the time until then give."""
        if port not in self._ports or (data and data[0] in _NO_CONTROL):
            return []
        messages = read_message(data)
        if messages is None:
            self.refused += 1
            return []
        orders: list[Order] = []
        for message in messages:
            key = (port, message.kind, message.number, message.command)
            for number, group in enumerate(self._groups.get(key, ())):
                orders += self._turn(key, number, group, message, t_ns)
        return orders

    def due(self, now_ns: int) -> list[Order]:
        """Return the orders that the time until `now_ns` gives, in their order in time."""
        heap = [
            (deadline_ns, place, switch)
            for place, switch in enumerate(self._switches.values())
            if (deadline_ns := switch.next_deadline_ns) is not None and deadline_ns <= now_ns
        ]
        heapq.heapify(heap)
        orders: list[Order] = []
        while heap:
            deadline_ns, place, switch = heapq.heappop(heap)
            orders += switch.due(deadline_ns)
            again_ns = switch.next_deadline_ns
            if again_ns is not None and again_ns <= now_ns:
                heapq.heappush(heap, (again_ns, place, switch))
        return orders

    def forget(self, port: str) -> None:
        """A port is gone: its switches are let go, and order nothing."""
        for (key, _, _), switch in self._switches.items():
            if key[0] == port:
                switch.forget()

    def hints(self) -> list[str]:
        """Return what a person should be told about the controls, each text once."""
        found = [text for what, text in self._hints.items() if what not in self._told]
        self._told.update(self._hints)
        return found

    def _turn(self, key: Key, number: int, group: _Group, message: Message, t_ns: int) -> list[Order]:
        place = (key, number, message.address)
        switch = self._switches.get(place)
        if switch is None:
            if not any(_meant(control, message.address) for control in group.controls):
                return []
            switch = self._switches[place] = Switch(group.wants(message.address))
        control = group.controls[0]
        orders = self.due(t_ns)
        if message.value is None:
            return orders + switch.hit(t_ns)
        pressed = _level(control, message.value)
        if pressed is None:
            return orders
        if not control.releases:
            return orders + (switch.hit(t_ns) if pressed else [])
        if pressed:
            self._look_for_repeats(place, group, message.value, switch, t_ns)
        return orders + switch.level(pressed, t_ns)

    def _look_for_repeats(
        self, place: tuple[Key, int, int], group: _Group, value: int, switch: Switch, t_ns: int
    ) -> None:
        """Notice a switch that sends no release: its second press is the same message over again."""
        before = self._values.get(place)
        if switch.pressed and before is not None and before[0] == value and t_ns - before[1] >= REPEATED_NS:
            self._hints[group.origin] = (
                f"{group.origin} was pressed again and not let go between: if the switch sends nothing when "
                "it is let go, write `releases: false`"
            )
        self._values[place] = (value, t_ns)


def _level(control: ControlSpec, value: int) -> bool | None:
    """Return whether a value counts as pressed or let go; None for what lies between."""
    high = control.pressed_from
    if control.when.kind == "note":  # a soft note is no release
        down = None if 0 < value < high else value >= high
        return down if down is None or not control.inverted else not down
    low = max(1, high - HYSTERESIS)
    if value >= high:
        return not control.inverted
    return control.inverted if value < low else None


def _groups_of(controls: Sequence[ControlSpec]) -> dict[Key, tuple[_Group, ...]]:
    found: dict[Key, dict[tuple[int, bool, bool], list[ControlSpec]]] = {}
    for control in controls:
        when = control.when
        key = (control.port, when.kind, -1 if when.number is None else when.number, when.command)
        read_as = (control.pressed_from, control.inverted, control.releases)
        found.setdefault(key, {}).setdefault(read_as, []).append(control)
    return {
        key: tuple(
            _Group(tuple(group), f"{group[0].when} on {group[0].port}") for group in by_reading.values()
        )
        for key, by_reading in found.items()
    }
