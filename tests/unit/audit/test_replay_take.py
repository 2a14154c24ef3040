"""A recorded take followed again: the same decisions to the nanosecond, others with other settings."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from kept_take import kept_take

from runner.audit.replay import Replay, follow_record, replay
from runner.audit.text import audit_take, audit_text
from runner.errors import UsageError
from runner.takes.reader import read_take

SESSION = """
session: Lantern Quay, tape
format: 1
ports:
  tape: {{simulate: master, settings: {{tempo: {tempo}, clocks: 480, lead: 96, {master}}}}}
  box: {{simulate: drum-machine}}
machines:
  deck: {{port: tape, kind: recorder}}
  drums: {{port: box, channel: 10, follows: [clock, transport], relay: straight}}
clock: {{source: beat-clock, port: tape, on-dropout: {{freewheel: 2 beats, then: stop}}}}
songs:
  - song: Fog Signal
    tempo: 120
    meter: 4/4
    length: 4 bars
    lead: 1 s
    pre-roll: 1 bar
    tempo-changes: [{changes}]
order: [Fog Signal]
"""
RAMP = "{at: bar 2, tempo: 120.5, over: 2 bars}"
GONE = f"missing: {list(range(300, 480))}, jitter: 1 ms, without-stop: true"

Keep = Callable[..., Path]


@pytest.fixture
def keep(tmp_path: Path) -> Keep:
    """Roll a take of the session under a master with these settings; return the take's folder."""

    def roll(
        master: str = "jitter: 1 ms", tempo: str = "120", changes: str = "", seconds: float = 16
    ) -> Path:
        text = SESSION.format(tempo=tempo, master=master, changes=changes)
        return kept_take(text, tmp_path, seconds)[0]

    return roll


def texts(result: Replay, kind: str) -> list[str]:
    """The texts of all decisions of a kind."""
    return [decision.text for decision in result.decisions if decision.kind == kind]


MASTERS = {
    "white": ("jitter: 2 ms", "120", ""),
    "missing and doubled": ("missing: [100, 101, 102, 200], doubled: [301], jitter: 1 ms", "120", ""),
    "given up": (GONE + ", sensing: true", "120", ""),
    "continued": ("start-at: 32, jitter: 1 ms", "120", ""),
    "bursts": ("usb-grid: true, burst-every: 50, burst: 30 ms, drift-ppm: 300", "120", ""),
    "late and swaying": ("late-start: 300 ms, wow-depth: 0.01, wow-period: 2 s", "120", ""),
    "never started": ("without-start: true", "120", ""),
    "another tempo": ("jitter: 1 ms", "123.4", ""),
    "a ramp": ("jitter: 1 ms", "120", RAMP),
}


@pytest.mark.parametrize("name", MASTERS)
def test_a_take_followed_again_is_decided_as_it_was(name: str, keep: Keep) -> None:
    """Locks, findings, settling and the prediction of each clock come out as recorded, for every master."""
    master, tempo, changes = MASTERS[name]
    result = replay(read_take(keep(master, tempo, changes)))
    assert result.differences == ()
    assert (result.ticks.differing, result.notes) == (0, ())
    assert result.ticks.compared > 300
    assert len(texts(result, "lock")) >= 2
    assert len(texts(result, "settled")) == 1


def test_two_replays_of_a_take_are_equal(keep: Keep) -> None:
    """A replay is a function of the take and its settings."""
    take = read_take(keep("missing: [50, 77], jitter: 2 ms"))
    assert replay(take) == replay(take)
    assert replay(take, {"lock-limit": "1 ms"}) == replay(take, {"lock-limit": "1 ms"})


def test_findings_stand_where_the_clocks_are_missing(keep: Keep) -> None:
    """Count 100 from a Start at bar 0 of 4/4 is bar 1, 4 clocks in (24 clocks a quarter: MIDI 1.0 p. 30)."""
    result = replay(read_take(keep("missing: [100, 250], jitter: 1 ms")))
    found = [decision for decision in result.decisions if decision.code == "clock-missing"]
    assert [decision.at for decision in found] == ["bar 1 beat 1 1/6", "bar 2 beat 3 5/12"]


def test_a_changed_follower_shows_as_a_difference(keep: Keep) -> None:
    """A recorded lock that today's follower does not come to is named with both sides."""
    folder = keep()
    lines = (folder / "events.jsonl").read_text().splitlines()
    for index, text in enumerate(lines):
        line = json.loads(text)
        if line.get("data", {}).get("lock") == "locked":
            line["t"] += 40_000_000
            lines[index] = json.dumps(line)
    (folder / "events.jsonl").write_text("\n".join(lines) + "\n")
    result = replay(read_take(folder))
    assert not result.same
    assert [(d.side, d.decision.text) for d in result.differences] == [
        ("now", "acquiring -> locked: settled"),
        ("take", "acquiring -> locked: settled"),
    ]


