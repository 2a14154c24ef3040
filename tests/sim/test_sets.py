"""Whole sets in virtual time: order, repeats, songs straight on, loops, holds, mutes; each take audited."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from virtual_set import VirtualSet

from runner.errors import ExitCode
from runner.music import parse_moment
from runner.plan.loops import Loop
from runner.plan.rehearsal import Rehearsal
from runner.takes.reader import read_take

RIG = """
session: Lantern Quay, sets
format: 1
ports: {box: {simulate: drum-machine}, rack: {simulate: synthesizer}}
machines:
  drums: {port: box, channel: 10, kind: drum-machine, follows: [clock, transport, position], starts: pre-roll}
  bass: {port: rack, channel: 1, follows: [clock], settle: 20 ms, offset: -2 ms}
"""
SONG = """
  - song: {name}
    tempo: {tempo}
    meter: {meter}
    length: 8 bars
    lead: 500 ms
    pre-roll: 1 bar
    cues:
      - {{at: bar 1, machine: bass, program: {program}}}
      - {{at: bar 2, machine: bass, note: 40, length: 9 beats}}
      - {{at: bar 7 beat 2, machine: bass, note: 43}}
"""
NAMES = (
    "Ropewalk",
    "Fog Signal",
    "Net Loft",
    "Tide Table",
    "Slack Water",
    "Mole Light",
    "Chandler",
    "Last Boat",
)


def session(*songs: str, order: str = "") -> str:
    """Return a session's text with these songs."""
    rows = [
        SONG.format(name=name, tempo=90 + 7 * at, meter=("4/4", "3/4", "6/8")[at % 3], program=1 + at)
        for at, name in enumerate(songs)
    ]
    return RIG + "songs:" + "".join(rows) + (f"order: {order}\n" if order else "")


def test_a_set_of_eight_songs_runs_unattended(tmp_path: Path) -> None:
    """Eight songs, in order, each take clean, the exit code 0; a minute of stage in seconds."""
    evening = VirtualSet.of(session(*NAMES), tmp_path, mode="order")
    evening.run_to_the_end()
    assert evening.verdicts() == [(name, "clean") for name in NAMES]
    assert evening.director.exit is ExitCode.OK
    assert not evening.rig.machine("rack").sounding


def test_between_songs_it_waits_or_counts_the_seconds(tmp_path: Path) -> None:
    """`8 s` is 8 s of silence from the end of a take; `wait` is for ever, until go."""
    order = "[{song: Ropewalk, between: 8 s}, {song: Fog Signal, between: wait}, {song: Ropewalk, repeat: 2}]"
    evening = VirtualSet.of(session(*NAMES[:2], order=order), tmp_path, mode="order")
    evening.run_for(300)
    assert [song for song, _ in evening.verdicts()] == ["Ropewalk", "Fog Signal"]
    begun, ended = times_of(evening)
    assert begun[1] - ended[0] == pytest.approx(8, abs=0.2)
    assert evening.director.status().waiting_for == "roll"
    assert evening.order("go").done
    evening.run_to_the_end()
    assert evening.verdicts() == [
        ("Ropewalk", "clean"), ("Fog Signal", "clean"), ("Ropewalk", "clean"), ("Ropewalk", "clean"),
    ]  # fmt: skip


def times_of(evening: VirtualSet) -> tuple[list[float], list[float]]:
    """Return when the takes were ordered to roll and when they ended, in seconds of virtual time."""
    from runner.takes.format import Kind

    records = evening.rig.records(Kind.TAKE_BEGIN, Kind.TAKE_END)
    return (
        [record.t_ns / 1e9 for record in records if record.kind == Kind.TAKE_BEGIN],
        [record.t_ns / 1e9 for record in records if record.kind == Kind.TAKE_END],
    )


