"""Wire load of a compiled song: what is moved, cut, reported, warned of and refused."""

from __future__ import annotations

import pytest
from songs import BAR_NS, BEAT_NS, CLOCK_NS, clock_times, compiled, part_of, sent

from runner.errors import PlanError
from runner.plan.wire import DIN_BYTE_NS

MS = 1_000_000
PORTS = "cable: {create: cable, link: din%s}\n"
MACHINES = """
drums: {port: cable, channel: 10, follows: [clock, transport]}
bass: {port: cable, channel: 2}
"""
PART = "parts: [{file: parts/ropewalk.mid, machine: bass}]"
LONG = 'cues: [{at: bar 5, machine: bass, sysex: "7D %s"}]'


def on_cable(song: str, parts: object = None, *, raw: bool = False, strict: bool = True) -> object:
    """Compile a song of which everything goes down one DIN cable."""
    return compiled(
        song, parts, machines=MACHINES, ports=PORTS % (", raw: true" if raw else ""), strict=strict
    )  # type: ignore[arg-type]


def chord(tick: int, size: int = 6) -> object:
    """Return a part with one chord."""
    return {0: part_of([(tick, tick + 250, 40 + key) for key in range(size)])}


def report(song: object) -> object:
    """Return the one report on the cable."""
    (found,) = song.wire  # type: ignore[attr-defined]
    return found


def test_a_chord_on_the_beat_delays_no_clock() -> None:
    """Its clock has gone, and 6 x 3 bytes (5.76 ms) are through before the next, 20.8 ms later."""
    found = report(on_cable(PART, chord(1920)))
    assert (found.worst_wait_ns, found.behind, found.at) == (0, "", "")  # type: ignore[attr-defined]


def test_a_chord_just_before_a_clock_is_reported_with_place_and_cause() -> None:
    """One tick (1.04 ms) before beat 2, six notes hold up its clock by 5.76 - 1.04 ms: a warning."""
    song = on_cable(PART, chord(479))
    found = report(song)
    assert found.worst_wait_ns == pytest.approx(6 * 3 * DIN_BYTE_NS - BEAT_NS / 480, abs=2)  # type: ignore[attr-defined]
    assert found.at == "bar 1 beat 2"  # type: ignore[attr-defined]
    assert found.behind == "note on, key 45 velocity 100, channel 2 (songs[0].parts[0] note)"  # type: ignore[attr-defined]
    assert found.waits_over_limit == 1  # type: ignore[attr-defined]
    (problem,) = song.problems  # type: ignore[attr-defined]
    assert (problem.severity, problem.path) == ("warning", "ports.cable")
    assert "bar 1 beat 2" in problem.message


def test_a_wait_within_the_limit_is_reported_and_not_warned_of() -> None:
    """Two notes one tick before a clock hold it up by 0.88 ms, below the limit of 1 ms."""
    song = on_cable(PART, chord(479, 2))
    assert 0 < report(song).worst_wait_ns < MS  # type: ignore[attr-defined]
    assert song.problems == []  # type: ignore[attr-defined]


def test_the_session_may_allow_more() -> None:
    """`limits: wire-wait: 6 ms` takes the warning away."""
    song = compiled(PART, chord(479), machines=MACHINES, ports=PORTS % "", more="\nlimits: {wire-wait: 6 ms}")
    assert song.problems == []


def test_more_than_half_a_clock_interval_is_refused() -> None:
    """16 notes (15.36 ms) just before a clock are more than half of 20.8 ms: an error, with the remedy."""
    with pytest.raises(PlanError, match=r"half of the 20\.83 ms") as caught:
        on_cable(PART, chord(479, 16))
    assert caught.value.problems[0].hint


LOOPED = PART + '\nloops: ["bar 1 to bar 4, 4 times"]'


