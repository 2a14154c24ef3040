"""The schedule: each time of day once on each date, whatever is done to the clock on the wall."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.desk.phases import Do, Mode, Phase
from runner.desk.places import Place
from runner.desk.schedule import GRACE_S, Due, Now, Schedule
from runner.desk.show import Show
from runner.session.model import ScheduleSpec

BERLIN = ZoneInfo("Europe/Berlin")
SECOND = 1_000_000_000
HOUR = timedelta(hours=1)


def entry(**keys: Any) -> ScheduleSpec:
    """Return one entry of a schedule as a session file gives it."""
    return ScheduleSpec.model_validate(keys if {"roll", "do"} & set(keys) else {**keys, "roll": "Ropewalk"})


class World:
    """A computer with its clocks; `turn` looks once after so many seconds that are lived."""

    def __init__(
        self, entries: Sequence[ScheduleSpec], local: str, zone: tzinfo = BERLIN, *, settled: bool = True
    ) -> None:
        self.utc = datetime.fromisoformat(local).replace(tzinfo=zone).astimezone(UTC)
        self.lived_ns = 1_000 * SECOND
        self.zone = zone
        self.settled = settled
        self.schedule = Schedule(entries, self.now())
        self.seen: list[tuple[str, Due]] = []
        self.turn(0)

    def now(self) -> Now:
        """Return what the clocks show."""
        return Now(self.utc, self.lived_ns, self.zone, self.settled)

    @property
    def local(self) -> str:
        """What the clock on the wall shows."""
        return f"{self.utc.astimezone(self.zone):%d %H:%M:%S}"

    def turn(self, seconds: float) -> list[Due]:
        """Live so long, then look."""
        self.utc += timedelta(seconds=seconds)
        self.lived_ns += round(seconds * SECOND)
        due = self.schedule.look(self.now())
        self.seen += [(self.local, each) for each in due]
        return due

    def live(self, span: timedelta, step_s: float = 1.0) -> None:
        """Live on, looking every so often."""
        for _ in range(round(span.total_seconds() / step_s)):
            self.turn(step_s)

    @property
    def rolled(self) -> list[str]:
        """When something was due that was not missed."""
        return [local for local, due in self.seen if not due.missed]

    @property
    def missed(self) -> list[str]:
        """When something was told to be missed."""
        return [local for local, due in self.seen if due.missed]


def test_a_time_of_day_is_due_on_its_days_and_once_on_each() -> None:
    """Monday to Friday at half past seven, for two weeks of a Wednesday (25 November 2026 is one)."""
    world = World([entry(at="19:30", days="mon-fri")], "2026-11-25T12:00:00")
    world.live(timedelta(days=14), step_s=20)
    days = [int(local[:2]) for local in world.rolled]
    assert days == [25, 26, 27, 30, 1, 2, 3, 4, 7, 8]
    assert {local[3:] for local in world.rolled} == {"19:30:00"}


def test_what_is_due_is_due_at_once() -> None:
    """At the first look at or after its time, however often is looked."""
    world = World([entry(at="19:30:15")], "2026-11-25T19:30:14")
    assert [len(world.turn(0.25)) for _ in range(8)] == [0, 0, 0, 1, 0, 0, 0, 0]


TRANSITIONS = [
    # (zone, the evening before): European and American rules of 2026, a half-hour change, one at midnight
    ("Europe/Berlin", "2026-03-28T12:00:00"),
    ("Europe/Berlin", "2026-10-24T12:00:00"),
    ("America/New_York", "2026-03-07T12:00:00"),
    ("America/New_York", "2026-10-31T12:00:00"),
    ("Australia/Lord_Howe", "2026-10-03T12:00:00"),
    ("Australia/Lord_Howe", "2026-04-04T12:00:00"),
    ("Asia/Beirut", "2026-03-28T12:00:00"),
]
ROUND_THE_CLOCK = [f"{hour:02d}:{minute:02d}" for hour in range(24) for minute in (0, 15, 30, 45)]


@pytest.mark.parametrize(("zone", "start"), TRANSITIONS)
def test_a_day_with_a_change_of_daylight_saving_takes_each_take_once(zone: str, start: str) -> None:
    """Entries all round the clock, from noon to noon over the change: each is rolled once, none is missed."""
    world = World([entry(at=at, roll=f"song {at}") for at in ROUND_THE_CLOCK], start, ZoneInfo(zone))
    end = datetime.fromisoformat(start).replace(tzinfo=ZoneInfo(zone)) + timedelta(days=1)
    while world.utc < end.astimezone(UTC) - timedelta(seconds=30):
        world.turn(10)
    counts = Counter(due.entry.roll for _, due in world.seen if not due.missed)
    counts[f"song {ROUND_THE_CLOCK[48]}"] -= (
        0  # noon itself: due as the day begins, its next lies past the end
    )
    assert counts == dict.fromkeys((f"song {at}" for at in ROUND_THE_CLOCK), 1)
    assert world.missed == []


@pytest.mark.parametrize(("zone", "start"), TRANSITIONS[:4])
def test_24_hours_of_takes_over_a_change_of_daylight_saving(zone: str, start: str) -> None:
    """With the show in the loop: takes of three minutes, some in series; each take of each entry once."""
    # what daylight saving skips comes an hour later: apart from that hour's own take by ten minutes
    songs = tuple(f"song {hour:02d}:{hour % 4}0" for hour in range(24))
    entries = [entry(at=name[5:], roll=name, takes=1 + at % 2, gap="20 s") for at, name in enumerate(songs)]
    world = World(entries, start.replace("12:00", "11:59", 1), ZoneInfo(zone))
    show = Show((Place(songs[0]),), songs, Mode.STAY)
    show.begin(0)
    takes: Counter[str] = Counter()
    ends_ns = None
    for _ in range(24 * 3600 // 5):
        for due in world.turn(5):
            outcome, _ = show.begin_series(due.entry.roll or "", due.entry.takes, due.entry.gap_ns)
            assert outcome.done, outcome.text
        show.tick(world.lived_ns)
        if show.phase is Phase.CALLED:
            show.begun()
            takes[show.last_song] += 1
            ends_ns = world.lived_ns + 180 * SECOND
        elif ends_ns is not None and world.lived_ns >= ends_ns:
            ends_ns = None
            show.ended("complete")
            assert Do.LEAVE not in [each.do for each in show.closed("clean", world.lived_ns)]
    expected = Counter({each.roll or "": each.takes for each in entries})
    if start[5:7] == "10":  # 25 hours to the next noon: the last one's take has not come yet
        del expected["song 11:30"]
    else:  # 23 hours: the first one's comes again
        expected["song 12:00"] *= 2
    assert takes == expected


def test_the_clock_set_on_by_an_hour_makes_up_for_what_lies_between() -> None:
    """It is due at once and not missed; later nothing comes again (cron(8), Debian: under 3 hours)."""
    world = World([entry(at="19:30")], "2026-11-25T19:00:00")
    world.utc += HOUR
    assert len(world.turn(1)) == 1
    world.live(timedelta(hours=23), step_s=30)
    assert (world.rolled, world.missed) == (["25 20:00:01"], [])


def test_the_clock_set_back_by_an_hour_repeats_nothing() -> None:
    """Half past seven comes a second time and nothing is due; the next day it is."""
    world = World([entry(at="19:30")], "2026-11-25T19:00:00")
    world.live(HOUR)
    world.utc -= HOUR
    world.live(timedelta(hours=2))
    assert world.rolled == ["25 19:30:00"]
    world.live(timedelta(hours=23), step_s=30)
    assert world.rolled == ["25 19:30:00", "26 19:30:00"]


def test_the_clock_set_back_before_the_time_delays_it() -> None:
    """It is due when the clock on the wall shows it."""
    world = World([entry(at="19:30")], "2026-11-25T19:00:00")
    world.utc -= HOUR
    world.live(timedelta(hours=1, minutes=29, seconds=59))
    assert world.rolled == []
    assert len(world.turn(1)) == 1


def test_a_computer_that_boots_in_1970_waits_for_the_time_and_makes_up_for_nothing() -> None:
    """Half a century lies between; only what has just become due when the time is known is rolled."""
    entries = [entry(at="00:01"), entry(at="19:30"), entry(at="19:20", roll="Net Loft")]
    world = World(entries, "1970-01-01T01:00:00", settled=False)
    world.live(timedelta(seconds=70))
    assert world.seen == []
    world.utc = datetime(2026, 11, 25, 19, 30, 20, tzinfo=BERLIN).astimezone(UTC)
    world.settled = True
    world.turn(1)
    assert [(due.entry.roll, due.missed) for _, due in world.seen] == [("Ropewalk", False)]
    world.live(timedelta(hours=24), step_s=10)
    assert world.rolled == ["25 19:30:21", "26 00:01:01", "26 19:20:01", "26 19:30:01"]


def test_a_clock_that_goes_on_a_day_or_more_too_late_is_corrected_without_a_take() -> None:
    """A step of more than three hours is a correction: what lies between is not due (cron(8), Debian)."""
    world = World([entry(at="19:30")], "2026-11-25T09:00:00")
    world.turn(1)
    world.utc += 11 * HOUR
    world.live(HOUR, step_s=10)
    assert world.seen == []
    world.live(timedelta(hours=24), step_s=10)
    assert len(world.rolled) == 1


def test_a_computer_that_slept_over_a_time_tells_that_it_was_missed() -> None:
    """Nobody waits any more; the take is not rolled by surprise."""
    world = World([entry(at="19:30")], "2026-11-25T19:00:00")
    world.turn(2 * 3600)
    assert (world.rolled, world.missed) == ([], ["25 21:00:00"])
    world.turn(24 * 3600 - 5400 + 30)
    assert world.rolled == ["26 19:30:30"]


def test_several_dates_that_were_missed_are_told_once() -> None:
    """Coalesced: three days of sleep are one line."""
    world = World([entry(at="19:30")], "2026-11-25T12:00:00")
    assert [due.missed for due in world.turn(3 * 86_400)] == [True]
    assert world.turn(1) == []


def test_within_its_grace_what_is_late_is_still_due() -> None:
    """The desk may compile a long song for a while; a second more and it is missed."""
    for late_s, missed in ((GRACE_S, False), (GRACE_S + 1, True)):
        world = World([entry(at="19:30")], "2026-11-25T19:29:00")
        due = world.turn(60 + late_s)
        assert [(each.missed, round(each.late_s)) for each in due] == [(missed, late_s)]


def test_a_zone_that_is_set_right_makes_up_like_a_clock_that_is_set_on() -> None:
    """From UTC to Berlin at 18:45 UTC, 19:45 on the wall: 19:30 is due once, not again in UTC's evening."""
    world = World([entry(at="19:30")], "2026-11-25T18:30:00", UTC)
    world.live(timedelta(minutes=15))
    world.zone = BERLIN
    world.live(timedelta(hours=3))
    assert world.rolled == ["25 19:45:01"]
    world.zone = UTC
    world.live(timedelta(hours=3))
    assert len(world.rolled) == 1


