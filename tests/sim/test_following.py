"""Whole takes under another machine's clock, in virtual time: cues, relay, dropouts, late joining."""

from __future__ import annotations

from typing import Any

import pytest
from virtual_rig import VirtualRig

from runner.takes.format import Kind

TEMPLATE = """
session: Lantern Quay, following
format: 1
ports:
  tape: {{simulate: master, settings: {{tempo: 120, clocks: 860, lead: 96, {master}}}}}
  box: {{simulate: drum-machine}}
  rack: {{simulate: synthesizer}}
machines:
  deck: {{port: tape, kind: recorder}}
  drums: {{port: box, channel: 10, follows: [clock, transport, position], starts: pre-roll, {drums}}}
  keys: {{port: rack, channel: 1, offset: {offset}}}
clock: {{source: beat-clock, port: tape, on-dropout: {{freewheel: 2 beats, then: {then}}}}}
songs:
  - song: Ropewalk
    tempo: 120
    meter: 4/4
    length: 6 bars
    pre-roll: 2 bars
    tail: 1 beat
    cues:
      - {{at: start, machine: keys, program: 5}}
      - {{at: bar 2, machine: keys, control: 7, value: 90}}
      - {{at: bar 4 beat 2.5, machine: keys, control: 74, value: 20}}
order: [Ropewalk]
"""
QUARTER_NS = 500_000_000  #: at 120 quarter notes a minute


def follow(
    master: str = "jitter: 0 ms", drums: str = "relay: steady", offset: str = "0 ms", then: str = "stop"
) -> VirtualRig:
    """Arm the session, let the master play, and wait until all is over."""
    rig = VirtualRig.of(TEMPLATE.format(master=master, drums=drums, offset=offset, then=then))
    rig.roll()
    rig.run_for(21)
    return rig


def downbeat_ns(rig: VirtualRig) -> int:
    """The true time of the master's first clock after Start (count 0 is the downbeat: MIDI 1.0 p. 30)."""
    heard = rig.records(Kind.RECEIVED, Kind.TICK_RECEIVED)
    started = next(i for i, record in enumerate(heard) if record.data == b"\xfa")
    return heard[started + 1].t_ns


def playing_counts(rig: VirtualRig, port: int) -> list[int]:
    """The clock counts that a port was sent from Start to the end of the take."""
    records = rig.records(Kind.SENT, Kind.TICK_SENT, Kind.TAKE_END)
    started = next(i for i, record in enumerate(records) if record.port == port and record.data == b"\xfa")
    ended = next(i for i, record in enumerate(records) if record.kind == Kind.TAKE_END)
    return [
        record.ref
        for record in records[started:ended]
        if record.port == port and record.kind == Kind.TICK_SENT
    ]


def ends(rig: VirtualRig) -> list[dict[str, Any]]:
    """What the ends of the takes say."""
    return [record.json() for record in rig.records(Kind.TAKE_END)]


@pytest.mark.parametrize("relay", ["steady", "straight"])
def test_every_count_of_the_master_reaches_the_drum_machine_once(relay: str) -> None:
    """Between Start and the end of the song the drum machine gets one clock for each of the master's."""
    rig = follow("jitter: 1 ms", f"relay: {relay}")
    counts = playing_counts(rig, 1)
    assert counts == list(range(len(counts)))
    assert len(counts) >= 8 * 96
    assert ends(rig) == [{"why": "end of the song", "outcome": "complete"}]


@pytest.mark.parametrize("offset_ms", [-20, 0, 15])
def test_cues_fire_at_the_predicted_time_of_their_moment_also_ahead_of_it(offset_ms: int) -> None:
    """With a jitter-free master a cue is within 0.1 ms of truth, early, on time and late by its offset."""
    rig = follow(offset=f"{offset_ms} ms")
    cues = [record for record in rig.records(Kind.SENT) if record.data[:1] == b"\xb0"]
    wanted = [(8 + 4) * QUARTER_NS, (8 + 13.5) * QUARTER_NS]
    begin_ns = downbeat_ns(rig)
    errors = [
        cue.t_ns - begin_ns - want - offset_ms * 1_000_000 for cue, want in zip(cues, wanted, strict=True)
    ]
    assert all(abs(error) < 100_000 for error in errors), errors


def test_start_is_passed_on_before_the_downbeat_clock() -> None:
    """MIDI 1.0 p. 30: the first clock after Start plays the downbeat, so Start must go first."""
    rig = follow(drums="relay: steady, offset: -2 ms")
    box = [record for record in rig.records(Kind.SENT, Kind.TICK_SENT) if record.port == 1]
    started = next(i for i, record in enumerate(box) if record.data == b"\xfa")
    assert box[started].t_ns < downbeat_ns(rig)
    assert [record.ref for record in box[started + 1 : started + 4]] == [0, 1, 2]


