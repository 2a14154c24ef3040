"""The player under another machine's clock, fed by hand: arming while the master runs, loops, ends."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.desk.prepare import Prepared, rig_of
from runner.play.following import FollowingPlayer
from runner.play.player import Note
from runner.play.relay import IDLE_FROM, MOST_AT_ONCE
from runner.play.states import PlayState
from runner.play.streams import NO_TICK, Send
from runner.session.load import load_session
from runner.sync.follower import Follower
from runner.sync.states import LockState, Transport

SESSION = """
session: Lantern Quay, by hand
format: 1
ports: {tape: {simulate: sink}, box: {simulate: sink}}
machines:
  deck: {port: tape, kind: recorder}
  drums: {port: box, channel: 10, follows: [clock, transport], relay: straight, starts: pre-roll}
clock: {source: beat-clock, port: tape, on-dropout: {freewheel: 2 beats, then: stop}}
songs:
  - {song: Net Loft, tempo: 125, meter: 4/4, length: 4 bars, pre-roll: 1 bar}
order: [Net Loft]
"""
TICK_NS = 20_000_000  #: 125 quarter notes a minute
BEGIN_NS = 1_000_000_000


class Hand:
    """A player, armed at `BEGIN_NS`, and a hand that feeds it clocks on a grid from there."""

    def __init__(self, text: str = SESSION) -> None:
        session = load_session(text)
        prepared = Prepared(Path("session.yaml"), session)
        rig = rig_of(session.session)
        self.player = FollowingPlayer(rig.machines, 2, policy=rig.clock)
        self.course = prepared.compile("Net Loft").course
        self.now_ns = BEGIN_NS
        self.notes: list[Note] = []
        self.sends: list[Send] = []

    def arm(self) -> None:
        """Load and arm."""
        self.player.load(self.course)
        self.player.roll(self.now_ns)

    def feed(self, data: bytes, after_ns: int = 0) -> None:
        """Let a message arrive and do what is due."""
        self.now_ns += after_ns
        self.player.feed(0, data, self.now_ns)
        self.sends += self.player.due(self.now_ns)
        self.notes += self.player.take_notes()

    def wait_and_feed(self, data: bytes, after_ns: int) -> None:
        """Do all that falls due until a message arrives."""
        until_ns = self.now_ns + after_ns
        while (due_ns := self.player.next_deadline_ns()) is not None and due_ns < until_ns:
            self.now_ns = max(self.now_ns, due_ns)
            self.sends += self.player.due(self.now_ns)
        self.now_ns = until_ns
        self.feed(data)

    def clocks(self, count: int) -> None:
        """Let so many clocks arrive."""
        for _ in range(count):
            self.feed(b"\xf8", TICK_NS)

    def data_of(self, kind: str) -> list[dict[str, object]]:
        """The data of all notes of a kind."""
        return [note.data for note in self.notes if note.kind == kind]


def test_arming_keeps_where_the_master_stands_and_finds_its_clock_anew() -> None:
    """A position that the master was at when the take was armed is where its Continue goes on."""
    hand = Hand()
    hand.feed(b"\xf2\x20\x00")  # song position 32 sixteenths: MIDI 1.0 p. 27
    hand.clocks(30)
    assert hand.player.follower.state is LockState.LOCKED
    hand.arm()
    assert hand.player.follower.state is LockState.SILENT
    assert (hand.player.follower.next_count, hand.player.follower.transport) == (192, Transport.STOPPED)
    hand.clocks(30)
    hand.feed(b"\xfb", 10_000_000)
    hand.feed(b"\xf8", 10_000_000)
    assert hand.player.position(hand.now_ns) == 192 / 24 - 4  # the pre-roll is one bar
    assert hand.player.state is PlayState.ROLLING


def test_a_take_armed_while_the_master_plays_waits_for_its_next_start() -> None:
    """The song that the master is in the middle of is not the take's."""
    hand = Hand()
    hand.feed(b"\xfa")
    hand.clocks(40)
    hand.arm()
    hand.clocks(40)
    assert hand.player.state is PlayState.ARMED
    hand.feed(b"\xfc", 1_000_000)
    hand.feed(b"\xfa", 1_000_000_000)
    hand.feed(b"\xf8", TICK_NS)
    assert hand.player.state is PlayState.PRE_ROLL
    assert hand.player.position(hand.now_ns) == -4


