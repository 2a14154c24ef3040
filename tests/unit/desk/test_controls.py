"""Messages of pedals and other controllers, as sent, and the orders they give."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.desk.actions import NAME_IF_WANTED, PLAIN, WITH_NAME, read_order
from runner.desk.controls import ControlMap, read_message
from runner.session.fields_control import ACTION_WORDS, NAMES_MACHINE, NAMES_SONG
from runner.session.load import load_session
from runner.session.model import Session

MS = 1_000_000
HEAD = """\
session: Lantern Quay, pedals
format: 1
ports: {pedal: {match: "*Foot*"}, keys: {match: "*Keys*"}}
machines: {bass: {port: keys, channel: 2}}
songs: [{song: Ropewalk, tempo: 120, length: 8 bars}, {song: Net Loft, tempo: 90, length: 8 bars}]
controls:
"""


def session_with(*controls: str) -> Session:
    """Return a session with these controls, on the port `pedal`."""
    text = HEAD + "".join(f"  - {{port: pedal, {control}}}\n" for control in controls)
    return load_session(text.encode(), "quay.yaml").session


def fed(controls: ControlMap, *steps: tuple[int, str], until_ms: int | None = None) -> list[str]:
    """Feed messages in hex at their times in ms, on the pedal's port; return the orders as text."""
    orders = []
    for at_ms, text in steps:
        orders += controls.feed("pedal", bytes.fromhex(text), at_ms * MS)
    if until_ms is not None:
        orders += controls.due(until_ms * MS)
    return [str(order) for order in orders]


def one(control: str, *messages: str) -> list[str]:
    """Return the orders that messages a second apart give with one control."""
    steps = [(1000 * place, text) for place, text in enumerate(messages)]
    return fed(ControlMap(session_with(control)), *steps)


@pytest.mark.parametrize(
    ("control", "messages", "orders"),
    [
        # MIDI 1.0 Detailed Specification 4.2.1, tables I to VI: status bytes and data of each message
        ("when: note 60, do: roll", ["90 3C 01", "80 3C 40", "90 3C 7F", "90 3C 00"], ["roll", "roll"]),
        ("when: note 60, do: roll", ["90 3D 40", "A0 3C 40", "B0 3C 40"], []),
        ("when: note 60, do: roll, press: release", ["90 3C 40", "90 3C 00"], ["roll"]),
        ("when: note 60, do: roll, press: release", ["90 3C 40", "80 3C 00"], ["roll"]),
        ("when: control 64, do: roll", ["B0 40 7F", "B0 40 00", "B0 40 40"], ["roll", "roll"]),
        ("when: control 64, do: roll", ["B0 40 3F", "B0 41 7F"], []),
        ("when: program 5, do: roll", ["C0 05", "C3 05", "C0 04"], ["roll", "roll"]),
        ("when: pressure, do: roll", ["D0 40", "D0 00", "D0 7F"], ["roll", "roll"]),
        ("when: bend, do: roll", ["E0 00 40", "E0 00 60", "E0 7F 57", "E0 7F 7F"], ["roll", "roll"]),
        ("when: song-select 3, do: roll", ["F3 03", "F3 02"], ["roll"]),
        ("when: start, do: roll", ["FA", "FB", "FC"], ["roll"]),
        ("when: continue, do: roll", ["FA", "FB", "FC"], ["roll"]),
        ("when: stop, do: stop", ["FA", "FB", "FC"], ["stop"]),
        ("when: control 64, do: roll, channel: 2", ["B0 40 7F", "B1 40 7F", "B2 40 7F"], ["roll"]),
        ("when: control 7, do: roll, threshold: 1", ["B0 07 01", "B0 07 00", "B0 07 02"], ["roll", "roll"]),
        ("when: note 36, do: mark, threshold: 90", ["90 24 59", "90 24 5A", "80 24 00"], ["mark"]),
        ("when: control 64, do: roll, inverted: true", ["B0 40 7F", "B0 40 00", "B0 40 7F"], ["roll"]),
        ("when: note 1, do: roll, inverted: true", ["90 01 7F", "80 01 40"], ["roll"]),
        ("when: control 20, do: next, releases: false", ["B0 14 7F", "B0 14 7F", "B0 14 00"], ["next"] * 2),
        ("when: note 60, do: song Net Loft", ["90 3C 40"], ["song Net Loft"]),
        ("when: note 60, do: mute bass", ["90 3C 40"], ["mute bass"]),
        ("when: note 60, do: mark the bridge drags", ["90 3C 40"], ["mark the bridge drags"]),
    ],
)  # fmt: skip
def test_each_kind_of_message(control: str, messages: list[str], orders: list[str]) -> None:
    """Each message does what its control says, and no other does."""
    assert one(control, *messages) == orders


