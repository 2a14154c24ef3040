"""What the lamps of a pedal or a display are sent as the daemon goes from state to state."""

from __future__ import annotations

from typing import get_args

from hypothesis import given, settings
from hypothesis import strategies as st

from runner.desk.lamps import BURST_BYTES, BYTE_NS, CLOCKED_BURST_BYTES, Lamps, lit_states
from runner.desk.status import Alarm, Status, TakeStatus
from runner.session.load import load_session
from runner.session.model import Session
from runner.session.model_desk import LampState

MS = 1_000_000
S = 1_000 * MS
HEAD = """\
session: Lantern Quay, lamps
format: 1
ports: {pedal: {match: "*Foot*"}, din: {match: "Din*", link: din}}
machines: {drums: {port: din, channel: 10, follows: [clock, transport]}}
songs: [{song: Ropewalk, tempo: 120, length: 8 bars}]
lamps:
"""


def session_with(*lamps: str) -> Session:
    """Return a session with these lamps."""
    text = HEAD + "".join(f"  - {{{lamp}}}\n" for lamp in lamps)
    return load_session(text.encode(), "quay.yaml").session


def green(state: str, key: int, more: str = "", velocity: int = 127) -> str:
    """Return a row: a key on the pedal's first channel for a state."""
    on, off = f"{{note: {key}, velocity: {velocity}}}", f"{{note: {key}, velocity: 0}}"
    return f"when: {state}, port: pedal, channel: 1, on: {on}, off: {off}" + (f", {more}" if more else "")


def told(sends: list[tuple[str, bytes]]) -> list[str]:
    """Return sends as spaced hex, in their order."""
    return [data.hex(" ").upper() for _, data in sends]


def states_of(**fields: object) -> set[str]:
    """Return the lamp states of a status."""
    return set(lit_states(Status(**fields), ""))  # type: ignore[arg-type]


def test_each_state_of_the_daemon_lights_its_own() -> None:
    """Steady states follow the daemon's; lead counts as pre-roll and tail as rolling."""
    assert states_of(state="ready") == {"ready"}
    assert states_of(state="waiting") == {"waiting"}
    assert states_of(state="armed", clock_lock="locked") == {"armed"}
    assert states_of(state="lead") == states_of(state="pre-roll") == {"pre-roll"}
    assert states_of(state="tail") == states_of(state="rolling", at="bar 11 beat 1") == {"rolling"}
    assert states_of(state="rolling", at="bar 1 beat 3") == {"rolling", "bar-1"}
    assert states_of(state="rolling", at="bar 10 beat 1", hold=True) == {"rolling", "hold"}
    assert states_of(state="rolling", clock_lock="freewheeling") == {"rolling", "freewheeling"}
    assert states_of(state="rolling", log_trouble="no space left") == {"rolling", "trouble"}
    assert states_of(state="ready", alarms=(Alarm("", "error", "bass is gone"),)) == {"ready", "trouble"}
    assert states_of(state="ready", alarms=(Alarm("", "warning", "bass is late"),)) == {"ready"}
    assert states_of(state="starting") == states_of(state="closing") == set()


def test_every_lamp_state_can_be_lit() -> None:
    """No state of the session file stays dark for ever."""
    found = {
        *states_of(state="ready"), *states_of(state="waiting"), *states_of(state="armed"),
        *states_of(state="lead"), *states_of(state="trouble"),
        *states_of(state="rolling", at="bar 1", hold=True, clock_lock="freewheeling"),
    }  # fmt: skip
    for verdict in ("clean", "flawed", "failed"):
        found |= lit_states(Status(state="ready"), verdict)
    assert found == set(get_args(LampState))


def test_a_lamp_is_sent_what_changes_and_nothing_else() -> None:
    """At the first status all lamps are set, lit or dark; then only what changes is sent, dark ones first."""
    lamps = Lamps.of(session_with(green("rolling", 1), green("ready", 2)))
    assert lamps.due(0) == []
    assert told(lamps.show(Status(state="ready"), 0)) == ["90 01 00", "90 02 7F"]
    assert lamps.show(Status(state="ready"), S) == []
    assert told(lamps.show(Status(state="rolling"), 2 * S)) == ["90 02 00", "90 01 7F"]
    assert lamps.next_deadline_ns is None


