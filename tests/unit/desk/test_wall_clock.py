"""The computer's own clock: whether it can be believed, and in which zone it is read."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from runner.desk.wall_clock import (
    LOOK_AT_ZONE_EVERY_NS,
    WallClock,
    clock_trouble,
    lived_ns,
    read_zone,
    synchronised,
)

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
ZONES = Path("/usr/share/zoneinfo")
needs_zones = pytest.mark.skipif(
    not (ZONES / "Europe/Berlin").exists(), reason="the system has no zone files"
)


def test_a_clock_in_the_past_is_not_believed_and_the_remedy_is_said() -> None:
    """1970 is what a computer without a clock battery begins with."""
    clock = WallClock(lambda: datetime(1970, 1, 1, tzinfo=UTC), lambda: 10**15, lambda: True)
    assert not clock.now().settled
    assert "1970-01-01" in clock_trouble(datetime(1970, 1, 1, tzinfo=UTC), True)
    assert clock_trouble(NOON, True) == ""
    assert clock_trouble(NOON, None) == ""
    assert "not synchronised" in clock_trouble(NOON, False)


def test_after_power_on_the_network_is_waited_for_and_not_for_ever() -> None:
    """A stage may have no network: after a minute and a half the clock is taken for what it shows."""
    lived = [20_000_000_000]
    clock = WallClock(lambda: NOON, lambda: lived[0], lambda: False)
    assert not clock.now().settled
    lived[0] = 89_000_000_000
    assert not clock.now().settled
    lived[0] = 90_000_000_000
    assert clock.now().settled


@pytest.mark.parametrize("says", [True, None])
def test_a_clock_that_is_synchronised_or_does_not_say_is_believed_at_once(says: bool | None) -> None:
    """There is nothing to wait for."""
    assert WallClock(lambda: NOON, lambda: 5_000_000_000, lambda: says).now().settled


@needs_zones
def test_another_zone_is_noticed_and_the_same_one_is_the_same_object(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The link is changed as timedatectl does it; a daemon need not be started again."""
    monkeypatch.delenv("TZ", raising=False)
    link = tmp_path / "localtime"
    link.symlink_to(ZONES / "Europe/Berlin")
    lived = [10**12]
    clock = WallClock(lambda: NOON, lambda: lived[0], lambda: True, localtime=link)
    first = clock.now().zone
    assert NOON.astimezone(first).utcoffset() == timedelta(hours=1)
    lived[0] += LOOK_AT_ZONE_EVERY_NS
    assert clock.now().zone is first
    link.unlink()
    link.symlink_to(ZONES / "America/New_York")
    lived[0] += LOOK_AT_ZONE_EVERY_NS
    assert NOON.astimezone(clock.now().zone).utcoffset() == timedelta(hours=-5)


@needs_zones
def test_the_zone_is_that_of_tz_or_of_localtime_or_utc(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A TZ or a file that makes no sense stops nothing (tzset(3): TZ may begin with a colon)."""
    link = tmp_path / "localtime"
    link.symlink_to(ZONES / "Europe/Berlin")
    hours = {
        ":Asia/Tokyo": 9, "America/New_York": -5, "": 1, "Nowhere/Atall": 1, "/../etc": 1,
    }  # fmt: skip
    for name, offset in hours.items():
        monkeypatch.setenv("TZ", name)
        assert NOON.astimezone(read_zone(link)).utcoffset() == timedelta(hours=offset), name
    monkeypatch.delenv("TZ")
    (tmp_path / "torn").write_bytes(b"TZif2")
    assert read_zone(tmp_path / "torn") is UTC
    assert read_zone(tmp_path / "missing") is UTC


def test_lived_time_goes_on_and_the_system_says_whether_it_is_synchronised() -> None:
    """The real calls: no value of theirs can be known here, only their kind and direction."""
    first = lived_ns()
    assert lived_ns() >= first >= time.monotonic_ns() - 10**9
    assert synchronised() in (True, False, None)