@pytest.mark.parametrize(
    ("command", "message"),
    [
        # MMA RP-013 (MIDI Machine Control 1.0), section 5 and appendix A, examples 1 and 2A
        ("stop", "F0 7F 7F 06 01 F7"),
        ("play", "F0 7F 7F 06 02 F7"),
        ("deferred-play", "F0 7F 7F 06 03 F7"),
        ("fast-forward", "F0 7F 7F 06 04 F7"),
        ("rewind", "F0 7F 7F 06 05 F7"),
        ("record", "F0 7F 7F 06 06 F7"),
        ("record-exit", "F0 7F 7F 06 07 F7"),
        ("pause", "F0 7F 7F 06 09 F7"),
        ("locate", "F0 7F 01 06 44 06 01 60 00 00 00 00 F7"),
        ("record-exit", "F0 7F 01 06 07 03 F7"),
        ("deferred-play", "F0 7F 01 06 07 03 F7"),
        ("locate", "F0 7F 01 06 44 06 01 61 02 08 14 00 03 F7"),
        ("deferred-play", "F0 7F 01 06 44 06 01 61 02 08 14 00 03 F7"),
    ],
)
def test_machine_control(command: str, message: str) -> None:
    """Each command is found, also among several in one message, and no other is taken for it."""
    assert one(f"when: machine-control {command}, do: roll", message) == ["roll"]
    others = [name for name in ("stop", "rewind", "pause", "fast-forward") if name != command]
    assert one(f"when: machine-control {others[0]}, do: roll", message) == []


def test_machine_control_for_one_device() -> None:
    """With a device number, commands to other devices are left, and those to all are taken."""
    control = "when: machine-control play, do: roll, device-id: 5"
    assert one(control, "F0 7F 04 06 02 F7", "F0 7F 05 06 02 F7", "F0 7F 7F 06 02 F7") == ["roll", "roll"]


def test_values_that_tremble_about_the_threshold_are_one_press() -> None:
    """A pedal at its threshold of 64 is let go only below 56."""
    steps = [(100 * place, f"B0 0B {value:02X}") for place, value in enumerate([60, 64, 62, 65, 58, 56, 70])]
    controls = ControlMap(session_with("when: control 11, do: mark"))
    assert fed(controls, *steps) == ["mark"]
    assert fed(controls, (1000, "B0 0B 37"), (1100, "B0 0B 40")) == ["mark"]


def test_two_stages_of_one_pedal() -> None:
    """Controls with other thresholds are other switches of the same pedal."""
    controls = ControlMap(
        session_with(
            "when: control 11, do: mark, threshold: 30", "when: control 11, do: stop, threshold: 110"
        )
    )
    assert fed(controls, (0, "B0 0B 40"), (500, "B0 0B 7F"), (900, "B0 0B 00")) == ["mark", "stop"]


def test_presses_on_one_switch_are_told_apart() -> None:
    """Press, long and double of one message share one switch; two orders of one press come in file order."""
    controls = ControlMap(
        session_with(
            "when: control 64, do: go",
            "when: control 64, do: stop, press: long",
            "when: control 64, do: next, press: double",
            "when: control 64, do: mark",
        )
    )
    assert fed(controls, (0, "B0 40 7F"), (100, "B0 40 00")) == []
    assert controls.next_deadline_ns == 400 * MS
    assert [str(order) for order in controls.due(400 * MS)] == ["go", "mark"]
    assert controls.next_deadline_ns is None
    assert fed(controls, (1000, "B0 40 7F"), until_ms=1600) == ["stop"]
    assert fed(controls, (1700, "B0 40 00"), (2000, "B0 40 7F"), (2100, "B0 40 00"), (2200, "B0 40 7F")) == [
        "next"
    ]


def test_what_was_due_comes_before_what_comes_later() -> None:
    """Orders are in their order in time, also when they are asked for late and come from two switches."""
    controls = ControlMap(
        session_with(
            "when: note 1, do: stop, press: long, long-after: 800 ms",
            "when: note 2, do: next, press: long",
            "when: note 2, do: panic, press: long, long-after: 1 s",
        )
    )
    assert fed(controls, (0, "90 01 40"), (10, "90 02 40"), until_ms=5000) == ["next", "stop", "panic"]


def test_channels_are_switches_of_their_own() -> None:
    """The release on one channel does not let go what is held on another."""
    controls = ControlMap(session_with("when: note 60, do: stop, press: long"))
    assert fed(controls, (0, "90 3C 40"), (100, "81 3C 40"), until_ms=700) == ["stop"]


def test_a_port_that_goes_leaves_nothing_held() -> None:
    """A pedal that is unplugged while it is held gives no long press."""
    controls = ControlMap(session_with("when: control 64, do: stop, press: long"))
    fed(controls, (0, "B0 40 7F"))
    controls.forget("keys")
    assert controls.next_deadline_ns is not None
    controls.forget("pedal")
    assert controls.next_deadline_ns is None


