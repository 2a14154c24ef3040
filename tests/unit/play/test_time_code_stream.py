"""Quarter frames as the player gives them: at their moments, under our own clock and under another's."""

from __future__ import annotations

from pathlib import Path

from runner.desk.prepare import Prepared, rig_of
from runner.music.mtc import read_full, read_pieces
from runner.play.following import FollowingPlayer
from runner.play.player import Player
from runner.play.streams import Send
from runner.session.load import load_session

SESSION = """
session: Lantern Quay, time code
format: 1
ports: {{tape: {{simulate: sink}}, master: {{simulate: sink}}}}
machines:
  deck: {{port: tape, kind: recorder, follows: [time-code], frame-rate: 25}}
{clock}
songs:
  - {{song: Net Loft, tempo: 125, length: 4 bars, pre-roll: 1 bar, lead: 1 s, time-code: "01:00:00:00"}}
order: [Net Loft]
"""
FOLLOWS = "clock: {source: beat-clock, port: master}"


def played(player: Player, until_ns: int) -> list[Send]:
    sends: list[Send] = []
    while (due := player.next_deadline_ns()) is not None and due <= until_ns:
        sends += player.due(due)
    return sends


def test_a_roll_sends_its_quarter_frames_to_the_nanosecond() -> None:
    """One each 10 ms at 25 frames a second from the first clock of the lead; none after the end."""
    loaded = load_session(SESSION.format(clock=""))
    course = Prepared(Path("session.yaml"), loaded).compile("Net Loft").course
    player = Player(rig_of(loaded.session).machines, 2)
    player.load(course)
    anchor = player.roll(10**9)
    sends = [send for send in played(player, 1 << 62) if send.data[0] in (0xF0, 0xF1)]
    assert read_full(sends[0].data) is not None
    frames = sends[1:]
    assert len(frames) == round((1.0 + 1.92 * 5) * 100) - 4  # the lead begins on an odd frame
    for number, send in enumerate(frames):
        assert send.due_ns == frames[0].due_ns + number * 10_000_000
        assert send.data[1] >> 4 == number % 8
        assert send.port == 0
    bar_1 = next(at for at, send in enumerate(frames) if send.due_ns == anchor)
    code = read_pieces([send.data[1] & 15 for send in frames[bar_1 : bar_1 + 8]])
    assert str(code) == "01:00:00:00"


def test_a_stop_ends_the_quarter_frames() -> None:
    """After a stop in mid-song nothing is due."""
    loaded = load_session(SESSION.format(clock=""))
    player = Player(rig_of(loaded.session).machines, 2)
    player.load(Prepared(Path("session.yaml"), loaded).compile("Net Loft").course)
    anchor = player.roll(10**9)
    played(player, anchor + 10**9)
    player.stop(anchor + 10**9, "enough")
    assert all(send.cut for send in played(player, 1 << 62))
    assert player.next_deadline_ns() is None


def test_under_another_clock_quarter_frames_go_by_its_prediction() -> None:
    """A master 1 % slow: bar 1's quarter frame comes with the master's bar 1, and 1 % apart."""
    loaded = load_session(SESSION.format(clock=FOLLOWS))
    rig = rig_of(loaded.session)
    player = FollowingPlayer(rig.machines, 2, policy=rig.clock)
    player.load(Prepared(Path("session.yaml"), loaded).compile("Net Loft").course)
    now, tick = 10**9, 20_200_000
    player.roll(now)
    sends: list[Send] = []

    def wait(span_ns: int) -> None:
        nonlocal now
        until = now + span_ns
        sends.extend(played(player, until))
        now = until

    for _ in range(96):
        wait(tick)
        player.feed(1, b"\xf8", now)
    assert not [send for send in sends if send.data[0] == 0xF1]  # none before the master's Start
    wait(10_000_000)
    player.feed(1, b"\xfa", now)
    wait(tick - 10_000_000)
    start = now
    for _ in range(240):
        player.feed(1, b"\xf8", now)
        wait(tick)
    frames = [send for send in sends if send.data[0] == 0xF1]
    bar_1 = start + 96 * tick
    at = min(range(len(frames)), key=lambda n: abs(frames[n].due_ns - bar_1))
    assert abs(frames[at].due_ns - bar_1) < 100_000
    assert str(read_pieces([send.data[1] & 15 for send in frames[at : at + 8]])) == "01:00:00:00"
    assert abs(frames[at + 80].due_ns - frames[at].due_ns - 80 * 10_100_000) < 200_000
    assert [send.data[1] >> 4 for send in frames[:16]] == [*range(8)] * 2