def test_a_moved_arrival_shows_in_the_clocks(keep: Keep) -> None:
    """One arrival changed by 3 ms changes when the clocks after it are predicted, and by less than that."""
    folder = keep()
    lines = (folder / "clock.jsonl").read_text().splitlines()
    index, line = next(
        (i, row) for i, row in enumerate(map(json.loads, lines)) if row["direction"] == "in" and i > 10
    )
    line["times_ns"][12] += 3_000_000
    line["dev_us"][12] += 3_000
    lines[index] = json.dumps(line)
    (folder / "clock.jsonl").write_text("\n".join(lines) + "\n")
    ticks = replay(read_take(folder)).ticks
    assert ticks.differing > 10
    assert 0 < ticks.largest_ns < 3_000_000
    assert ticks.first_at is not None


def test_a_master_that_joins_in_mid_song_is_not_late(keep: Keep) -> None:
    """A lock that was there before the song is no late lock, wherever in the song the master begins."""
    decisions = replay(read_take(keep("start-at: 32, jitter: 1 ms"))).decisions
    assert "clock-late-lock" not in {decision.code for decision in decisions}
    assert [d.at for d in decisions if d.kind == "started"] == ["bar 2 beat 1"]  # 32 sixteenths, 16 a bar


def test_another_freewheel_span_changes_when_the_clock_is_given_up(keep: Keep) -> None:
    """One beat at 120 a minute is 500 ms; the take's own span was two beats."""
    take = read_take(keep(GONE))
    lost = {
        span: next(d.t_ns for d in replay(take, settings).decisions if d.kind == "lost")
        for span, settings in ((1, {"freewheel": "1 beat"}), (2, {}), (3, {"freewheel": "500 ms"}))
    }
    assert lost[2] - lost[1] == pytest.approx(500_000_000, rel=0.01)
    assert lost[3] == pytest.approx(lost[1], abs=5_000_000)


def test_to_carry_on_can_be_tried(keep: Keep) -> None:
    """With then=carry-on the song goes on where the take stopped, and the difference is told."""
    result = replay(read_take(keep(GONE)), {"then": "carry-on"})
    assert any(text.endswith("the song goes on without it") for text in texts(result, "lost"))
    assert "stopped" not in {decision.kind for decision in result.decisions}


def test_all_that_comes_and_goes_with_another_setting_is_told(keep: Keep) -> None:
    """The follower's own reports and the texts of findings count too: no decision of now lacks its place."""
    take = read_take(keep("missing: [100, 101, 102, 200], jitter: 1 ms"))
    result = replay(take, {"freewheel": "50 ms", "then": "carry-on"})
    own = replay(take).decisions
    assert {d.decision for d in result.differences if d.side == "take"} == set(own) - set(result.decisions)
    assert {d.decision for d in result.differences if d.side == "now"} == set(result.decisions) - set(own)
    assert {"lost", "relocked"} <= {d.decision.kind for d in result.differences}
    assert [d.side for d in result.differences if d.decision.code == "clock-jitter"] == ["take", "now"]


def test_what_only_the_song_does_otherwise_is_told(keep: Keep) -> None:
    """With then=carry-on the clock is given up at the same moment, and the song goes on."""
    result = replay(read_take(keep(GONE)), {"then": "carry-on"})
    lost = [
        (d.side, d.decision.text.rpartition(": ")[2]) for d in result.differences if d.decision.kind == "lost"
    ]
    assert lost == [("take", "stop"), ("now", "the song goes on without it")]


def test_a_take_that_today_is_decided_otherwise_still_stands_for_itself(keep: Keep) -> None:
    """With settings, `take` is what the take holds, not what today's follower makes of its settings."""
    folder = keep("missing: [100], jitter: 1 ms")
    events = folder / "events.jsonl"
    events.write_text(events.read_text().replace('"clock-missing"', '"clock-extra"'))
    result = replay(read_take(folder), {"then": "carry-on"})
    assert any("not decided as it was either" in note for note in result.notes)
    told = [(d.side, d.decision.code) for d in result.differences]
    assert told == [("take", "clock-extra"), ("now", "clock-missing")]


def test_clocks_that_are_refused_are_not_predicted_otherwise_by_nothing(keep: Keep) -> None:
    """A refused clock has no prediction: counted apart, with the place of the first of them."""
    ticks = replay(
        read_take(keep("missing: [100, 101, 102], jitter: 1 ms")), {"freewheel": "50 ms", "then": "carry-on"}
    ).ticks
    assert ticks.refused > 300
    assert (ticks.differing, ticks.only_then, ticks.only_now) == (ticks.refused, ticks.refused, 0)
    assert ticks.moved == ticks.largest_ns == 0
    assert ticks.first_at == "bar 1 beat 1 7/24"  # clock 103 from a Start at bar 0