def test_other_ports_order_nothing() -> None:
    """The same message on another port is not the control's."""
    controls = ControlMap(session_with("when: note 60, do: roll"))
    assert controls.feed("keys", bytes.fromhex("90 3C 40"), 0) == []


def test_orders_say_where_they_come_from() -> None:
    """An order names the message and the port, for the take and the log."""
    controls = ControlMap(session_with("when: machine-control play, do: roll"))
    assert (
        controls.feed("pedal", bytes.fromhex("F07F7F0602F7"), 0)[0].origin == "machine-control play on pedal"
    )


def test_a_switch_that_sends_no_release_is_noticed() -> None:
    """A second press of the same value with no release between gives a hint, once; a sweep gives none."""
    controls = ControlMap(session_with("when: control 20, do: next", "when: control 11, do: mark"))
    assert fed(controls, (0, "B0 14 7F"), (2000, "B0 14 7F"), (4000, "B0 14 7F")) == ["next"]
    assert [hint for hint in controls.hints() if "control 20 on pedal" in hint and "releases: false" in hint]
    fed(controls, *[(5000 + 400 * place, f"B0 0B {60 + place:02X}") for place in range(20)])
    assert controls.hints() == []


def test_every_action_of_the_file_is_an_order() -> None:
    """What a control can do, the desk can be asked to do."""
    for word in ACTION_WORDS:
        assert read_order(word).word == word
    for word in (*NAMES_SONG, *NAMES_MACHINE, "place", "mark"):
        assert word in (*WITH_NAME, *NAME_IF_WANTED)
    assert set(PLAIN) - set(ACTION_WORDS) == {"reload", "quit"}


@pytest.mark.parametrize(
    "text",
    ["", "00", "40 7F", "90", "90 3C", "90 3C 80", "90 3C 40 40", "C0", "C0 05 05", "F3", "FA 00", "F0",
     "F0 7F", "F0 7F 7F 06 44 F7", "F0 7F 7F 06 44 30 01 F7", "F0 7F 7F 06 02", "F0 7F 7F 06 82 F7",
     "F0 7F 7F 06 00 F7"],
)  # fmt: skip
def test_what_is_no_whole_message_is_counted(text: str) -> None:
    """Torn, cut and wrong messages order nothing and are counted."""
    controls = ControlMap(session_with("when: note 60, do: roll", "when: machine-control play, do: roll"))
    assert controls.feed("pedal", bytes.fromhex(text), 0) == []
    assert controls.refused == 1


def test_clock_and_active_sensing_cost_nothing() -> None:
    """They come by the hundred and are neither refused nor a control."""
    controls = ControlMap(session_with("when: note 60, do: roll"))
    assert (
        fed(controls, (0, "F8"), (1, "FE"), (2, "F0 7E 7F 06 01 F7"), (3, "F2 00 00"), (4, "A0 3C 40")) == []
    )
    assert controls.refused == 0


_KINDS = ("note 60", "control 64", "program 5", "song-select 1", "pressure", "bend", "start",
          "machine-control play")  # fmt: skip
_EVERY_KIND = session_with(
    *(f"when: {when}, do: roll" for when in _KINDS),
    "when: note 60, do: stop, press: long",
    "when: control 64, do: next, press: double",
)
_bytes = st.binary(max_size=12) | st.builds(
    lambda status, rest: bytes([status]) + rest, st.integers(0x80, 0xFF), st.binary(max_size=60)
)


@settings(deadline=None)
@given(st.lists(st.tuples(_bytes, st.integers(-(2**70), 2**70)), max_size=30))
def test_hostile_bytes_and_times_never_raise(messages: list[tuple[bytes, int]]) -> None:
    """Whatever comes in at whatever time gives orders of the session or nothing."""
    controls = ControlMap(_EVERY_KIND)
    for data, t_ns in messages:
        assert {order.word for order in controls.feed("pedal", data, t_ns)} <= {"roll", "stop", "next"}
        assert read_message(data) is None or len(read_message(data) or ()) <= len(data)
    controls.due(2**71)
    assert controls.next_deadline_ns is None


def test_memory_is_bounded_by_the_session() -> None:
    """A flood on every channel and device makes no more switches than the controls can have."""
    controls = ControlMap(_EVERY_KIND)
    for number in range(128):
        for channel in range(16):
            controls.feed("pedal", bytes((0x90 | channel, number, 64)), 0)
            controls.feed("pedal", bytes((0xB0 | channel, number, 64)), 0)
        controls.feed("pedal", bytes((0xF0, 0x7F, number, 6, 2, 0xF7)), 0)
    assert len(controls._switches) == 16 + 16 + 128