def test_a_journey_to_the_west_repeats_no_date() -> None:
    """Half past seven in Berlin was rolled; half past seven in New York on the same date is not."""
    world = World([entry(at="19:30")], "2026-11-25T19:00:00")
    world.live(HOUR, step_s=10)
    world.zone = ZoneInfo("America/New_York")
    world.live(timedelta(hours=12), step_s=10)
    assert world.rolled == ["25 19:30:00"]
    world.live(timedelta(hours=24), step_s=10)
    assert world.rolled == ["25 19:30:00", "26 19:30:00"]


@settings(deadline=None, max_examples=15)
@given(
    st.lists(
        st.tuples(
            st.floats(0.05, 3000.0),
            st.sampled_from([0.0] * 12 + [0.3, -0.3, 0.9, -0.9, 3600.0, -3600.0, 1800.0, -1800.0, 10_000.0]),
        ),
        min_size=30,
        max_size=80,
    ),
    st.sampled_from(["2026-03-28T20:00:00", "2026-10-24T20:00:00", "2026-06-01T20:00:00"]),
)
def test_whatever_is_done_to_the_clock_no_date_comes_twice(
    moves: list[tuple[float, float]], start: str
) -> None:
    """Steps of all sizes both ways, over daylight saving: at most one a date for each entry."""
    entries = [entry(at=at, roll=at) for at in ("00:30", "02:00", "02:30", "03:00", "12:00", "20:00")]
    world = World(entries, start)
    done: Counter[tuple[str | None, str]] = Counter()
    for lived_s, step_s in moves:
        world.utc += timedelta(seconds=step_s)
        for due in world.turn(lived_s):
            assert not (due.missed and due.late_s <= GRACE_S)
    state = world.schedule.to_dict()["done"]
    for dates in state.values():
        done.update((None, date) for date in dates)
    for each in entries:
        count = sum(due.entry is each for _, due in world.seen)
        dates_done = [dates for key, dates in state.items() if key.endswith(f"roll {each.roll}")]
        assert count <= len(dates_done[0] if dates_done else [])


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.sampled_from([0.05, 0.5, 1.0, 7.0, 30.0, 59.0]), min_size=5, max_size=20),
    st.lists(st.sampled_from([0.0, 0.3, -0.3, 0.9, -0.9]), min_size=5, max_size=20),
)
def test_the_networks_small_corrections_lose_nothing(steps: list[float], slews: list[float]) -> None:
    """However the clock is corrected by less than a second, half past seven is due once, not missed."""
    world = World([entry(at="19:30")], "2026-11-25T19:25:00")
    turns = 0
    while f"{world.utc.astimezone(BERLIN):%H:%M}" < "19:35":
        world.utc += timedelta(seconds=slews[turns % len(slews)] if turns % 7 == 0 else 0.0)
        world.turn(steps[turns % len(steps)])
        turns += 1
    assert len(world.rolled) == 1
    assert world.missed == []