def test_of_states_on_one_lamp_the_last_in_the_file_shows() -> None:
    """Rows for one key are one lamp with colours; when trouble ends, the state below it shows again."""
    lamps = Lamps.of(session_with(green("rolling", 1, velocity=5), green("trouble", 1, velocity=9)))
    assert told(lamps.show(Status(state="ready"), 0)) == ["90 01 00"]
    assert told(lamps.show(Status(state="rolling"), S)) == ["90 01 05"]
    assert told(lamps.show(Status(state="rolling", log_trouble="full"), 2 * S)) == ["90 01 09"]
    assert told(lamps.show(Status(state="rolling"), 3 * S)) == ["90 01 05"]
    assert told(lamps.show(Status(state="ready"), 4 * S)) == ["90 01 00"]


def test_a_flash_goes_out_by_itself() -> None:
    """A flash is over after its time, and comes again only when its state begins anew."""
    lamps = Lamps.of(session_with(green("bar-1", 3, "flash: 80 ms")))
    lamps.show(Status(state="pre-roll"), 0)
    first = Status(state="rolling", at="bar 1 beat 1")
    assert told(lamps.show(first, S)) == ["90 03 7F"]
    assert lamps.next_deadline_ns == S + 80 * MS
    assert lamps.due(S + 79 * MS) == []
    assert told(lamps.due(S + 80 * MS)) == ["90 03 00"]
    assert lamps.show(Status(state="rolling", at="bar 1 beat 2"), 2 * S) == []
    lamps.show(Status(state="rolling", at="bar 2 beat 1"), 3 * S)
    assert told(lamps.show(first, 4 * S)) == ["90 03 7F"]


def test_the_verdict_shows_until_the_next_roll() -> None:
    """The verdict lights when the take is closed and goes out at the next lead; an old one never lights."""
    rows = [green(verdict, key) for key, verdict in enumerate(("clean", "flawed", "failed"))]
    lamps = Lamps.of(session_with(*rows))
    first, second = TakeStatus("Ropewalk", "main", 1, "clean"), TakeStatus("Ropewalk", "main", 2, "failed")
    assert told(lamps.show(Status(state="ready", takes=(first,)), 0)) == ["90 00 00", "90 01 00", "90 02 00"]
    for at, state in enumerate(("lead", "rolling", "closing"), 1):
        assert lamps.show(Status(state=state, takes=(first,)), at * S) == []
    assert told(lamps.show(Status(state="waiting", takes=(second, first)), 4 * S)) == ["90 02 7F"]
    assert lamps.show(Status(state="armed", takes=(second, first)), 5 * S) == []
    assert told(lamps.show(Status(state="pre-roll", takes=(second, first)), 6 * S)) == ["90 02 00"]


def test_messages_of_every_kind() -> None:
    """Controllers, programs, system exclusive and raw messages are sent as the file says."""
    lamps = Lamps.of(
        session_with(
            "when: ready, port: pedal, channel: 3, on: {control: 20, value: 9}, off: {control: 20, value: 0}",
            "when: ready, port: pedal, channel: 16, on: {program: 5}",
            'when: ready, port: pedal, on: {sysex: "7D 01"}, off: {raw: "90 3C 00 80 3D 40"}',
            "when: ready, port: pedal, channel: 2, on: {note: 60}",
        )
    )
    shown = ["B2 14 09", "CF 05", "F0 7D 01 F7", "91 3C 7F"]
    assert told(lamps.show(Status(state="ready"), 0)) == shown
    assert told(lamps.show(Status(state="rolling"), S)) == ["B2 14 00", "90 3C 00 80 3D 40"]


def test_a_display_without_off_is_written_anew() -> None:
    """A text that nothing puts out is sent again when its state comes back."""
    lamps = Lamps.of(
        session_with(
            'when: ready, port: pedal, on: {sysex: "7D 01"}',
            'when: rolling, port: pedal, on: {sysex: "7D 02"}',
        )
    )
    assert [
        told(lamps.show(Status(state=state), at * S))
        for at, state in enumerate(("ready", "rolling", "ready"))
    ] == [["F0 7D 01 F7"], ["F0 7D 02 F7"], ["F0 7D 01 F7"]]


def test_a_port_that_returns_is_told_all_anew() -> None:
    """While a port is gone nothing is sent to it; back again, all its lamps are set, and no others."""
    other = "when: ready, port: din, channel: 1, on: {note: 9}"
    lamps = Lamps.of(session_with(green("ready", 1), green("rolling", 2), other))
    lamps.show(Status(state="ready"), 0)
    lamps.forget("pedal")
    assert lamps.show(Status(state="rolling"), S) == []
    assert lamps.next_deadline_ns is None
    assert told(lamps.resend("pedal", 2 * S)) == ["90 01 00", "90 02 7F"]
    assert lamps.resend("elsewhere", 2 * S) == []


