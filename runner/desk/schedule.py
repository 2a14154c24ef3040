"""What is due by the clock on the wall. No clock is read here: each look is given the time.

The rules, for a clock that is set on or back, a computer that boots in 1970 and asks the network for the
time, a time zone that changes, and daylight saving:

1.  A time of day is due once on each of its local dates, whatever the clock does. Which dates are done is
    kept, and carried over to the next desk and the next start.
2.  A time of day that daylight saving skips is due at the same moment as if it had not been skipped (02:30
    is 03:30); one that comes twice is due the first time (RFC 5545, section 3.3.5).
3.  When the clock is set on by up to three hours, what lies between is due at once; by more, it is a
    correction, and what lies between is not due (both as cron(8) of Debian has it). What is set back
    repeats nothing. A change of the computer's time zone moves the clock on the wall as setting it does.
4.  Nothing is due by a clock that is not `settled`: see `runner.desk.wall_clock`.
5.  Intervals run by a clock that nobody sets, from the start of the daemon.
6.  Misfire: what comes to be looked at more than `GRACE_S` late (the computer slept, the desk was down) is
    missed, and only told. Coalesce: of several that were missed of one entry, one is told. Never are two
    due at once for one entry.

APScheduler's triggers do the calendar and the intervals. They are asked on time lines of their own: a cron
trigger given a zone with daylight saving returns the hour that comes twice again and again (3.11.3).
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING, Any, cast

from runner.session.model import ScheduleSpec

if TYPE_CHECKING:  # loaded with the first entry: 6 MB that a session without a schedule need not hold
    from apscheduler.triggers.cron import CronTrigger
    from apscheduler.triggers.interval import IntervalTrigger

GRACE_S = 60.0  #: how late something may begin by itself
STEP_S = 1.0  #: what the clock moves more than it should is a step; less is the network's correction
MOST_MADE_UP_S = 3 * 3600.0
DATES_KEPT = 60  #: done dates of an entry that are remembered
_DAY = timedelta(days=1)
_TICK = timedelta(microseconds=1)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Now:
    """One look at the clocks. `lived_ns` counts on through sleep and is never set; `utc` may be.

    `settled` says whether the clock on the wall can be believed; `zone` is what the computer's owner set.
    """

    utc: datetime
    lived_ns: int
    zone: tzinfo
    settled: bool = True


@dataclass(frozen=True, slots=True)
class Due:
    """An entry whose time has come, or has been missed: then it is only to be told. `when` is for people."""

    entry: ScheduleSpec
    when: str
    missed: bool = False
    late_s: float = 0.0

    def __str__(self) -> str:
        return f"{self.when}: {what_of(self.entry)}"


@dataclass(slots=True)
class _AtTime:
    """An entry with a time of day. Its trigger counts local dates and times as if they were UTC."""

    key: str
    entry: ScheduleSpec
    trigger: CronTrigger
    done: dict[str, None] = field(default_factory=dict)
    next_utc: datetime | None = None

    def labels(self, first: datetime, last: datetime) -> list[datetime]:
        """Return its dates with time, as written on the wall, from `first` to `last`."""
        found: list[datetime] = []
        while True:
            label = cast("datetime | None", self.trigger.get_next_fire_time(None, first))
            if label is None or label > last:
                return found
            found.append(label)
            first = label + _TICK

    def moments(self, after: datetime, until: datetime, zone: tzinfo) -> list[tuple[datetime, date]]:
        """Return (moment in UTC, local date) of what is due after one moment and until another."""
        labels = self.labels(_label(after, zone) - _DAY, _label(until, zone) + _DAY)
        both = [(label.replace(tzinfo=zone, fold=0).astimezone(UTC), label.date()) for label in labels]
        return [(moment, day) for moment, day in both if after < moment <= until]

    def is_done(self, day: date) -> bool:
        """Return whether a date's has been due already."""
        return day.isoformat() in self.done

    def set_done(self, day: date) -> None:
        """Note that a date's has been due."""
        self.done[day.isoformat()] = None
        while len(self.done) > DATES_KEPT:
            del self.done[next(iter(self.done))]

    def rearm(self, now: Now) -> None:
        """Work out when it is due next; a week and a day holds at least one of its days."""
        days = itertools.count(2, 7)
        for far in itertools.takewhile(lambda far: far < 2 * 366, days):
            ahead = self.moments(now.utc, now.utc + far * _DAY, now.zone)
            open_ = [moment for moment, day in ahead if not self.is_done(day)]
            if open_:
                self.next_utc = open_[0]
                return
        self.next_utc = None