def test_an_armed_take_counts_as_moving_and_its_stop_ends_it() -> None:
    """Whoever closes the ports or quits must end an armed take too."""
    hand = Hand()
    hand.arm()
    assert hand.player.moving
    hand.player.stop(hand.now_ns, "told to end")
    hand.notes += hand.player.take_notes()
    assert not hand.player.moving
    assert hand.data_of("end") == [{"why": "told to end", "outcome": "stopped"}]
    assert "settled" not in {data["state"] for data in hand.data_of("state")}  # no clock was heard


def test_findings_and_settling_come_before_the_end() -> None:
    """What is noted after a take's end is in no take."""
    hand = Hand()
    hand.arm()
    hand.clocks(48)
    hand.feed(b"\xfa", 10_000_000)
    hand.now_ns += 10_000_000 - TICK_NS
    hand.clocks(100)
    hand.feed(b"\xfc", 5_000_000)
    kinds = [(note.kind, note.data.get("state", note.data.get("code"))) for note in hand.notes]
    assert kinds[-1] == ("end", None)
    assert ("finding", "clock-jitter") in kinds
    assert ("state", "settled") in kinds
    settled = next(data for data in hand.data_of("state") if data["state"] == "settled")
    assert settled["enough"] is True
    assert [state for kind, state in kinds].count("pre-roll") == 1


def test_clocks_before_start_have_numbers_of_their_own() -> None:
    """A clock of the song has the master's count for its number; those before it are told apart."""
    hand = Hand()
    hand.arm()
    hand.clocks(5)
    hand.feed(b"\xfa", 10_000_000)
    hand.now_ns += 10_000_000 - TICK_NS
    hand.clocks(5)
    numbers = [send.tick for send in hand.sends if send.data == b"\xf8"]
    assert numbers == [*range(IDLE_FROM, IDLE_FROM + 5), *range(5)]


def test_our_own_clock_coming_back_is_told_as_a_loop() -> None:
    """An echo 3 ms after each clock that we pass on is named as ours within two beats of its beginning."""
    hand = Hand()
    hand.arm()
    hand.clocks(48)
    hand.feed(b"\xfa", 10_000_000)
    hand.now_ns += 10_000_000 - TICK_NS
    hand.clocks(48)
    for _ in range(48):
        hand.feed(b"\xf8", TICK_NS - 3_000_000)
        hand.feed(b"\xf8", 3_000_000)
    codes = [data["code"] for data in hand.data_of("finding")]
    assert "clock-loop" in codes
    assert "clock-merged" not in codes


def test_a_tempo_that_is_not_the_songs_is_found_in_the_lead() -> None:
    """Before Start comes, a master 4 % too fast is told of."""
    hand = Hand()
    hand.arm()
    for _ in range(96):
        hand.feed(b"\xf8", round(TICK_NS / 1.04))
    found = [data for data in hand.data_of("finding") if data["code"] == "clock-tempo"]
    assert len(found) == 1
    assert abs(float(str(found[0]["size"])) - 4) < 0.2


def test_a_master_that_stops_with_its_last_clock_has_played_the_song_to_its_end() -> None:
    """Stop comes before the moment at which bar 5 would begin, after all 480 clocks: the take is complete."""
    hand = Hand()
    hand.arm()
    hand.clocks(48)
    hand.feed(b"\xfa", 10_000_000)
    hand.now_ns += 10_000_000 - TICK_NS
    hand.clocks(480)
    hand.feed(b"\xfc", 5_000_000)
    assert hand.data_of("end") == [{"why": "end of the song", "outcome": "complete"}]
    assert [send.data for send in hand.sends].count(b"\xfc") == 1


def test_a_master_that_stops_a_clock_early_has_not() -> None:
    """With one clock of the song still to come, a Stop breaks the take off."""
    hand = Hand()
    hand.arm()
    hand.clocks(48)
    hand.feed(b"\xfa", 10_000_000)
    hand.now_ns += 10_000_000 - TICK_NS
    hand.clocks(479)
    hand.feed(b"\xfc", 5_000_000)
    assert hand.data_of("end") == [{"why": "the clock master stopped", "outcome": "stopped"}]
    assert [send.data for send in hand.sends].count(b"\xfc") == 1


