"""Local times that daylight saving skips or repeats, against the examples of RFC 5545."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from runner.desk.schedule import Now, Schedule
from runner.session.model import ScheduleSpec


@pytest.mark.parametrize(
    ("at", "day", "moment"),
    [
        # RFC 5545, section 3.3.5 (p. 34): "TZID=America/New_York:20070311T023000 indicates March 11, 2007 at
        # 3:30 A.M. EDT (UTC-04:00)", for 2:30 does not exist on that day
        ("02:30", "2007-03-11", datetime(2007, 3, 11, 7, 30, tzinfo=UTC)),
        # and: "TZID=America/New_York:20071104T013000 indicates November 4, 2007 at 1:30 A.M. EDT
        # (UTC-04:00)", the first of the two
        ("01:30", "2007-11-04", datetime(2007, 11, 4, 5, 30, tzinfo=UTC)),
    ],
)
def test_a_time_that_is_skipped_or_comes_twice_is_due_when_rfc_5545_says(
    at: str, day: str, moment: datetime
) -> None:
    """Once, at that moment, looked at every second from the midnight before to the next."""
    zone = ZoneInfo("America/New_York")
    start = datetime.fromisoformat(day).replace(tzinfo=zone).astimezone(UTC)
    schedule = Schedule([ScheduleSpec.model_validate({"at": at, "roll": "Ropewalk"})], Now(start, 0, zone))
    seen: list[datetime] = []
    for second in range(23 * 3600):
        utc = start + timedelta(seconds=second)
        seen += [utc for _ in schedule.look(Now(utc, second * 10**9, zone))]
    assert seen == [moment]