def test_all_off_puts_out_what_is_lit() -> None:
    """At the end what shows is put out at once, and what is dark is left alone."""
    lamps = Lamps.of(session_with(green("ready", 1), green("rolling", 2), green("ready", 3)))
    assert lamps.all_off() == []
    lamps.show(Status(state="ready"), 0)
    assert told(lamps.all_off()) == ["90 01 00", "90 03 00"]
    assert lamps.all_off() == []


def test_one_lamp_message_at_a_time_where_a_clock_goes_out_over_din() -> None:
    """On a DIN port with clock each message waits for the last one's share of the wire."""
    rows = [f"when: ready, port: din, channel: 1, on: {{note: {key}}}" for key in range(4)]
    lamps = Lamps.of(session_with(*rows))
    times, at_ns = [], 0
    sends = lamps.show(Status(state="ready"), 0)
    while sends:
        assert len(sends) == 1
        times.append(at_ns)
        deadline_ns = lamps.next_deadline_ns
        at_ns = deadline_ns if deadline_ns is not None else at_ns
        sends = lamps.due(at_ns)
    # a byte takes 320 us (31,250 baud, 10 bits a byte: MIDI 1.0 hardware); lamps have a tenth of the wire
    assert times == [place * 3 * 10 * 320_000 for place in range(4)]


def test_nobody_wakes_for_a_message_that_waits_behind_another() -> None:
    """A long message that waits for the wire holds a short one back; until then nothing is due."""
    long = " ".join(f"{byte:02X}" for byte in range(1, BURST_BYTES))
    lamps = Lamps.of(
        session_with(
            green("ready", 0), f'when: rolling, port: pedal, on: {{sysex: "7D {long}"}}', green("trouble", 1)
        )
    )
    assert len(lamps.show(Status(state="ready"), 0)) == 2
    assert lamps.show(Status(state="rolling", log_trouble="full"), 1)
    woken = 0
    while (deadline_ns := lamps.next_deadline_ns) is not None:
        woken += 1
        assert lamps.due(deadline_ns), woken


_statuses = st.builds(
    Status,
    state=st.sampled_from(["ready", "waiting", "lead", "rolling", "closing", "trouble"]),
    at=st.sampled_from(["", "bar 1 beat 1", "bar 2 beat 1"]),
    log_trouble=st.sampled_from(["", "full"]),
)
_LONG = " ".join(f"{byte:02X}" for byte in range(1, 60))
_ALL = session_with(
    green("ready", 0),
    green("rolling", 1, "flash: 30 ms"),
    green("waiting", 2),
    green("trouble", 3),
    green("bar-1", 4, "flash: 5 ms"),
    green("trouble", 1),
    f'when: rolling, port: pedal, on: {{sysex: "7D {_LONG}"}}',
    *(
        f"when: {state}, port: din, channel: 1, on: {{note: 1}}, off: {{note: 1, velocity: 0}}"
        for state in ("ready", "rolling", "bar-1")
    ),
)


@settings(deadline=None)
@given(st.lists(st.tuples(_statuses, st.integers(0, 200 * MS), st.booleans()), max_size=60))
def test_lamps_never_load_a_wire_and_end_right(steps: list[tuple[Status, int, bool]]) -> None:
    """At any rhythm of states and asking, no port gets over its share, and what shows in the end is right."""
    lamps = Lamps.of(_ALL)
    sent: list[tuple[int, str, bytes]] = []
    now_ns = 0
    for status, wait_ns, ask in steps:
        now_ns += wait_ns
        sent += [(now_ns, *send) for send in (lamps.show(status, now_ns) if not ask else lamps.due(now_ns))]
    last = steps[-1][0] if steps else Status(state="ready")
    sent += [(now_ns, *send) for send in lamps.show(last, now_ns)]
    for _ in range(100):
        if (deadline_ns := lamps.next_deadline_ns) is None:
            break
        now_ns = max(now_ns, deadline_ns)
        sent += [(now_ns, *send) for send in lamps.due(now_ns)]
    assert lamps.next_deadline_ns is None
    for port, burst in (("pedal", BURST_BYTES), ("din", CLOCKED_BURST_BYTES)):
        mine = [(at_ns, len(data)) for at_ns, its, data in sent if its == port]
        largest = max((size for _, size in mine), default=0)
        for first, (from_ns, _) in enumerate(mine):
            total = 0
            for at_ns, size in mine[first:]:
                total += size
                assert total <= max(burst, largest) + largest + (at_ns - from_ns) / BYTE_NS
    keys = {data[1]: data[2] for _, port, data in sent if port == "pedal" and data[0] == 0x90}
    assert keys.get(0, 0) == (127 if last.state == "ready" else 0)
    assert keys.get(1, 0) == (127 if last.state == "trouble" or last.log_trouble else 0)
