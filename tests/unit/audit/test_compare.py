"""Takes against each other: start, tempo, drift, worst bar, cues that moved; and what it comes to."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy
import pytest

from runner.audit.compare import compare_takes
from runner.audit.compare_page import compare_page
from runner.audit.compare_text import compare_text
from runner.errors import UsageError
from runner.music.tempo import TempoChange
from runner.takes.declared import MachineFacts
from runner.takes.format import Kind, Record
from runner.takes.model import Take
from runner.takes.reader import read_take
from runner.takes.testing import ANCHOR_NS, RecordMaker, song_time, steady_records, take_header, write_take

TIME = song_time(125, bars=32, pre_roll=1)
BAR_NS = 1_920_000_000
MS = 1_000_000
Move = Callable[[int], int]


def moved(records: list[Record], by: Move) -> list[Record]:
    """Let each record come later by what `by` says of its time from the anchor; nothing was due then."""
    return [replace(r, t_ns=r.t_ns + by(r.t_ns - ANCHOR_NS)) for r in records]


def a_take(folder: Path, number: int = 1, by: Move = lambda t: 0, **changes: object) -> Take:
    """Write and read a take of 32 bars whose sends come later by `by`, without lateness of its own."""
    records = moved(steady_records(TIME, 2, sigma_ns=0), by)
    place = folder / f"take-{number:04d}"
    header = take_header(TIME, 2, number=number, take=f"take-{number:04d}", **changes)
    write_take(place, header, records).finish()
    return read_take(place)


def test_equal_takes_sit_together(tmp_path: Path) -> None:
    """Two takes without a difference are together, with every figure at nothing."""
    (one,) = compare_takes([a_take(tmp_path, 1), a_take(tmp_path, 2)])
    assert one.sits == "together"
    assert (one.start_offset_ns, one.drift_ns, one.tempo_percent, one.left_ns) == (0, 0, 0.0, 0)
    assert [key[1] for key, _, _ in one.offsets] == list(range(33))
    assert one.bpm == (pytest.approx(125), pytest.approx(125))


def test_a_clock_that_began_late_against_start_is_together_if_moved(tmp_path: Path) -> None:
    """All bars 20 ms later against Start: move the take 20 ms earlier and nothing is left."""
    start = -BAR_NS - 10 * MS
    other = a_take(tmp_path, 2, lambda t: 20 * MS if t > start else 0)
    (one,) = compare_takes([a_take(tmp_path, 1), other])
    assert one.sits == "together-if-moved"
    assert (one.start_offset_ns, one.move_ns, one.left_ns, one.drift_ns) == (20 * MS, -20 * MS, 0, 0)
    text = compare_text([one])
    assert text.startswith("TOGETHER IF MOVED  bass overdub, take 2, against bass overdub, take 1")
    assert "20.00 ms earlier: then no bar is more than" in text.replace("\n  ", " ")


def test_a_late_engine_that_moved_its_start_as_well_is_together(tmp_path: Path) -> None:
    """If Start came later by as much as the clocks, the recorder began as late: nothing to hear."""
    (one,) = compare_takes([a_take(tmp_path, 1), a_take(tmp_path, 2, lambda t: 300 * MS)])
    assert one.sits == "together" and one.start_offset_ns == 0
    assert one.first.reference == "Start sent to drums"


def test_another_tempo_drifts_apart(tmp_path: Path) -> None:
    """A tempo of 0.1 % less: the difference grows by a thousandth of the time, as numpy's line says too."""
    other = a_take(tmp_path, 2, lambda t: (t + BAR_NS) // 1000)
    (one,) = compare_takes([a_take(tmp_path, 1), other])
    assert one.sits == "apart"
    assert one.worst is not None and one.worst[0] == ("", 32, 1)
    xs = [t for _, t, _ in one.offsets]
    ys = [offset for _, _, offset in one.offsets]
    slope = numpy.polyfit(xs, ys, 1)[0]
    assert one.drift_ns == pytest.approx(slope * (xs[-1] - xs[0]), rel=1e-6)
    assert one.tempo_percent == pytest.approx((1 / 1.001 - 1) * 100, rel=1e-4)
    assert one.bpm is not None and one.bpm[1] == pytest.approx(125 / 1.001, rel=1e-6)
    half = (max(ys) - min(ys)) / 2
    assert one.left_ns == pytest.approx(half, abs=1)
    assert compare_text([one]).startswith("APART")


def test_the_worst_bar_is_the_one_that_stood_still(tmp_path: Path) -> None:
    """A computer that stood still for a moment moves one bar, which is named."""
    other = a_take(tmp_path, 2, lambda t: 9 * MS if abs(t - 20 * BAR_NS) < 30 * MS else 0)
    (one,) = compare_takes([a_take(tmp_path, 1), other])
    assert one.worst == (("", 21, 1), 9 * MS)
    assert one.sits == "together-if-moved" and one.left_ns == 4_500_000


def test_the_limit_is_the_sessions(tmp_path: Path) -> None:
    """What sits together within 6 ms does not within 1 ms; the smaller limit of the two counts."""
    by: Move = lambda t: 4 * MS if t > BAR_NS * 16 else 0  # noqa: E731
    first = a_take(tmp_path, 1)
    (wide,) = compare_takes([first, a_take(tmp_path, 2, by)])
    (narrow,) = compare_takes([first, a_take(tmp_path, 3, by, limits={"cue": MS})])
    assert (wide.sits, wide.limit_ns) == ("together", 6 * MS)
    assert (narrow.sits, narrow.limit_ns) == ("apart", MS)


@pytest.mark.parametrize("seed", range(5))
def test_the_move_leaves_least(tmp_path: Path, seed: int) -> None:
    """No other move leaves less at the worst bar than the one that is advised (numpy searches)."""
    rng = numpy.random.default_rng(seed)
    sizes = rng.integers(-20 * MS, 20 * MS, 40)
    other = a_take(
        tmp_path, 2, lambda t: int(sizes[max(0, (t + BAR_NS + MS) // BAR_NS)]) if t > -BAR_NS - MS else 0
    )
    (one,) = compare_takes([a_take(tmp_path, 1), other])
    offsets = numpy.array([offset for _, _, offset in one.offsets])
    best = min(float(numpy.abs(offsets + move).max()) for move in range(-25 * MS, 25 * MS, MS // 4))
    assert float(numpy.abs(offsets + one.move_ns).max()) == pytest.approx(one.left_ns, abs=2)
    assert one.left_ns <= best + 2


def test_a_recorders_own_start_is_what_counts(tmp_path: Path) -> None:
    """With a recorder in the rig, bars are timed from what made it run: here a record strobe."""

    def with_recorder(number: int, record_ns: int) -> Take:
        maker = RecordMaker(9_000_000)
        message = bytes.fromhex("F0 7F 7F 06 06 F7")  # MIDI Machine Control 1.0: all devices, record strobe
        maker.add(Kind.SENT, record_ns, due_ns=record_ns, port=1, machine=1, ref=2, data=message)
        machines = (MachineFacts("drums", "quay", 10), MachineFacts("deck", "loft", None, "recorder"))
        records = [r for r in steady_records(TIME, 1, sigma_ns=0) if r.data != b"\xfa"] + maker.records
        place = tmp_path / f"take-{number:04d}"
        header = take_header(TIME, 2, number=number, machines=("drums", "deck"))
        declared = replace(header_declared(header), machines=machines)
        write_take(place, replace(header, declared=declared.to_dict()), records).finish()
        return read_take(place)

    (one,) = compare_takes([with_recorder(1, -3 * BAR_NS), with_recorder(2, -3 * BAR_NS - 15 * MS)])
    assert one.first.reference == "Record sent to deck"
    assert one.start_offset_ns == 15 * MS


def header_declared(header: object) -> object:
    """Return what a header declares."""
    from runner.takes.declared import Declared

    return Declared.from_dict(header.declared)  # type: ignore[attr-defined]


def test_a_followers_bars_are_timed_from_the_masters_start(tmp_path: Path) -> None:
    """Without clock of our own, the bars are those of the clock that came in, counted from its Start."""

    def follower(number: int, period_ns: float) -> Take:
        maker = RecordMaker()
        maker.add(Kind.RECEIVED, 1_000 * MS, port=0, data=b"\xfa")
        for tick in range(24 * 4 * 8):
            maker.add(Kind.TICK_RECEIVED, 1_002 * MS + round(tick * period_ns), port=0, ref=tick)
        time = song_time(125, bars=7, pre_roll=1)
        header = take_header(time, 1, number=number, declared={"role": "follower", "source": "quay"})
        place = tmp_path / f"take-{number:04d}"
        write_take(place, header, maker.records).finish()
        return read_take(place)

    (one,) = compare_takes([follower(1, 20 * MS), follower(2, 20.02 * MS)])
    assert one.first.reference == "Start from quay"
    assert [key[1] for key, _, _ in one.offsets] == list(range(8))
    assert one.tempo_percent == pytest.approx(-0.0999, abs=1e-3)
    assert one.drift_ns == pytest.approx(7 * 96 * 0.02 * MS, rel=1e-3)


def test_cues_that_moved_are_named(tmp_path: Path) -> None:
    """A cue that lies elsewhere against its own bars has moved; one that is in one take only is told."""

    def with_cues(number: int, cues: list[tuple[int, bytes]]) -> Take:
        maker = RecordMaker(9_000_000)
        for bar, (late, data) in enumerate(cues):
            due = bar * BAR_NS
            maker.add(
                Kind.SENT, due + late, due_ns=due, quarters=4.0 * bar, port=0, machine=0, ref=2, data=data
            )
        place = tmp_path / f"take-{number:04d}"
        header = take_header(TIME, 2, number=number, sources=("clock", "part", "songs[0].cues[0]"))
        write_take(place, header, steady_records(TIME, 2, sigma_ns=0) + maker.records).finish()
        return read_take(place)

    first = with_cues(1, [(0, b"\xc9\x01"), (0, b"\xc9\x02"), (0, b"\xc9\x03")])
    second = with_cues(2, [(0, b"\xc9\x01"), (8 * MS, b"\xc9\x02"), (0, b"\xc9\x09")])
    (one,) = compare_takes([first, second])
    assert one.cues_compared == 2
    assert [(cue.at, cue.bytes, cue.moved_ns) for cue in one.cues] == [
        ("bar 2 beat 1", "C9 02", 8 * MS),
        ("bar 3 beat 1", "C9 03", None),
        ("bar 3 beat 1", "C9 09", None),
    ]
    assert one.sits == "together"
    text = " ".join(compare_text([one]).split())
    assert "2 compared, 1 moved; bar 2 beat 1, drums, program 3, channel 10: 8.00 ms later; " in text
    assert "1 only in take 1: bar 3 beat 1, drums, program 4, channel 10; " in text
    assert text.endswith("1 only in take 2: bar 3 beat 1, drums, program 10, channel 10")
    bars = [one.first.bars["", bar, 1] for bar in (2, 3, 3)]
    assert [cue.t_ns for cue in one.cues] == bars  # each at its own bar of the page's axis


#: MIDI 1.0 Detailed Specification 4.2.1, p. 27: song position counts sixteenths, least significant byte first
LOCATED_17 = bytes((0xF2, 16 * 17 & 0x7F, 16 * 17 >> 7))  #: from the pre-roll of a bar on
#: MIDI Machine Control 1.0 (RP-013): all devices, locate to a time, at 25 frames; and play
LOCATE_HEAD = bytes.fromhex("F0 7F 7F 06 44 06 01")
PLAY = bytes.fromhex("F0 7F 7F 06 02 F7")


def from_bar(folder: Path, bar: int, number: int, told: list[bytes], declared: dict[str, object]) -> Take:
    """Write and read a take that enters at a bar, the first machine told so 20 ms before its clock."""
    quarters = 4 * (bar - 1)
    records = [
        r
        for r in steady_records(TIME, 2, sigma_ns=0)
        if r.data != b"\xfa" and not (r.kind in (Kind.SENT, Kind.TICK_SENT) and r.quarters < quarters)
    ]
    maker = RecordMaker(9_000_000)
    for data in told:
        due = quarters * BAR_NS // 4 - 20 * MS
        maker.add(Kind.SENT, due, due_ns=due, quarters=float(quarters), port=0, machine=0, ref=0, data=data)
    place = folder / f"take-{number:04d}"
    header = take_header(TIME, 2, number=number, take=f"take-{number:04d}")
    facts = replace(header_declared(header), entry_quarters=float(quarters), **declared)
    write_take(place, replace(header, declared=facts.to_dict()), records + maker.records).finish()
    return read_take(place)


def test_a_take_from_mid_song_lies_in_its_place_on_a_machine_that_was_located(tmp_path: Path) -> None:
    """Song position and Continue put the recording where the song is: nothing is to be moved, either way."""
    takes = [a_take(tmp_path, 1), from_bar(tmp_path, 17, 2, [LOCATED_17, b"\xfb"], {})]
    for pair in (takes, takes[::-1]):
        (one,) = compare_takes(pair)
        assert (one.sits, one.start_offset_ns, one.move_ns, one.notes) == ("together", 0, 0, [])
        assert [key[1] for key, _, _ in one.offsets] == list(range(17, 33))
    (one,) = compare_takes(takes)
    text = " ".join(compare_text([one]).split())
    assert "from Start sent to drums; take 2 from Continue sent to drums at bar 17 beat 1" in text
    assert "(0.0000 %)" in text and "-0.0000" not in text and "drift none" in text
    assert "take 2 from Continue sent to drums at bar 17" in compare_page(takes, [one])


def test_what_a_located_machine_was_late_by_is_still_seen(tmp_path: Path) -> None:
    """Clocks that came 20 ms late after Continue are 20 ms late on the tape."""
    other = from_bar(tmp_path, 17, 2, [LOCATED_17, b"\xfb"], {})
    for track in other.tracks.values():
        for index in range(len(track)):
            track.t_ns[index] += 20 * MS
    (one,) = compare_takes([a_take(tmp_path, 1), other])
    assert (one.sits, one.start_offset_ns, one.move_ns) == ("together-if-moved", 20 * MS, -20 * MS)


@pytest.mark.parametrize(("starts", "bars"), [("bar-1", 16), ("pre-roll", 17)])
def test_a_machine_that_does_not_follow_position_says_what_the_move_means(
    tmp_path: Path, starts: str, bars: int
) -> None:
    """Start in mid-song lets it run from its own beginning: the recording is moved by the bars left out."""
    machines = (MachineFacts("drums", "quay", 10, starts=starts),)
    other = from_bar(tmp_path, 17, 2, [b"\xfa"], {"machines": machines})
    first = from_bar(tmp_path, {"bar-1": 1, "pre-roll": 0}[starts], 1, [b"\xfa"], {"machines": machines})
    (one,) = compare_takes([first, other])
    assert (one.sits, one.move_ns, one.left_ns) == ("together-if-moved", bars * BAR_NS, 0)
    assert one.notes == [
        "bass overdub, take 2: drums does not follow song position, and ran from its own beginning at "
        "bar 17 beat 1; what it recorded lies where it ran from, and the move takes it to its place"
    ]


def test_a_take_in_which_nothing_made_the_recorder_run_says_so(tmp_path: Path) -> None:
    """A machine that follows no position is not started in mid-song: bars are held against the plan."""
    (one,) = compare_takes([a_take(tmp_path, 1), from_bar(tmp_path, 17, 2, [], {})])
    assert (one.sits, one.first.reference) == ("together", "bar 1 as planned")
    assert one.notes == [
        "bass overdub, take 2: nothing made any machine run: where its recording lies cannot be said"
    ]


def test_machine_control_locates_too(tmp_path: Path) -> None:
    """A recorder located by time code before it plays: its bars are compared where the code puts them."""

    def told(seconds: int) -> list[bytes]:
        code = bytes((0x20, 10, seconds, 0, 0, 0xF7))  # RP-013, p. 28: hours, rate 25 in bit 5
        return [LOCATE_HEAD + code, PLAY]

    machines = (MachineFacts("drums", "quay", 10, "recorder"),)
    takes = [
        from_bar(tmp_path, bar, number, told(round(4 * (bar - 1) * BAR_NS / 4e9)), {"machines": machines})
        for number, bar in ((1, 1), (2, 26))  # 25 bars of 1.92 s are 48 s
    ]
    (one,) = compare_takes(takes)
    assert (one.sits, one.start_offset_ns, one.first.reference) == ("together", 0, "Play sent to drums")


def test_a_followers_song_position_counts_as_well(tmp_path: Path) -> None:
    """A master that locates and continues: the recording lies there, at the master's own tempo."""

    def follower(number: int, first_bar: int) -> Take:
        maker = RecordMaker()
        if first_bar:
            maker.add(Kind.RECEIVED, 900 * MS, port=0, data=bytes((0xF2, 16 * first_bar, 0)))
        maker.add(Kind.RECEIVED, 1_000 * MS, port=0, data=b"\xfb" if first_bar else b"\xfa")
        for tick in range(24 * 4 * (8 - first_bar)):
            quarters = first_bar * 4 - 4 + tick / 24
            maker.add(Kind.TICK_RECEIVED, 1_002 * MS + tick * 20_500_000, port=0, ref=tick, quarters=quarters)
        header = take_header(
            song_time(125, bars=7, pre_roll=1), 1, number=number,
            declared={"role": "follower", "source": "quay"},
        )  # fmt: skip
        place = tmp_path / f"take-{number:04d}"
        write_take(place, header, maker.records).finish()
        return read_take(place)

    (one,) = compare_takes([follower(1, 0), follower(2, 3)])
    assert one.other.reference == "Continue from quay at bar 3 beat 1"
    assert one.sits == "together" and abs(one.start_offset_ns) < MS


def test_other_songs_and_single_takes_are_refused(tmp_path: Path) -> None:
    """Nothing lines up of different songs; one take has nothing to be held against."""
    first = a_take(tmp_path, 1)
    with pytest.raises(UsageError, match="different songs \\(Fog Signal, Ropewalk\\)"):
        compare_takes([first, a_take(tmp_path, 2, song="Fog Signal")])
    with pytest.raises(UsageError, match="two takes"):
        compare_takes([first])


def test_another_plan_is_said(tmp_path: Path) -> None:
    """A tempo map that was changed between the takes is noted, and the bars are compared all the same."""
    time = song_time(125, bars=32, pre_roll=1, changes=[TempoChange(Fraction(64), Fraction(124))])
    write_take(tmp_path / "b", take_header(time, 2, number=2), steady_records(time, 2, sigma_ns=0)).finish()
    (one,) = compare_takes([a_take(tmp_path, 1), read_take(tmp_path / "b")])
    assert one.notes == ["the takes were rolled with different tempo, meter or pre-roll"]
    assert one.sits == "apart"


def test_takes_with_nothing_in_common_are_told_as_such(tmp_path: Path) -> None:
    """A take that broke off before its second bar cannot be judged, and is not called together."""
    write_take(tmp_path / "b", take_header(TIME, 2, number=2), steady_records(TIME, 2)[:6]).finish()
    (one,) = compare_takes([a_take(tmp_path, 1), read_take(tmp_path / "b")])
    assert one.sits == "unknown"
    assert compare_text([one]).startswith("UNKNOWN")
    assert one.to_dict()["worst"] is None
    assert "Nothing to compare" in compare_page([a_take(tmp_path, 1), read_take(tmp_path / "b")], [one])


def test_json_and_page_hold_the_same(tmp_path: Path) -> None:
    """The documented fields are there, can be written as JSON, and the page has a line for each take."""
    takes = [a_take(tmp_path, 1), a_take(tmp_path, 2, lambda t: t // 1000), a_take(tmp_path, 3)]
    comparisons = compare_takes(takes)
    rows = [json.loads(json.dumps(one.to_dict())) for one in comparisons]
    assert set(rows[0]) == {
        "take", "against", "sits", "limit_ms", "measured_from", "start_offset_ms", "drift_ms", "tempo",
        "worst", "move_ms", "left_ms", "bars", "cues", "notes",
    }  # fmt: skip
    assert rows[0]["bars"][0] == {
        "bar": 0,
        "song": None,
        "round": 1,
        "offset_ms": pytest.approx(0.02),
    }
    page = compare_page(takes, comparisons)
    assert page.count("bass overdub, take 2") > 1 and page.count("bass overdub, take 3") > 1
    assert "They do not sit together" in page


def test_the_text_fits_a_terminal(tmp_path: Path) -> None:
    """No line is longer than 80 columns."""
    comparisons = compare_takes([a_take(tmp_path, 1), a_take(tmp_path, 2, lambda t: t // 1000)])
    assert max(map(len, compare_text(comparisons).splitlines())) <= 80
