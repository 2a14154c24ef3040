"""MIDI messages as bytes, and bytes as words.

Every function returns complete messages with their status byte: running status is never relied upon,
because a clock, a cable pulled and put back, or a machine switched on late would break it. Numbers and
layouts: MIDI 1.0 Detailed Specification 4.2.1, Tables I to VI. Channels count from 1 as on a machine's
front; everything else counts as on the wire (programs, keys and values from 0). All functions raise
`ValueError` for a number that does not fit.
"""

from __future__ import annotations

from runner.plan.timeline import EventOrder

CLOCK = b"\xf8"
START = b"\xfa"
CONTINUE = b"\xfb"
STOP = b"\xfc"

SONG_SELECT = 0xF3

BANK_MSB = 0
DATA_MSB = 6
BANK_LSB = 32
DATA_LSB = 38
INCREMENT = 96
DECREMENT = 97
NRPN_LSB = 98
NRPN_MSB = 99
RPN_LSB = 100
RPN_MSB = 101
ALL_SOUND_OFF = 120
RESET_CONTROLLERS = 121
ALL_NOTES_OFF = 123
NULL_PARAMETER = 0x3FFF  #: RPN 7F 7F: no parameter is selected
BEND_CENTRE = 0
MAX_SONG_POSITION = 0x3FFF  #: in sixteenth notes: 4095.75 quarters, about 34 minutes at 120 a minute
OFF_VELOCITY = 64  #: for senders without release velocity (MIDI 1.0 4.2.1 p. 10)


def _status(kind: int, channel: int) -> int:
    if not 1 <= channel <= 16:
        raise ValueError(f"channel must be 1 to 16, got {channel}")
    return kind | (channel - 1)


def _seven(name: str, value: int) -> int:
    if not 0 <= value <= 127:
        raise ValueError(f"{name} must be 0 to 127, got {value}")
    return value


def note_on(channel: int, key: int, velocity: int) -> bytes:
    """Return a Note On; velocity 1 to 127, as 0 would mean Note Off."""
    if not 1 <= velocity <= 127:
        raise ValueError(f"velocity must be 1 to 127, got {velocity}")
    return bytes((_status(0x90, channel), _seven("key", key), velocity))


def note_off(channel: int, key: int, velocity: int = OFF_VELOCITY) -> bytes:
    """Return a Note Off."""
    return bytes((_status(0x80, channel), _seven("key", key), _seven("velocity", velocity)))


def control(channel: int, number: int, value: int) -> bytes:
    """Return a Control Change, or a channel mode message for numbers from 120."""
    return bytes((_status(0xB0, channel), _seven("control", number), _seven("value", value)))


def program(channel: int, number: int) -> bytes:
    """Return a Program Change; `number` from 0."""
    return bytes((_status(0xC0, channel), _seven("program", number)))


def program_group(channel: int, number: int, bank: tuple[int, int] | None = None) -> tuple[bytes, ...]:
    """Return a Program Change with its bank before it: CC0, CC32, program.

    `bank` is (MSB, LSB). The three belong together: nothing may come between them on the channel, and
    the bank takes effect with the program (MIDI 1.0 4.2.1 p. 13).
    """
    change = program(channel, number)
    if bank is None:
        return (change,)
    return control(channel, BANK_MSB, bank[0]), control(channel, BANK_LSB, bank[1]), change


def pitch_bend(channel: int, value: int) -> bytes:
    """Return a Pitch Bend, -8192 to 8191, 0 is the centre; on the wire 14 bits, LSB first."""
    if not -8192 <= value <= 8191:
        raise ValueError(f"bend must be -8192 to 8191, got {value}")
    raw = value + 8192
    return bytes((_status(0xE0, channel), raw & 0x7F, raw >> 7))


def channel_pressure(channel: int, value: int) -> bytes:
    """Return a Channel Pressure."""
    return bytes((_status(0xD0, channel), _seven("pressure", value)))