def test_what_the_master_played_is_passed_on_before_its_stop() -> None:
    """Three clocks and Stop that are read together leave the rig at the master's count."""
    hand = Hand()
    hand.arm()
    hand.clocks(48)
    hand.feed(b"\xfa", 10_000_000)
    hand.now_ns += 10_000_000 - TICK_NS
    hand.clocks(100)
    for _ in range(3):
        hand.now_ns += TICK_NS
        hand.player.feed(0, b"\xf8", hand.now_ns)
    hand.feed(b"\xfc", 1_000_000)
    box = [send for send in hand.sends if send.port == 1]
    stop = next(index for index, send in enumerate(box) if send.data == b"\xfc")
    counts = [send.tick for send in box[:stop] if send.data == b"\xf8" and send.tick < IDLE_FROM]
    assert counts == list(range(103))
    assert not [send for send in box[stop:] if send.data == b"\xf8"]


def test_the_first_clock_keeps_1_ms_from_start_even_if_the_masters_does_not() -> None:
    """MIDI 1.0 p. 30 asks for 1 ms between Start and its clock; a master 0.2 ms apart is put right."""
    hand = Hand()
    hand.arm()
    hand.clocks(48)
    hand.feed(b"\xfa", 10_000_000)
    start_ns = hand.now_ns
    hand.feed(b"\xf8", 200_000)
    due_ns = hand.player.next_deadline_ns()
    assert due_ns is not None
    assert due_ns >= start_ns + 1_000_000
    hand.sends += hand.player.due(due_ns)
    assert [(send.data, send.due_ns) for send in hand.sends[-1:]] == [(b"\xf8", due_ns)]
    hand.feed(b"\xf8", TICK_NS)
    assert hand.sends[-1].due_ns == hand.now_ns


def test_start_is_passed_on_when_it_comes_and_not_when_its_clock_is_predicted() -> None:
    """A master whose clock is not locked yet, with no lead in the song, still starts the rig at once."""
    hand = Hand()
    hand.arm()
    hand.clocks(1)
    hand.feed(b"\xfa", 10_000_000)
    assert [(send.data, send.due_ns) for send in hand.sends if send.port == 1][-1] == (b"\xfa", hand.now_ns)


@pytest.mark.parametrize("early_ns", [0, 1_000_000, 6_000_000])
def test_a_machine_that_starts_at_bar_1_gets_start_before_its_clock_however_early_that_comes(
    early_ns: int,
) -> None:
    """The downbeat's clock that comes before the predicted Start waits for it: the count stays right."""
    hand = Hand(SESSION.replace("starts: pre-roll", "starts: bar-1"))
    hand.arm()
    hand.clocks(48)
    hand.feed(b"\xfa", 10_000_000)
    hand.now_ns += 10_000_000 - TICK_NS
    hand.clocks(96)
    hand.wait_and_feed(b"\xf8", TICK_NS - early_ns)  # count 96: bar 1 of a song with a bar of pre-roll
    hand.wait_and_feed(b"\xf8", TICK_NS + early_ns)
    box = [send for send in hand.sends if send.port == 1 and send.tick < IDLE_FROM]
    start = next(index for index, send in enumerate(box) if send.data == b"\xfa")
    assert [send.tick for send in box[start - 1 : start + 3]] == [95, NO_TICK, 96, 97]
    assert box[start + 1].due_ns - box[start].due_ns >= 1_000_000
    assert box[start + 1].due_ns - box[start - 1].due_ns < TICK_NS + 1_500_000


def test_a_start_that_was_handed_over_late_keeps_its_distance_all_the_same() -> None:
    """The 1 ms counts from when the port had taken Start, not from when it was due."""
    hand = Hand()
    hand.arm()
    hand.clocks(48)
    hand.feed(b"\xfa", 10_000_000)
    hand.player.start_is_out(1, hand.now_ns + 3_000_000)
    hand.feed(b"\xf8", 2_000_000)
    assert hand.player.next_deadline_ns() == pytest.approx(hand.now_ns + 1_000_000 + 1_050_000)


def test_whatever_the_prediction_says_a_turn_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    """If by the prediction the whole song is due at once, a bar of it goes out and the turn ends.

    Orders, a Stop among them, are read between two turns.
    """
    hand = Hand(SESSION.replace("relay: straight", "relay: steady"))
    hand.arm()
    hand.feed(b"\xfa", TICK_NS)
    hand.clocks(30)
    monkeypatch.setattr(Follower, "time_of", lambda _follower, count: BEGIN_NS - round(count))
    hand.player.feed(0, b"\xf8", hand.now_ns + TICK_NS)
    sends = hand.player.due(hand.now_ns + TICK_NS)
    assert [send.data for send in sends].count(b"\xf8") == MOST_AT_ONCE