@dataclass(slots=True)
class _AtInterval:
    """An entry with an interval. Its trigger counts lived time as if it were UTC."""

    key: str
    entry: ScheduleSpec
    trigger: IntervalTrigger
    start_ns: int
    next_ns: int

    def rearm(self, lived_ns: int) -> None:
        """Work out when it is due next, after a moment."""
        moment = self.trigger.get_next_fire_time(None, _lived(lived_ns + 1_000_000))
        self.next_ns = max(lived_ns + 1, round((moment - _EPOCH) / _TICK) * 1000)


class Schedule:
    """The entries of a session's schedule, and which of their times are past.

    `state` is what `to_dict` of an earlier one gave.
    """

    def __init__(
        self, entries: Sequence[ScheduleSpec], now: Now, state: Mapping[str, Any] | None = None
    ) -> None:
        self._times: list[_AtTime] = []
        self._intervals: list[_AtInterval] = []
        self._last: Now | None = None
        self._wake_utc: datetime | None = None
        self._wake_ns: int | None = None
        known = _state_of(state)
        counts: dict[str, int] = {}
        for entry in entries:
            text = f"{entry.every_ns or entry.at} {sorted(entry.days)} {what_of(entry)}"
            counts[text] = counts.get(text, 0) + 1
            key = f"{text} #{counts[text]}" if counts[text] > 1 else text
            if entry.at is not None:
                self._times.append(_AtTime(key, entry, _cron(entry), dict.fromkeys(known.done.get(key, ()))))
            else:
                self._intervals.append(_interval(key, entry, known.starts.get(key, now.lived_ns), now))
        for at in self._times:
            at.rearm(now)
        self._set_wake()

    def __bool__(self) -> bool:
        """Whether there is anything in it."""
        return bool(self._times or self._intervals)

    def look(self, now: Now) -> list[Due]:
        """Return what has become due, or was missed, since the last look."""
        due = self._look_at_intervals(now) if self._wake_ns and now.lived_ns >= self._wake_ns else []
        if not self._times or not now.settled:
            return due
        last, self._last = self._last, now
        lived_s = GRACE_S if last is None else (now.lived_ns - last.lived_ns) / 1e9
        moved_s = 0.0 if last is None else _moved_s(last, now)
        same = last is not None and moved_s == 0.0 and now.zone is last.zone
        if same and self._wake_utc is not None and now.utc < self._wake_utc:
            return due
        made_up_s = moved_s if 0 < moved_s <= MOST_MADE_UP_S else 0.0
        if moved_s > MOST_MADE_UP_S:
            lived_s = max(lived_s, GRACE_S)
        since = now.utc - timedelta(seconds=min(lived_s, 7 * 86_400.0) + made_up_s)
        if last is not None and moved_s == 0.0:
            since = min(since, last.utc)  # nothing may fall through the network's small corrections
        for at in self._times:
            if same and (at.next_utc is None or now.utc < at.next_utc):
                continue
            due += _due_of(at, since, made_up_s, now)
            at.rearm(now)
        self._set_wake()
        return due

    def _look_at_intervals(self, now: Now) -> list[Due]:
        due: list[Due] = []
        weekday = now.utc.astimezone(now.zone).weekday()
        for each in self._intervals:
            if now.lived_ns < each.next_ns:
                continue
            late_s = (now.lived_ns - each.next_ns) / 1e9
            each.rearm(now.lived_ns)
            if weekday in each.entry.days and (now.settled or len(each.entry.days) == 7):
                due.append(Due(each.entry, _every(each.entry), late_s > GRACE_S, late_s))
        self._set_wake()
        return due

    def _set_wake(self) -> None:
        self._wake_utc = min((at.next_utc for at in self._times if at.next_utc), default=None)
        self._wake_ns = min((each.next_ns for each in self._intervals), default=None)

    def upcoming(self, now: Now) -> str:
        """Return what is due next, in words; empty if nothing is."""
        soon = [(at.next_utc, at.entry) for at in self._times if at.next_utc is not None]
        soon += [
            (now.utc + (each.next_ns - now.lived_ns) // 1000 * _TICK, each.entry) for each in self._intervals
        ]
        if not soon:
            return ""
        moment, entry = min(soon, key=lambda each: each[0])
        return f"{moment.astimezone(now.zone):%a %H:%M:%S}: {what_of(entry)}"

    def to_dict(self) -> dict[str, Any]:
        """Return what a schedule that takes over has to know: dates done, and where intervals began."""
        return {
            "done": {at.key: list(at.done) for at in self._times if at.done},
            "starts": {each.key: each.start_ns for each in self._intervals},
        }


def _due_of(at: _AtTime, since: datetime, made_up_s: float, now: Now) -> list[Due]:
    """Return what has become due of one entry, coalesced, and note its dates as done."""
    found = [(moment, day) for moment, day in at.moments(since, now.utc, now.zone) if not at.is_done(day)]
    for _, day in found:
        at.set_done(day)
    if not found:
        return []
    late_s = (now.utc - found[-1][0]).total_seconds() - made_up_s
    return [Due(at.entry, f"{at.entry.at}", late_s > GRACE_S, max(0.0, late_s))]


def what_of(entry: ScheduleSpec) -> str:
    """Return in words what an entry does."""
    if entry.roll is None:
        return {"check": "check the rig", "tidy": "tidy takes away"}[entry.do or "check"]
    return f"roll {entry.roll}" + (f", {entry.takes} takes" if entry.takes > 1 else "")


@dataclass(frozen=True, slots=True)
class _State:
    done: dict[str, list[str]]
    starts: dict[str, int]


def _state_of(state: Mapping[str, Any] | None) -> _State:
    """Return what `to_dict` gave; what makes no sense is left out, for it may come from a torn file."""
    done, starts = ((state or {}).get(name) for name in ("done", "starts"))
    dates = {
        str(key): [text for text in texts if isinstance(text, str)]
        for key, texts in (done.items() if isinstance(done, dict) else ())
        if isinstance(texts, list)
    }
    begun = starts.items() if isinstance(starts, dict) else ()
    return _State(dates, {str(key): ns for key, ns in begun if type(ns) is int and ns >= 0})


def _cron(entry: ScheduleSpec) -> CronTrigger:
    from apscheduler.triggers.cron import CronTrigger

    at = entry.at
    assert at is not None  # the caller's branch; the model has exactly one of at, every
    days = ",".join(str(day) for day in sorted(entry.days))
    return CronTrigger(day_of_week=days, hour=at.hour, minute=at.minute, second=at.second, timezone=UTC)


def _interval(key: str, entry: ScheduleSpec, start_ns: int, now: Now) -> _AtInterval:
    from apscheduler.triggers.interval import IntervalTrigger

    every_ns = entry.every_ns or 0
    start_ns = start_ns if start_ns <= now.lived_ns else now.lived_ns  # of another boot
    first = _lived(start_ns + every_ns)
    trigger = IntervalTrigger(seconds=every_ns / 1e9, start_date=first, timezone=UTC)
    each = _AtInterval(key, entry, trigger, start_ns, 0)
    each.rearm(now.lived_ns)
    return each


def _lived(ns: int) -> datetime:
    return _EPOCH + ns // 1000 * _TICK


def _label(utc: datetime, zone: tzinfo) -> datetime:
    """Return what the clock on the wall shows, as a time that arithmetic and triggers take for UTC."""
    return utc.astimezone(zone).replace(tzinfo=UTC)


def _moved_s(last: Now, now: Now) -> float:
    """Return by how much the clock on the wall was set on between two looks, by hand or with its zone.

    Daylight saving is no such move: the zone stays what it is.
    """
    step_s = (now.utc - last.utc).total_seconds() - (now.lived_ns - last.lived_ns) / 1e9
    step_s = step_s if abs(step_s) > STEP_S else 0.0
    if now.zone is last.zone:
        return step_s
    before, after = (now.utc.astimezone(zone).utcoffset() or timedelta() for zone in (last.zone, now.zone))
    return step_s + (after - before).total_seconds()


def _every(entry: ScheduleSpec) -> str:
    seconds = (entry.every_ns or 0) / 1e9
    for size, unit in ((3600, "h"), (60, "min")):
        if seconds >= size and seconds % size == 0:
            return f"every {seconds / size:g} {unit}"
    return f"every {seconds:g} s"