def test_the_clock_at_a_seam_waits_for_what_the_leg_before_it_sends_last() -> None:
    """Six notes one tick before a loop comes round: 4.72 ms, as anywhere else; the clock is counted once."""
    plain, looped = on_cable(PART, chord(3 * 1920 - 1)), on_cable(LOOPED, chord(3 * 1920 - 1))
    found = [wire.worst_wait_ns for wire in looped.wire]  # type: ignore[attr-defined]
    assert found[:2] == [report(plain).worst_wait_ns] * 2  # type: ignore[attr-defined]
    assert found[0] == pytest.approx(6 * 3 * DIN_BYTE_NS - BEAT_NS / 480, abs=2)
    assert {wire.at for wire in looped.wire[:2]} == {"bar 4 beat 1"}  # type: ignore[attr-defined]
    assert [wire.clocks for wire in looped.wire[:2]] == [3 * 96] * 2  # type: ignore[attr-defined]
    assert [problem.severity for problem in looped.problems] == ["warning"]  # type: ignore[attr-defined]
    with pytest.raises(PlanError, match="bar 4 beat 1"):
        on_cable(LOOPED, chord(3 * 1920 - 1, 16))


def test_nothing_that_may_move_holds_up_the_clock_at_a_seam() -> None:
    """A controller and a short sysex just before a loop comes round are through before its first clock."""
    cues = """
    loops: ["bar 2 to bar 4, 4 times"]
    cues:
      - {at: 300 us before bar 4, machine: bass, control: 74, value: 1}
      - {at: 1 ms before bar 3, machine: bass, sysex: "7D 01 02"}
      - {at: 1 ms before bar 4, machine: drums, sysex: "7D 01 02"}
    """
    song = on_cable(cues)
    seam_ns = 3 * BAR_NS
    last = [(t_ns, text) for t_ns, text in sent(song, "cable") if seam_ns - CLOCK_NS < t_ns < seam_ns]  # type: ignore[arg-type]
    assert [text for _, text in last] == ["F0 7D 01 02 F7", "B1 4A 01"]
    assert all(t_ns + len(bytes.fromhex(text)) * DIN_BYTE_NS < seam_ns for t_ns, text in last)
    assert [wire.worst_wait_ns for wire in song.wire] == [0] * len(song.wire)  # type: ignore[attr-defined]


def test_the_same_chord_on_usb_is_nothing() -> None:
    """USB has no wire of 320 us a byte."""
    song = compiled(PART, chord(479, 16), machines=MACHINES, ports="cable: {create: cable}\n")
    assert report(song).worst_wait_ns < 60_000


def test_a_program_is_sent_where_no_clock_waits_for_it() -> None:
    """Bank and program (2.56 ms) that would run into a clock are sent before that clock."""
    at = "0.5 ms after bar 3"
    song = on_cable(f"cues: [{{at: {at}, machine: bass, program: 5, bank: 1/2}}]")
    group = [t_ns for t_ns, text in sent(song, "cable") if text not in ("FA", "FC")]  # type: ignore[arg-type]
    assert group[0] + 8 * DIN_BYTE_NS <= 2 * BAR_NS - 100_000
    assert group[0] >= 2 * BAR_NS - 4 * MS
    assert report(song).worst_wait_ns == 0  # type: ignore[attr-defined]


def test_a_controller_just_before_a_clock_is_brought_forward() -> None:
    """0.3 ms before bar 3 it would hold the clock up; it is sent 1.06 ms before instead."""
    song = on_cable("cues: [{at: 300 us before bar 3, machine: bass, control: 74, value: 1}]")
    (t_ns,) = (t_ns for t_ns, text in sent(song, "cable") if text == "B1 4A 01")  # type: ignore[arg-type]
    assert t_ns == 2 * BAR_NS - 100_000 - 3 * DIN_BYTE_NS
    found = report(song)
    assert (found.worst_wait_ns, found.brought_forward) == (0, 1)  # type: ignore[attr-defined]


def test_a_short_sysex_is_sent_at_its_moment() -> None:
    """5 bytes fit between two clocks."""
    song = on_cable('cues: [{at: bar 5, machine: bass, sysex: "7D 01 02"}]')
    assert (4 * BAR_NS, "F0 7D 01 02 F7") in sent(song, "cable")  # type: ignore[arg-type]