def test_findings_beyond_those_that_are_told_are_counted(keep: Keep, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of each code the watch tells only so many one by one; the list says that it is not all."""
    take = read_take(keep("missing: [100, 150, 200, 250, 300], jitter: 1 ms"))
    monkeypatch.setattr("runner.sync.book.MOST_OF_A_KIND", 3)
    assert "found besides, and not told one by one: 2 more clock-missing" in replay(take).notes


def test_a_stricter_lock_limit_locks_later(keep: Keep) -> None:
    """The tighter the limit, the later the lock; untold of the tempo, later still than told."""
    take = read_take(keep("jitter: 2 ms"))

    def locked_ns(**settings: str) -> int:
        named = {key.replace("_", "-"): text for key, text in settings.items()}
        return next(d.t_ns for d in replay(take, named).decisions if d.text == "acquiring -> locked: settled")

    assert locked_ns() < locked_ns(lock_limit="0.5 ms")
    assert locked_ns() < locked_ns(song_tempo="untold")


@pytest.mark.parametrize(
    ("key", "text", "said"),
    [
        ("freewheel", "4", "has no unit"),
        ("freewheel", "4 betas", "did you mean 'beats'"),
        ("then", "sing", "neither stop nor carry-on"),
        ("lock-limit", "2 beats", "a length of music"),
        ("tempo-limit", "much", "is no number"),
        ("min-tempo", "0", "is not from 1 to 1000"),
        ("min-tempo", "600", "is empty"),
        ("freewheeel", "4 beats", "did you mean freewheel"),
        ("xyz", "1", "it knows freewheel"),
    ],
)
def test_a_bad_setting_says_what_is_wanted(key: str, text: str, said: str, keep: Keep) -> None:
    """Key, value, what is wrong and an example stand in the message."""
    take = read_take(keep(seconds=4))
    with pytest.raises(UsageError, match=said) as caught:
        replay(take, {key: text})
    assert key in str(caught.value)


def test_a_take_whose_record_is_cut_is_replayed_as_far_as_it_goes(keep: Keep) -> None:
    """A take without its end is replayed to its last clock, and the note says so."""
    folder = keep()
    events = (folder / "events.jsonl").read_text().splitlines()
    (folder / "events.jsonl").write_text("\n".join(events[:-6]) + "\n")
    result = replay(read_take(folder))
    assert any("breaks off" in note for note in result.notes)
    assert result.ticks.differing == 0


def test_a_damaged_follow_record_is_named(keep: Keep) -> None:
    """A follow record without its policy gives a message, no traceback."""
    folder = keep(seconds=4)
    text = (folder / "events.jsonl").read_text()
    (folder / "events.jsonl").write_text(text.replace('"freewheel_clocks"', '"freewheel_beats"'))
    with pytest.raises(UsageError, match="freewheel_beats"):
        follow_record(read_take(folder))


def test_the_audit_tells_how_the_follower_settled(keep: Keep) -> None:
    """role, source, expected, received, missing, tempo and the settling report stand in the summary."""
    summary = audit_take(read_take(keep("missing: [100, 200], jitter: 1 ms")))
    clock = summary["clock"]
    assert (clock["role"], clock["source"]) == ("follower", "tape")
    # Start is at the end of 96 clocks of lead; of the song's 480 clocks two never came
    assert (clock["expected"], clock["received"], clock["missing"], clock["extra"]) == (576, 574, 2, 0)
    assert clock["sent"] == 576
    assert clock["tempo"]["measured"] == pytest.approx(120, rel=5e-4)
    assert clock["locked_after_beats"] == pytest.approx(clock["settling"]["locked_after_beats"], abs=1e-3)
    assert clock["settling"]["enough"] is True
    box = next(port for port in clock["ports"] if port["port"] == "box")
    assert (box["expected"], box["missing"], box["extra"]) == (480, 0, 0)
    assert "the follower locked after" in audit_text(summary)
    missing = [finding for finding in summary["findings"] if finding["code"] == "clock-missing"]
    assert [(finding["count"], finding["machine"]) for finding in missing] == [(2, "deck")]
    assert [place["at"] for place in missing[0]["evidence"]["places"]] == [
        "bar 1 beat 1 1/6",
        "bar 2 beat 1 1/3",
    ]


def test_a_recommended_lead_grows_with_the_jitter(keep: Keep) -> None:
    """At a jitter that takes beats to see through, the audit says how many beats of lead are enough."""
    summary = audit_take(read_take(keep("jitter: 9 ms")))
    settling = summary["clock"]["settling"]
    assert settling["beats_needed"] >= 3
    assert f"{settling['beats_needed']} beats" in settling["text"]