def test_songs_straight_on_are_one_take_with_the_clock_unbroken(tmp_path: Path) -> None:
    """No clock is missing at the seam, tempo and meter change there, and each position names its song."""
    order = "[{song: Ropewalk, between: straight-on}, Fog Signal]"
    evening = VirtualSet.of(session(*NAMES[:2], order=order), tmp_path, mode="order")
    evening.run_to_the_end()
    assert evening.verdicts() == [("Ropewalk", "clean")]
    folder = Path(evening.takes()[0]["folder"])
    take = read_take(folder)
    assert take.header.rights == {"realtime": True}  # as the engine said when it was ready
    ticks = take.tracks["box", "out"]
    assert list(ticks.number) == list(range(len(ticks.number)))
    gaps = {round((b - a) / 1000) for a, b in zip(ticks.due_ns, ticks.due_ns[1:], strict=False)}
    assert gaps == {round(60e6 / 90 / 24), round(60e6 / 97 / 24)}
    notes = [event.at for event in take.events if event.data[:2] == bytes((0x90, 40))]
    assert notes == ["bar 2 beat 1", "Fog Signal, bar 2 beat 1"]
    drums = [
        event.data
        for event in take.events
        if event.port == "box" and event.data[:1] in (b"\xfa", b"\xfb", b"\xfc", b"\xf2")
    ]
    # it counts the pre-roll as its own bar, so its place in the second song is after a bar of three: 12/16
    assert drums == [b"\xfa", b"\xfc", b"\xf2\x0c\x00", b"\xfb", b"\xfc"]


def loop(first: str, last: str, passes: int) -> dict[str, object]:
    """Return a rehearsal with one loop, as a job has it."""
    return Rehearsal(loops=(Loop(parse_moment(first), parse_moment(last), passes),)).to_dict()


# a thousand passes are a minute of work, and many on a computer that has others to do
THOUSAND = pytest.param(1000, marks=[pytest.mark.campaign, pytest.mark.timeout(900)])


@pytest.mark.parametrize("passes", [50, THOUSAND])
def test_a_loop_has_no_clock_missing_at_any_seam(tmp_path: Path, passes: int) -> None:
    """A bar of 4/4 at 90, up to a thousand times: every clock on one grid, the take clean.

    A bar is 2,666,666,666.67 ns, and a leg a whole number of them: a third of a ns a pass, a hundredth of
    a millionth of what any crystal drifts.
    """
    evening = VirtualSet.of(
        session("Ropewalk"), tmp_path, mode="song", song="Ropewalk", rehearsal=loop("bar 3", "bar 4", passes)
    )
    evening.run_to_the_end()
    assert evening.verdicts() == [("Ropewalk", "clean")]
    ticks = read_take(Path(evening.takes()[0]["folder"])).tracks["box", "out"]
    lead = 18  # 500 ms of 27.78 ms
    assert len(ticks.number) == lead + 96 + (7 + passes) * 96
    first, interval = ticks.due_ns[0], 60e9 / 90 / 24
    assert all(abs(due - first - n * interval) < 2 + passes / 2 for n, due in enumerate(ticks.due_ns))


@pytest.mark.parametrize(("at_s", "passes"), [(8.0, 1), (12.0, 2), (25.0, 4)])
def test_a_hold_goes_round_until_it_is_told(tmp_path: Path, at_s: float, passes: int) -> None:
    """Bars 3 and 4 of a song at 90 last 5.3 s; told in the first pass, they are played once."""
    evening = VirtualSet.of(
        session("Ropewalk"), tmp_path, mode="song", song="Ropewalk", rehearsal=loop("bar 3", "bar 5", 0)
    )
    evening.run_for(1)
    assert evening.order("go").done  # the order makes sense, the engine says that no hold plays
    evening.run_for(0.5)
    assert any("no hold" in data["text"] for kind, data in evening.told.reports if kind == "warning")
    bar_1 = 0.5 + 60 / 90 * 4
    evening.run_for(bar_1 + at_s - 1.6)
    assert evening.order("go").done
    evening.run_to_the_end()
    assert evening.verdicts() == [("Ropewalk", "clean")]
    take = read_take(Path(evening.takes()[0]["folder"]))
    bars = 8 + (passes - 1) * 2
    assert len(take.tracks["box", "out"].number) == 18 + 96 + bars * 96


def test_a_hold_may_stand_in_the_session_and_ends_by_go(tmp_path: Path) -> None:
    """`loops` of a song: the span goes round on stage, the status says so, and go leads on."""
    text = session("Ropewalk").replace("length: 8 bars", "length: 8 bars\n    loops: [bar 3 to bar 5]")
    evening = VirtualSet.of(text, tmp_path)
    evening.run_for(0.1)
    evening.order("roll")
    evening.run_for(60)
    assert evening.director.status().hold
    assert evening.director.recording.rolling
    assert evening.order("go").done
    evening.run_for(20)
    assert evening.verdicts() == [("Ropewalk", "clean")]