@pytest.mark.parametrize("missing", ["[200]", "[200, 201, 202, 203, 204, 205]"])
@pytest.mark.parametrize("relay", ["steady", "straight"])
def test_position_is_exact_after_missing_clocks(missing: str, relay: str) -> None:
    """Clocks that the master lost are counted in, and reach the drum machine all the same."""
    rig = follow(f"missing: {missing}, jitter: 0 ms", f"relay: {relay}")
    cue = next(record for record in rig.records(Kind.SENT) if record.data == bytes((0xB0, 74, 20)))
    truth = downbeat_ns(rig) + round((8 + 13.5) * QUARTER_NS)
    assert abs(cue.t_ns - truth) < 2_000_000
    counts = playing_counts(rig, 1)
    assert counts[-1] - counts[0] + 1 == len(counts)
    told = [finding for finding in rig.findings() if finding["code"] in ("clock-missing", "clock-dropout")]
    assert told
    assert told[0]["quarters"] == pytest.approx((200 / 24) - 8, abs=0.05)


@pytest.mark.parametrize("relay", ["steady", "straight"])
def test_a_clock_that_the_master_lost_is_no_lateness_of_ours(relay: str) -> None:
    """Clocks made up through a dropout are due when that is known: none is written down as sent late."""
    rig = follow("missing: [200, 201, 202, 203], jitter: 0 ms", f"relay: {relay}")
    clocks = [record for record in rig.records(Kind.TICK_SENT) if record.port == 1]
    assert {200, 201, 202, 203} <= {record.ref for record in clocks}
    assert all(record.t_ns - record.due_ns < 1_000_000 for record in clocks)


def test_a_clock_that_is_lost_for_longer_than_the_span_stops_and_silences() -> None:
    """After two beats without clock the take ends, with Stop to the machines that were started."""
    gone = ", ".join(str(n) for n in range(300, 900))
    rig = follow(f"missing: [{gone}], without-stop: true")
    assert [end["outcome"] for end in ends(rig)] == ["stopped"]
    assert "lost" in ends(rig)[0]["why"]
    assert not rig.loop.player.sounding.any_left(range(3))
    stop = next(record for record in rig.records(Kind.CUT) if record.data == b"\xfc")
    late = stop.t_ns - (downbeat_ns(rig) + 299 * QUARTER_NS // 24)
    assert QUARTER_NS <= late <= 3 * QUARTER_NS


def test_with_carry_on_the_song_plays_to_its_end_without_the_master() -> None:
    """The clock and the cues go on at the last tempo, and the song ends complete."""
    gone = ", ".join(str(n) for n in range(300, 900))
    rig = follow(f"missing: [{gone}], without-stop: true, jitter: 0 ms", then="carry-on")
    assert [end["outcome"] for end in ends(rig)] == ["complete"]
    cue = next(record for record in rig.records(Kind.SENT) if record.data == bytes((0xB0, 74, 20)))
    assert abs(cue.t_ns - downbeat_ns(rig) - round(21.5 * QUARTER_NS)) < 2_000_000


def test_a_master_that_continues_in_mid_song_is_joined_with_what_is_in_force_there() -> None:
    """Song position 64 (16 quarters, MIDI 1.0 p. 27) is bar 3: what is in force is sent first."""
    rig = follow("start-at: 64, jitter: 0 ms")
    sent = [record for record in rig.records(Kind.SENT) if record.port == 2]
    assert [record.data for record in sent] == [b"\xc0\x04", bytes((0xB0, 7, 90)), bytes((0xB0, 74, 20))]
    heard = rig.records(Kind.RECEIVED, Kind.TICK_RECEIVED)
    begun = next(i for i, record in enumerate(heard) if record.data == b"\xfb")
    truth = heard[begun + 1].t_ns + round((8 + 13.5 - 16) * QUARTER_NS)
    assert abs(sent[-1].t_ns - truth) < 1_000_000
    box = [record.data for record in rig.records(Kind.SENT) if record.port == 1]
    assert box[:2] == [b"\xf2\x40\x00", b"\xfb"]


def test_messages_of_other_ports_and_junk_do_not_move_the_follower() -> None:
    """Clock from a port that is not the master's is written down and has no effect."""
    rig = VirtualRig.of(
        TEMPLATE.format(master="jitter: 0 ms", drums="relay: steady", offset="0 ms", then="stop")
    )
    rig.roll()
    player = rig.loop.player
    for n in range(500):
        player.feed(1, b"\xf8", n * 1000)  # type: ignore[attr-defined]
    assert player.state.value == "armed"
    assert player.follower.bpm is None  # type: ignore[attr-defined]
