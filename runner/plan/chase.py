"""Chase: the state in force at a place of a song, so that a roll can begin there.

`ChannelState` reads the messages of one channel in order and keeps what a machine would have kept.
`messages` gives it back as the shortest sequence that brings a machine there, in an order that works:

1. channel modes (local, omni, mono, poly), because some of them reset things;
2. bank and program, in one unbroken group;
3. controllers: the MSBs (0-31) before their LSBs (32-63), because an MSB sets its LSB to 0 (MIDI 1.0
   Detailed Specification 4.2.1, p. 12), then the rest; those that were set first come first;
4. RPNs and NRPNs: select, Data Entry MSB, LSB, increments as they came; then what was selected at the end;
5. channel pressure and pitch bend.

Reset All Controllers acts as RP-015 says: 1, 11, 64 to 67, bend, pressure and the parameter selection go
back to rest; volume, pan, bank, program and parameter values stay.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from runner.plan.messages import (
    BANK_LSB,
    BANK_MSB,
    DATA_LSB,
    DATA_MSB,
    DECREMENT,
    INCREMENT,
    NRPN_LSB,
    NRPN_MSB,
    NULL_PARAMETER,
    RESET_CONTROLLERS,
    RPN_LSB,
    RPN_MSB,
    control,
    program,
    select_parameter,
)

#: RP-015: what Reset All Controllers sets the controllers to that it touches.
RESET_VALUES = {1: 0, 11: 127, 64: 0, 65: 0, 66: 0, 67: 0}
_LOCAL, _OMNI_OFF, _OMNI_ON, _MONO, _POLY = 122, 124, 125, 126, 127
_BEND_REST = (0x00, 0x40)
#: what keeps notes sounding after their Note Offs: hold, sostenuto, hold 2
PEDALS = (64, 66, 69)
_SELECTORS = (NRPN_LSB, NRPN_MSB, RPN_LSB, RPN_MSB)

Group = tuple[bytes, ...]  #: messages with nothing between them


@dataclass(slots=True)
class _Parameter:
    """What was last entered for one RPN or NRPN."""

    msb: int | None = None
    lsb: int | None = None
    steps: list[tuple[int, int]] = field(default_factory=list)  #: increments and decrements since then

    def steps_from(self, earlier: _Parameter) -> list[tuple[int, int]]:
        """Return the steps that lead here; without a value to start from, only those since `earlier`.

        What was stepped further is stepped back. From a value that is not known here there is no way back.
        """
        if self.msb is not None or self.lsb is not None:
            return self.steps
        if earlier.msb is not None or earlier.lsb is not None:
            return []
        same = 0
        while same < min(len(self.steps), len(earlier.steps)) and self.steps[same] == earlier.steps[same]:
            same += 1
        other = {INCREMENT: DECREMENT, DECREMENT: INCREMENT}
        back = [(other[number], value) for number, value in reversed(earlier.steps[same:])]
        return [*back, *self.steps[same:]]


@dataclass(slots=True)
class ChannelState:
    """What one channel of a machine holds; None and absent mean that nothing was ever said."""

    program: int | None = None
    program_bank: tuple[int | None, int | None] = (None, None)  #: the bank in which that program was called
    bank: tuple[int | None, int | None] = (None, None)  #: the bank for the next program
    controls: dict[int, int] = field(default_factory=dict)
    modes: dict[str, tuple[int, int]] = field(default_factory=dict)
    parameters: dict[tuple[bool, int], _Parameter] = field(default_factory=dict)
    selected: tuple[bool, int] | None = None  #: (registered, number) that Data Entry now goes to
    pressure: int | None = None
    bend: tuple[int, int] | None = None

    def apply(self, status: int, data1: int, data2: int) -> None:
        """Take note of one channel message; notes and key pressures leave no state."""
        kind = status & 0xF0
        if kind == 0xB0:
            if data1 in _PLAIN:
                # the place in the order is that of the latest change
                self.controls.pop(data1, None)
                self.controls[data1] = data2
                if data1 < 32:
                    self.controls.pop(data1 + 32, None)
            else:
                self._special(data1, data2)
        elif kind == 0xC0:
            self.program, self.program_bank = data1, self.bank
        elif kind == 0xD0:
            self.pressure = data1
        elif kind == 0xE0:
            self.bend = (data1, data2)

    def _special(self, number: int, value: int) -> None:
        if number == BANK_MSB:
            self.bank = (value, self.bank[1])
        elif number == BANK_LSB:
            self.bank = (self.bank[0], value)
        elif number in (RPN_MSB, RPN_LSB, NRPN_MSB, NRPN_LSB):
            self._select(number, value)
        elif number in (DATA_MSB, DATA_LSB, INCREMENT, DECREMENT):
            self._enter(number, value)
        elif number == RESET_CONTROLLERS:
            self._reset()
        elif number == _LOCAL:
            self.modes["local"] = (number, value)
        elif number in (_OMNI_OFF, _OMNI_ON):
            self.modes["omni"] = (number, value)
        elif number in (_MONO, _POLY):
            self.modes["voices"] = (number, value)

    def _select(self, number: int, value: int) -> None:
        registered = number in (RPN_MSB, RPN_LSB)
        old = self.selected[1] if self.selected and self.selected[0] == registered else NULL_PARAMETER
        if number in (RPN_MSB, NRPN_MSB):
            self.selected = (registered, (value << 7) | (old & 0x7F))
        else:
            self.selected = (registered, (old & 0x3F80) | value)

    def _enter(self, number: int, value: int) -> None:
        if self.selected is None or self.selected[1] == NULL_PARAMETER:
            return
        # the latest entry goes last, as the order of parameters may matter to the machine
        entry = self.parameters.pop(self.selected, _Parameter())
        self.parameters[self.selected] = entry
        if number == DATA_MSB:
            entry.msb, entry.lsb, entry.steps = value, None, []
        elif number == DATA_LSB:
            entry.lsb, entry.steps = value, []
        else:
            entry.steps.append((number, value))

    def _reset(self) -> None:
        for number, value in RESET_VALUES.items():
            if number in self.controls:
                self.controls[number] = value
                self.controls.pop(number + 32, None)
        if self.selected is not None:
            self.selected = (True, NULL_PARAMETER)
        if self.bend is not None:
            self.bend = _BEND_REST
        if self.pressure is not None:
            self.pressure = 0

    def messages(self, channel: int, before: ChannelState | None = None) -> list[Group]:
        """Return the groups of messages that bring `channel` (from 1) from `before` to this state.

        Without `before`, nothing is taken for granted and all that is known is sent.
        """
        past = before or ChannelState()
        groups: list[Group] = [
            (control(channel, number, value),)
            for name, (number, value) in self.modes.items()
            if past.modes.get(name) != (number, value)
        ]
        groups += self._program_groups(channel, past)
        changed = {
            number: value
            for number, value in self.controls.items()
            if past.controls.get(number) != value
            # an MSB is what sets an LSB back to 0
            or (number < 32 and number + 32 in past.controls and number + 32 not in self.controls)
        }
        for number in list(changed):
            fine = number + 32
            if number < 32 and fine in self.controls:
                changed[fine] = self.controls[fine]
        coarse = [number for number in changed if number < 32]
        rest = [number for number in changed if number >= 32]
        groups += [(control(channel, number, changed[number]),) for number in (*coarse, *rest)]
        groups += self._parameter_groups(channel, past)
        if self.pressure is not None and self.pressure != past.pressure:
            groups.append((bytes((0xD0 | (channel - 1), self.pressure)),))
        if self.bend is not None and self.bend != past.bend:
            groups.append((bytes((0xE0 | (channel - 1), *self.bend)),))
        return groups

    def _program_groups(self, channel: int, past: ChannelState) -> list[Group]:
        groups: list[Group] = []
        if self.program is not None and (self.program, self.program_bank) != (
            past.program,
            past.program_bank,
        ):
            groups.append((*_bank(channel, self.program_bank), program(channel, self.program)))
        held = self.program_bank if groups else past.bank
        if self.bank not in (held, (None, None)):
            groups.append(_bank(channel, self.bank))
        return groups

    def _parameter_groups(self, channel: int, past: ChannelState) -> list[Group]:
        groups: list[Group] = []
        for (registered, number), entry in self.parameters.items():
            earlier = past.parameters.get((registered, number), _Parameter())
            if earlier == entry:
                continue
            steps = entry.steps_from(earlier)
            messages = [*select_parameter(channel, number, registered=registered)]
            if entry.msb is not None:
                messages.append(control(channel, DATA_MSB, entry.msb))
            if entry.lsb is not None:
                messages.append(control(channel, DATA_LSB, entry.lsb))
            messages += [control(channel, step, value) for step, value in steps]
            if len(messages) > 2:
                groups.append(tuple(messages))
        if groups or (self.selected is not None and self.selected != past.selected):
            registered, number = self.selected or (True, NULL_PARAMETER)
            groups.append(select_parameter(channel, number, registered=registered))
        return groups


def _bank(channel: int, bank: tuple[int | None, int | None]) -> Group:
    pair = zip((BANK_MSB, BANK_LSB), bank, strict=True)
    return tuple(control(channel, number, value) for number, value in pair if value is not None)


_PLAIN = frozenset(range(120)) - {BANK_MSB, BANK_LSB, DATA_MSB, DATA_LSB, INCREMENT, DECREMENT, *_SELECTORS}

ChannelKey = tuple[int, int]  #: port, channel from 0


def read_states(rows: Iterable[tuple[int, int, int, int]]) -> dict[ChannelKey, ChannelState]:
    """Return the state of each channel after `rows` of (port, status, data 1, data 2), in their order."""
    states: dict[ChannelKey, ChannelState] = {}
    for port, status, data1, data2 in rows:
        key = (port, status & 0x0F)
        state = states.get(key)
        if state is None:
            state = states[key] = ChannelState()
        state.apply(status, data1, data2)
    return states


def rest_what_is_unsaid(
    wanted: dict[ChannelKey, ChannelState], before: Mapping[ChannelKey, ChannelState]
) -> None:
    """Let what is in force `before`, and was never said where `wanted` is, go back to rest.

    That is what Reset All Controllers would set (RP-015), hold 2, pressure and bend. Volume, programs and the
    like have no rest: they stay.
    """
    for key, past in before.items():
        state = wanted.setdefault(key, ChannelState())
        for number, value in {**RESET_VALUES, 69: 0}.items():
            if number not in state.controls and past.controls.get(number, value) != value:
                state.controls[number] = value
        if state.bend is None and past.bend not in (None, _BEND_REST):
            state.bend = _BEND_REST
        if state.pressure is None and past.pressure:
            state.pressure = 0


def take_pedals(
    wanted: Mapping[ChannelKey, ChannelState], before: Mapping[ChannelKey, ChannelState]
) -> tuple[list[tuple[ChannelKey, bytes]], list[tuple[ChannelKey, bytes]]]:
    """Take the pedals out of `wanted`; return what lifts them and what presses them again.

    Where a song goes on at another place, all pedals come up first: the Note Offs there would else be
    kept sounding, by the old pedal or by the new one.
    """
    up: list[tuple[ChannelKey, bytes]] = []
    down: list[tuple[ChannelKey, bytes]] = []
    for key in sorted({*wanted, *before}):
        state, past = wanted.get(key, ChannelState()), before.get(key, ChannelState())
        for number in PEDALS:
            if past.controls.get(number, 0):
                up.append((key, control(key[1] + 1, number, 0)))
            value = state.controls.pop(number, 0)
            if value:
                down.append((key, control(key[1] + 1, number, value)))
    return up, down


def chase_groups(
    wanted: Mapping[ChannelKey, ChannelState], before: Mapping[ChannelKey, ChannelState] | None = None
) -> list[tuple[ChannelKey, Group]]:
    """Return what is to be sent, by port and channel, to bring the rig to `wanted`."""
    result: list[tuple[ChannelKey, Group]] = []
    for key in sorted(wanted):
        past = (before or {}).get(key)
        result += [(key, group) for group in wanted[key].messages(key[1] + 1, past)]
    return result