def test_a_muted_machine_makes_no_finding_and_is_heard_again(tmp_path: Path) -> None:
    """Its notes are kept back on purpose, and the log says so."""
    evening = VirtualSet.of(session("Ropewalk"), tmp_path)
    evening.run_for(0.1)
    assert evening.order("mute bass").done
    assert evening.order("roll").done
    evening.run_for(40)
    assert evening.verdicts() == [("Ropewalk", "clean")]
    lines = Path(evening.takes()[0]["folder"], "events.jsonl").read_text().splitlines()
    states = [json.loads(line).get("data", {}) for line in lines]
    assert {"state": "mute", "machine": "bass", "muted": True} in states
    assert not any('"bytes":"90' in line for line in lines)
    evening.order("unmute bass")
    evening.order("roll Ropewalk")
    evening.run_for(40)
    second = Path(evening.takes()[1]["folder"], "events.jsonl").read_text()
    assert '"bytes":"90 28' in second


def test_mute_says_what_it_does(tmp_path: Path) -> None:
    """A machine that only has cues: its notes are kept back, its program goes, and the answer says so."""
    evening = VirtualSet.of(session("Ropewalk"), tmp_path)
    evening.run_for(0.1)
    told = evening.order("mute bass").text
    assert told.startswith(
        "bass is muted: no notes, of parts or cues; programs, controllers, clock and transport"
    )
    evening.order("roll")
    evening.run_for(40)
    sent = [event.data for event in read_take(Path(evening.takes()[0]["folder"])).of_kind("sent")]
    assert b"\xc0\x00" in sent
    assert not [data for data in sent if data[0] & 0xE0 == 0x80]


def test_solo_mutes_also_those_that_only_sound_by_cues(tmp_path: Path) -> None:
    """In this session nobody has a part: the bass plays by cues, and with the drums alone it is not heard."""
    evening = VirtualSet.of(session("Ropewalk"), tmp_path)
    evening.run_for(0.1)
    told = evening.order("solo drums").text
    assert told.startswith("drums is heard alone: no notes to the others; programs, controllers")
    assert evening.director.status().muted == ("bass",)
    evening.order("solo bass")
    assert evening.director.status().muted == ()


def test_the_next_song_has_its_sounds_before_it_is_rolled(tmp_path: Path) -> None:
    """Two seconds after the end of a song, so that what still rings is not cut, its programs are sent."""
    evening = VirtualSet.of(session(*NAMES[:2]), tmp_path)
    evening.run_for(0.1)
    evening.order("roll")
    evening.run_for(1.0)
    while evening.director.recording.rolling:
        evening.turn()
    assert evening.rig.machine("rack").voices[0].program == 0
    evening.run_for(1.0)
    assert evening.rig.machine("rack").voices[0].program == 0
    evening.run_for(2.0)
    assert evening.rig.machine("rack").voices[0].program == 1


def test_a_set_may_be_changed_while_it_plays(tmp_path: Path) -> None:
    """Another order, another song next, the same one again: each is rolled as it was told."""
    evening = VirtualSet.of(session(*NAMES[:4]), tmp_path)
    evening.run_for(0.1)
    evening.order("roll")
    evening.run_for(3)
    assert evening.order("order Tide Table, Net Loft").done
    evening.run_for(60)
    for text in ("roll", "roll", "song Fog Signal", "roll", "again"):
        assert evening.order(text).done, text
        evening.run_for(60)
    songs = [song for song, _ in evening.verdicts()]
    assert songs == ["Ropewalk", "Tide Table", "Net Loft", "Fog Signal", "Fog Signal"]


def test_a_stopped_song_is_silent_and_comes_up_again(tmp_path: Path) -> None:
    """Stop in mid-note: a Note Off, a take that says so, the same song up."""
    evening = VirtualSet.of(session(*NAMES[:2]), tmp_path)
    evening.run_for(0.1)
    evening.order("roll")
    evening.run_for(9)
    assert evening.rig.machine("rack").sounding
    evening.order("stop")
    assert not evening.rig.machine("rack").sounding
    evening.run_for(1)
    assert evening.verdicts() == [("Ropewalk", "interrupted")]
    assert evening.director.status().song == "Ropewalk"