def key_pressure(channel: int, key: int, value: int) -> bytes:
    """Return a Polyphonic Key Pressure."""
    return bytes((_status(0xA0, channel), _seven("key", key), _seven("pressure", value)))


def parameter(channel: int, number: int, value: int, *, registered: bool) -> tuple[bytes, ...]:
    """Return the group that sets an RPN or NRPN and then deselects it.

    `number` and `value` have 14 bits. Order: select (MSB, LSB), Data Entry MSB, LSB, null (7F 7F), so that
    a stray Data Entry later on changes nothing (MIDI 1.0 4.2.1 p. 17-18).
    """
    if not 0 <= number <= 0x3FFF:
        raise ValueError(f"parameter must be 0 to 16383, got {number}")
    if not 0 <= value <= 0x3FFF:
        raise ValueError(f"parameter value must be 0 to 16383, got {value}")
    return (
        *select_parameter(channel, number, registered=registered),
        control(channel, DATA_MSB, value >> 7),
        control(channel, DATA_LSB, value & 0x7F),
        *select_parameter(channel, NULL_PARAMETER, registered=True),
    )


def select_parameter(channel: int, number: int, *, registered: bool) -> tuple[bytes, bytes]:
    """Return the two messages that select an RPN or NRPN, MSB first."""
    msb, lsb = (RPN_MSB, RPN_LSB) if registered else (NRPN_MSB, NRPN_LSB)
    return control(channel, msb, number >> 7), control(channel, lsb, number & 0x7F)


def song_position(sixteenths: int) -> bytes:
    """Return a Song Position Pointer, 14 bits, LSB first, in sixteenth notes (6 clocks each)."""
    if not 0 <= sixteenths <= MAX_SONG_POSITION:
        raise ValueError(f"song position must be 0 to {MAX_SONG_POSITION} sixteenths, got {sixteenths}")
    return bytes((0xF2, sixteenths & 0x7F, sixteenths >> 7))


def song_select(number: int) -> bytes:
    """Return a Song Select; `number` from 0."""
    return bytes((0xF3, _seven("song", number)))


def system_exclusive(body: bytes) -> bytes:
    """Return a complete system exclusive message; `body` may come with or without its F0 and F7."""
    inner = body[1:] if body[:1] == b"\xf0" else body
    inner = inner[:-1] if inner[-1:] == b"\xf7" else inner
    if not inner:
        raise ValueError("system exclusive message without a body")
    for index, value in enumerate(inner):
        if value > 127:
            raise ValueError(f"system exclusive byte {index + 1} must be 00 to 7F, got {value:02X}")
    return b"\xf0" + inner + b"\xf7"


def split_messages(raw: bytes) -> tuple[bytes, ...]:
    """Return the messages of which `raw` consists; running status is spelt out.

    Raises:
        ValueError: `raw` is no whole number of messages, or has an undefined status byte, which MIDI 1.0
            (4.2.1 p. 6) forbids to send.
    """
    messages: list[bytes] = []
    running = 0
    at = 0
    while at < len(raw):
        status = raw[at]
        if status < 0x80:
            if not running:
                raise ValueError(f"byte {at + 1}, {status:02X}, has no status byte before it")
            status, at = running, at - 1
        if status in (0xF4, 0xF5, 0xF7, 0xF9, 0xFD):
            raise ValueError(f"byte {at + 1}, {status:02X}, is no status byte that may be sent")
        if status == 0xF0:
            end = raw.find(0xF7, at)
            if end < 0:
                raise ValueError(f"system exclusive from byte {at + 1} on has no end (F7)")
            messages.append(system_exclusive(raw[at : end + 1]))
            at, running = end + 1, 0
            continue
        size = message_size(status)
        data = raw[at + 1 : at + size]
        if len(data) < size - 1 or any(value > 127 for value in data):
            raise ValueError(
                f"message {status:02X} from byte {max(at, 0) + 1} on needs {size - 1} data bytes"
            )
        messages.append(bytes((status,)) + data)
        at += size
        if status < 0xF8:
            running = status if status < 0xF0 else 0
    if not messages:
        raise ValueError("no message")
    return tuple(messages)