def test_the_next_desk_knows_what_was_done() -> None:
    """A desk that dies just after the time does not roll it again; one that dies just before rolls it."""
    world = World([entry(at="19:30"), entry(at="19:31", roll="Net Loft")], "2026-11-25T19:29:50")
    world.live(timedelta(seconds=15))
    assert len(world.rolled) == 1
    entries = [entry(at="19:30"), entry(at="19:31", roll="Net Loft")]
    again = Schedule(entries, world.now(), world.schedule.to_dict())
    world.schedule = again
    world.seen = []
    world.live(timedelta(minutes=2))
    assert [due.entry.roll for _, due in world.seen] == ["Net Loft"]


def test_a_computer_that_was_off_at_the_time_for_less_than_the_grace_rolls_it() -> None:
    """Power came back at once: the take is twenty seconds late."""
    world = World([entry(at="19:30")], "2026-11-25T19:30:20")
    assert [(due.missed, due.late_s) for _, due in world.seen] == [(False, 20.0)]


@pytest.mark.parametrize("state", [{}, {"done": 3, "starts": [1]}, {"done": {"x": "y"}, "starts": {"z": -1}}])
def test_a_state_that_makes_no_sense_is_left_out(state: dict[str, Any]) -> None:
    """It may come from a file that was torn."""
    world = World([], "2026-11-25T12:00:00")
    fresh = Schedule([entry(at="19:30"), entry(every="1 h")], world.now(), state)
    assert fresh.to_dict() == {
        "done": {},
        "starts": {"3600000000000 [0, 1, 2, 3, 4, 5, 6] roll Ropewalk": 1000 * SECOND},
    }