def test_the_daemon_rehearses_a_passage_and_the_order_stays_where_it_was(tmp_path: Path) -> None:
    """Bars 3 to 5 at half the tempo, bar 3 twice; again is the same passage; then the first song is up."""
    evening = VirtualSet.of(session(*NAMES[:3]), tmp_path)
    evening.run_for(0.1)
    passage = {"from": "bar 3", "to": "bar 5", "tempo": "50 %", "loops": ["bar 3 to bar 4, 2 times"]}
    told = evening.order("roll Fog Signal", **passage)
    assert (told.done, told.text) == (
        True,
        "Fog Signal rolls: from bar 3, up to bar 5, bar 3 to bar 4, 2 times, at 50 %",
    )
    evening.run_for(17)
    assert evening.order("again").done
    evening.run_for(17)
    assert evening.verdicts() == [("Fog Signal", "clean"), ("Fog Signal", "clean")]
    for closed in evening.takes():
        take = read_take(Path(closed["folder"]))
        ticks = take.tracks["box", "out"]
        lead = 10  # 500 ms of 51.5 ms
        assert len(ticks.number) == lead + (1 + 3) * 3 * 24  # pre-roll and three bars of 3/4
        assert take.header.declared["legs"][0]["entry_quarters"] == 6
        gaps = {b - a for a, b in zip(ticks.due_ns, ticks.due_ns[1:], strict=False)}
        assert max(abs(gap - 60e9 / (97 / 2) / 24) for gap in gaps) <= 1
    assert evening.director.status().song == "Ropewalk"
    evening.order("roll")
    evening.run_for(27)
    assert evening.verdicts()[-1] == ("Ropewalk", "clean")
    assert evening.director.status().song == "Fog Signal"


def test_a_rehearsal_that_the_song_cannot_give_is_refused(tmp_path: Path) -> None:
    """A section or a machine that is not there: it is said, nothing rolls, the order waits."""
    evening = VirtualSet.of(session(*NAMES[:2]), tmp_path)
    evening.run_for(0.1)
    for words, text in (({"from": "bridge"}, "bridge"), ({"mute": ["bss"]}, "did you mean bass?")):
        told = evening.order("roll", **words)
        assert not told.done
        assert text in told.text
    assert evening.director.status().alarms == ()
    assert evening.order("roll").done
    evening.run_for(27)
    assert evening.verdicts() == [("Ropewalk", "clean")]


def test_go_in_a_song_without_a_hold_is_refused(tmp_path: Path) -> None:
    """Nothing goes round: the order is told so at once, and the take is as clean as without it."""
    evening = VirtualSet.of(session("Ropewalk"), tmp_path)
    evening.run_for(0.1)
    evening.order("roll")
    evening.run_for(5)
    told = evening.order("go")
    assert (told.done, told.text) == (False, "go: Ropewalk has no hold that it could end")
    evening.run_for(27)
    assert evening.verdicts() == [("Ropewalk", "clean")]
    assert evening.takes()[0]["findings"] == []


def test_takes_of_songs_straight_on_are_takes_of_all_of_them(tmp_path: Path) -> None:
    """Two takes of an order whose first songs go straight on: each is both songs, then twice the third."""
    order = "[{song: Ropewalk, between: straight-on}, Fog Signal, Net Loft]"
    evening = VirtualSet.of(session(*NAMES[:3], order=order), tmp_path, mode="order", takes=2)
    evening.run_to_the_end()
    assert evening.verdicts() == [("Ropewalk", "clean")] * 2 + [("Net Loft", "clean")] * 2
    for closed in evening.takes()[:2]:
        declared = read_take(Path(closed["folder"])).header.declared
        assert [leg["song"] for leg in declared["legs"]] == ["Ropewalk", "Fog Signal"]


def test_in_songs_straight_on_the_status_knows_which_plays(tmp_path: Path) -> None:
    """Song, place and what comes next go on with the song; what is chosen meanwhile comes after the last."""
    order = "[{song: Ropewalk, between: straight-on}, Fog Signal, Net Loft]"
    evening = VirtualSet.of(session(*NAMES[:3], order=order), tmp_path)
    evening.run_for(0.1)
    evening.order("roll")
    evening.run_for(5)
    status = evening.director.status()
    assert (status.song, status.place, status.next_song) == ("Ropewalk", 1, "Fog Signal")
    told = evening.order("song Ropewalk")
    assert told.text == "Ropewalk comes next, after Fog Signal, which goes straight on"
    evening.run_for(24)
    status = evening.director.status()
    assert (status.song, status.place, status.next_song) == ("Fog Signal", 2, "Ropewalk")
    evening.run_for(30)
    assert evening.verdicts() == [("Ropewalk", "clean")]
    assert evening.director.status().song == "Ropewalk"