def message_size(status: int) -> int:
    """Return the number of bytes of a message with this status byte; system exclusive has no fixed size."""
    if status < 0xF0:
        return 2 if 0xC0 <= status < 0xE0 else 3
    return {0xF1: 2, 0xF2: 3, 0xF3: 2}.get(status, 1)


def order_of(message: bytes) -> EventOrder:
    """Return where `message` stands among the messages of one instant on one port."""
    status = message[0]
    kind = status & 0xF0
    if kind == 0x80 or (kind == 0x90 and message[2] == 0):
        return EventOrder.NOTE_OFF
    if kind == 0x90:
        return EventOrder.NOTE_ON
    if kind == 0xC0:
        return EventOrder.PROGRAM
    if status in (0xF2, 0xF3, 0xFA, 0xFB, 0xFC):
        return EventOrder.TRANSPORT
    return EventOrder.CLOCK if status == 0xF8 else EventOrder.CONTROL


def hex_text(message: bytes) -> str:
    """Return spaced upper-case hex, such as ``C1 0B``."""
    return message.hex(" ").upper()


_SYSTEM_WORDS = {0xF6: "tune request", 0xF8: "clock", 0xFA: "start", 0xFB: "continue", 0xFC: "stop"}
_SYSTEM_WORDS |= {0xFE: "active sensing", 0xFF: "reset"}
_MODE_WORDS = {ALL_SOUND_OFF: "all sound off", RESET_CONTROLLERS: "reset all controllers"}
_MODE_WORDS |= {122: "local control", ALL_NOTES_OFF: "all notes off", 124: "omni off", 125: "omni on"}
_MODE_WORDS |= {126: "mono", 127: "poly", BANK_MSB: "bank MSB", BANK_LSB: "bank LSB"}


def describe(message: bytes) -> str:
    """Return `message` in words, with programs and channels counted from 1, as people do."""
    status = message[0]
    if status >= 0xF0:
        return _describe_system(message)
    if status < 0x80:
        return f"system exclusive, next {len(message)} bytes"
    channel = (status & 0x0F) + 1
    kind = status & 0xF0
    if kind == 0x80 or (kind == 0x90 and message[2] == 0):
        text = f"note off, key {message[1]}"
    elif kind == 0x90:
        text = f"note on, key {message[1]} velocity {message[2]}"
    elif kind == 0xA0:
        text = f"key pressure, key {message[1]} value {message[2]}"
    elif kind == 0xB0:
        text = _describe_control(message[1], message[2])
    elif kind == 0xC0:
        text = f"program {message[1] + 1}"
    elif kind == 0xD0:
        text = f"channel pressure {message[1]}"
    else:
        text = f"pitch bend {message[1] + (message[2] << 7) - 8192:+d}"
    return f"{text}, channel {channel}"


def _describe_control(number: int, value: int) -> str:
    word = _MODE_WORDS.get(number)
    if word is None:
        return f"control {number} value {value}"
    return f"{word} {value}" if number in (BANK_MSB, BANK_LSB, 122, 126) else word


def _describe_system(message: bytes) -> str:
    status = message[0]
    if status == 0xF0:
        whole = message[-1] == 0xF7
        return (
            f"system exclusive, {len(message)} bytes"
            if whole
            else f"system exclusive, first {len(message)} bytes"
        )
    if status == 0xF2:
        return f"song position {message[1] + (message[2] << 7)} sixteenths"
    if status == 0xF3:
        return f"song select {message[1] + 1}"
    if status == 0xF1:
        return f"time code quarter frame {message[1]:02X}"
    return _SYSTEM_WORDS.get(status, f"system message {status:02X}")