def test_an_interval_runs_by_lived_time_whatever_the_clock_shows() -> None:
    """Every hour from the start of the daemon, over a clock that is set on, back and from 1970."""
    world = World([entry(every="1 h", do="check")], "1970-01-01T01:00:00", settled=False)
    world.live(timedelta(minutes=90))
    world.utc = datetime(2026, 11, 25, 12, tzinfo=UTC)
    world.settled = True
    world.live(timedelta(hours=1))
    world.utc -= 2 * HOUR
    world.live(timedelta(hours=1, minutes=31))
    assert len(world.rolled) == 4


def test_an_interval_with_days_keeps_to_them() -> None:
    """On the weekend only: nothing on a Wednesday."""
    world = World([entry(every="1 h", days="sat,sun", do="check")], "2026-11-27T21:30:00")  # a Friday
    world.live(timedelta(hours=6))
    assert world.rolled == ["28 00:30:00", "28 01:30:00", "28 02:30:00", "28 03:30:00"]


def test_an_interval_that_was_slept_over_is_told_once_and_goes_on_in_step() -> None:
    """Three hours of sleep are one line; the next is due on the old beat."""
    world = World([entry(every="1 h", do="tidy")], "2026-11-25T12:00:00")
    assert [due.missed for due in world.turn(3.5 * 3600)] == [True]
    world.live(HOUR)
    assert world.rolled == ["25 16:00:00"]


def test_an_interval_goes_on_in_step_with_the_next_desk() -> None:
    """It counts from the start of the daemon, not from that of the desk."""
    world = World([entry(every="1 h", do="tidy")], "2026-11-25T12:00:00")
    world.live(timedelta(minutes=40))
    world.schedule = Schedule([entry(every="1 h", do="tidy")], world.now(), world.schedule.to_dict())
    world.live(timedelta(minutes=21))
    assert world.rolled == ["25 13:00:00"]


def test_two_entries_that_read_the_same_are_two() -> None:
    """Somebody meant it."""
    world = World([entry(at="19:30"), entry(at="19:30")], "2026-11-25T19:29:59")
    assert len(world.turn(1)) == 2


def test_what_comes_next_is_told_in_local_time() -> None:
    """Day, time and what."""
    world = World([entry(at="19:30", takes=3), entry(every="20 h", do="tidy")], "2026-11-25T20:00:00")
    assert world.schedule.upcoming(world.now()) == "Thu 16:00:00: tidy takes away"
    world.live(timedelta(hours=20))
    assert world.schedule.upcoming(world.now()) == "Thu 19:30:00: roll Ropewalk, 3 takes"
    assert Schedule([], world.now()).upcoming(world.now()) == ""
    assert not Schedule([], world.now())