def test_a_long_sysex_is_cut_so_that_clocks_pass_between_its_bytes() -> None:
    """203 bytes (65 ms) on a raw port: whole when put together, through by bar 5, and no clock waits."""
    song = on_cable(LONG % " ".join(["11"] * 200), raw=True)
    pieces = [(t_ns, bytes.fromhex(text)) for t_ns, text in sent(song, "cable") if text not in ("FA", "FC")]  # type: ignore[arg-type]
    assert len(pieces) >= 4
    assert b"".join(data for _, data in pieces) == b"\xf0\x7d" + b"\x11" * 200 + b"\xf7"
    assert pieces[-1][0] + len(pieces[-1][1]) * DIN_BYTE_NS <= 4 * BAR_NS
    assert report(song).worst_wait_ns == 0  # type: ignore[attr-defined]
    clocks = clock_times(song, "cable")  # type: ignore[arg-type]
    for t_ns, data in pieces:
        assert not any(t_ns < clock < t_ns + len(data) * DIN_BYTE_NS for clock in clocks)


def test_a_long_sysex_on_a_port_that_takes_whole_messages_is_refused_in_the_song() -> None:
    """65 ms in one go hold a clock up for two intervals: the error says how to get around it."""
    with pytest.raises(PlanError, match="bar 4 beat 4") as caught:
        on_cable(LONG % " ".join(["11"] * 200))
    assert "before the lead" in caught.value.problems[0].hint


def test_a_sysex_a_little_too_long_is_sent_right_behind_a_clock() -> None:
    """70 bytes (22.4 ms) in one go exceed the interval of 20.8 ms; right behind a clock the wait is least."""
    song = on_cable(LONG % " ".join(["11"] * 67))
    found = report(song)
    assert found.worst_wait_ns == pytest.approx(71 * DIN_BYTE_NS - CLOCK_NS, abs=2)  # type: ignore[attr-defined]
    assert [problem.severity for problem in song.problems] == ["warning"]  # type: ignore[attr-defined]


def test_sysex_before_the_roll_disturbs_nothing() -> None:
    """At the start it is sent before the first clock, and the roll begins that much earlier."""
    cue = f'cues: [{{at: start, machine: bass, sysex: "7D {" ".join(["11"] * 200)}"}}]'
    song = on_cable(cue)
    assert report(song).worst_wait_ns == 0  # type: ignore[attr-defined]
    assert song.course.legs[0].timeline.start_ns < -203 * DIN_BYTE_NS  # type: ignore[attr-defined]


def test_two_sysex_of_one_moment_keep_their_order() -> None:
    """The second of two is sent after the first, wherever room was found."""
    cues = """
    cues:
      - {at: bar 5, machine: bass, sysex: "7D 01"}
      - {at: bar 5, machine: bass, sysex: "7D 02"}
    """
    texts = [text for _, text in sent(on_cable(cues), "cable") if text.startswith("F0")]  # type: ignore[arg-type]
    assert texts == ["F0 7D 01 F7", "F0 7D 02 F7"]


def test_each_port_has_its_report() -> None:
    """Clocks, messages, bytes and the share of time are counted per port."""
    song = compiled("cues: [{at: bar 2, machine: bass, control: 7, value: 1}]")
    front, cable = song.wire
    assert (front.port, front.link, front.clocks, front.messages, front.byte_count) == (
        "front",
        "usb",
        768,
        2,
        770,
    )
    assert (cable.port, cable.link, cable.clocks, cable.messages, cable.byte_count) == (
        "cable",
        "din",
        0,
        1,
        3,
    )
    assert 0 < front.busy_share < 0.01


def test_clock_alone_loads_a_cable_as_the_tempo_says() -> None:
    """At 120 BPM 48 bytes a second of 3125: 1.54 % (MIDI 1.0 4.2.1, p. 1; arithmetic)."""
    assert report(on_cable("tempo: 120\nmeter: 4/4\nlength: 32 bars")).busy_share == pytest.approx(
        48 / 3125, rel=0.01
    )  # type: ignore[attr-defined]
