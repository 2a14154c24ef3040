"""Transport following by MIDI 1.0 (Detailed Specification 4.2.1, pp. 27-32), dropouts, hostile input."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.sync import (
    EventKind,
    Follower,
    FollowerConfig,
    LockState,
    SteadyPrior,
    TickVerdict,
    Transport,
)

T = 20_000_000  # 125 BPM


def _follower(**settings_: object) -> Follower:
    return Follower(FollowerConfig(**settings_), SteadyPrior(125.0))  # type: ignore[arg-type]


def _clocks(follower: Follower, count: int, begin: int, interval: int = T) -> int:
    for index in range(count):
        follower.clock(begin + index * interval)
    return begin + count * interval


def _kinds(follower: Follower) -> list[EventKind]:
    return [event.kind for event in follower.events() if event.kind is not EventKind.STATE]


def test_the_first_clock_after_start_is_the_downbeat() -> None:
    """After Start nothing moves until the next clock, and that clock is count 0 (MIDI 1.0 p. 30)."""
    follower = _follower()
    now = _clocks(follower, 48, T)
    follower.start(now - T // 2)
    assert follower.transport is Transport.STARTING
    assert (follower.next_count, follower.count_at(now - 1)) == (0, 0.0)
    assert follower.clock(now).clocks == 0
    assert follower.clock(now + T).clocks == 1


def test_position_4_continue_and_3_clocks_play_from_clock_27() -> None:
    """The worked example of MIDI 1.0 pp. 28-29: SPP 4, Continue, 3 clocks while locating: play from 27."""
    follower = _follower()
    follower.position(4, 0)
    follower.continue_(1_000_000)
    _clocks(follower, 3, 2_000_000)
    assert follower.next_count == 27


def test_start_is_position_zero_and_continue() -> None:
    """Start equals SPP 0 then Continue (MIDI 1.0 p. 28)."""
    one, other = _follower(), _follower()
    for follower in (one, other):
        follower.position(100, 0)
    one.start(1)
    other.position(0, 1)
    other.continue_(2)
    for follower in (one, other):
        _clocks(follower, 10, 10**6)
    assert one.next_count == other.next_count == 10


def test_stop_keeps_the_position_and_clock_while_stopped_does_not_move_it() -> None:
    """After Stop clocks serve tempo only; Continue resumes where it stopped (MIDI 1.0 pp. 30-31)."""
    follower = _follower()
    follower.start(0)
    now = _clocks(follower, 100, T)
    follower.stop(now - T // 2)
    idle = [follower.clock(now + k * T) for k in range(50)]
    assert all(tick.verdict is TickVerdict.IDLE and tick.clocks is None for tick in idle)
    assert follower.state is LockState.LOCKED
    assert follower.next_count == 100
    now += 50 * T
    follower.continue_(now - T // 2)
    assert follower.clock(now).clocks == 100


def test_redundant_messages_are_ignored_and_reported() -> None:
    """Start and Continue while playing and Stop while stopped change nothing (MIDI 1.0 p. 32)."""
    follower = _follower()
    follower.stop(0)
    follower.start(1)
    now = _clocks(follower, 30, T)
    follower.start(now - 3)
    follower.continue_(now - 2)
    assert follower.clock(now).clocks == 30
    assert _kinds(follower).count(EventKind.REDUNDANT) == 3


def test_a_position_while_playing_is_refused() -> None:
    """Song Position Pointer may be sent only when not playing (MIDI 1.0 p. 27): reported, not obeyed."""
    follower = _follower()
    follower.start(0)
    now = _clocks(follower, 30, T)
    follower.position(0, now - 1)
    assert follower.clock(now).clocks == 30
    assert EventKind.POSITION_REFUSED in _kinds(follower)


@pytest.mark.parametrize("beats", [-1, 16384])
def test_a_position_outside_14_bits_is_refused(beats: int) -> None:
    """A song position has 14 bits; the last is 16383, which is clock 98298 (MIDI 1.0 p. 27)."""
    follower = _follower()
    follower.position(16383, 0)
    follower.position(beats, 1)
    assert follower.next_count == 98298


def test_a_clock_right_after_start_is_taken() -> None:
    """A receiver should cope with a clock that follows Start at once (MIDI 1.0 p. 30)."""
    follower = _follower()
    now = _clocks(follower, 24, T)
    follower.start(now)
    assert follower.clock(now).clocks == 0


def test_a_master_that_begins_its_clock_anew_keeps_the_tempo() -> None:
    """A start point off the grid of the lead takes its own phase; the tempo carries over."""
    follower = _follower()
    now = _clocks(follower, 96, T)
    follower.start(now)
    now += 7_300_000
    follower.clock(now)
    assert follower.time_of(48) == pytest.approx(now + 48 * T, abs=20_000)
    assert _kinds(follower) == [EventKind.STARTED]


def test_the_downbeat_is_predicted_between_start_and_first_clock() -> None:
    """Locked on the lead, Start is enough to know when bar 1 and what follows will be."""
    follower = _follower()
    now = _clocks(follower, 96, T)
    assert follower.time_of(0) is None
    follower.start(now - T + 2_000_000)
    assert follower.time_of(0) == pytest.approx(now, abs=1000)
    assert follower.time_of(24) == pytest.approx(now + 24 * T, abs=1000)


def test_one_clock_is_enough_when_the_tempo_is_told() -> None:
    """With the song's tempo, the first clock predicts the others; without, two are needed."""
    told, blind = _follower(), Follower()
    for follower in (told, blind):
        follower.start(0)
        follower.clock(T)
    assert told.time_of(24) == 25 * T
    assert blind.time_of(24) is None
    blind.clock(2 * T)
    assert blind.time_of(24) == pytest.approx(25 * T, abs=1000)


def test_count_and_time_are_inverse() -> None:
    """`count_at(time_of(n))` is n, between clocks and ahead of them."""
    follower = _follower()
    follower.start(0)
    _clocks(follower, 60, T)
    for count in (0.0, 12.25, 59.5, 300.0):
        moment = follower.time_of(count)
        assert moment is not None
        assert follower.count_at(moment) == pytest.approx(count, abs=1e-5)


def test_a_short_dropout_is_freewheeled_and_counted() -> None:
    """20 clocks of silence: freewheeling, then locked again with the count right and no jump in time."""
    follower = _follower()
    follower.start(0)
    now = _clocks(follower, 100, T)
    expected = follower.time_of(200)
    deadline = follower.next_deadline_ns()
    assert deadline is not None
    follower.advance(deadline)
    assert follower.state is LockState.FREEWHEELING
    assert follower.count_at(now + 9 * T) == pytest.approx(109, abs=0.01)
    assert follower.clock(now + 20 * T).clocks == 120
    assert follower.state is LockState.LOCKED
    assert follower.time_of(200) == pytest.approx(expected, abs=1000)
    assert _kinds(follower) == [EventKind.STARTED, EventKind.DROPOUT, EventKind.MISSING, EventKind.RELOCKED]


def test_a_long_dropout_stops_where_prediction_says() -> None:
    """When the freewheel span is over, policy `stop` stops the transport and keeps the position reached."""
    follower = _follower(freewheel_clocks=24)
    follower.start(0)
    now = _clocks(follower, 100, T)
    follower.advance(now + 100 * T)
    assert (follower.state, follower.transport) == (LockState.LOST, Transport.STOPPED)
    assert follower.next_count == pytest.approx(124, abs=1)
    assert EventKind.LOST in _kinds(follower)
    follower.clock(now + 101 * T)
    assert follower.state is LockState.ACQUIRING
    assert follower.transport is Transport.STOPPED


def test_carry_on_goes_on_as_master_until_the_next_start() -> None:
    """Policy `carry-on`: time goes on by prediction, returning clocks are refused, Start begins anew."""
    follower = _follower(freewheel_clocks=24, on_dropout="carry-on")
    follower.start(0)
    now = _clocks(follower, 100, T)
    follower.advance(now + 60 * T)
    assert follower.carrying_on
    assert follower.count_at(now + 300 * T) == pytest.approx(400, abs=0.1)
    assert follower.clock(now + 301 * T).verdict is TickVerdict.REFUSED
    follower.start(now + 310 * T)
    assert follower.clock(now + 311 * T).clocks == 0
    assert not follower.carrying_on


def test_a_fixed_freewheel_time_is_kept() -> None:
    """`freewheel_ns` sets the span in time, whatever the tempo."""
    follower = _follower(freewheel_ns=300_000_000)
    follower.start(0)
    last = _clocks(follower, 100, T) - T
    follower.advance(last + 300_000_000)
    assert follower.state is LockState.FREEWHEELING
    follower.advance(last + 300_000_000 + 3 * T // 2)  # the clock after the span may itself be late
    assert follower.state is LockState.LOST


def test_a_clock_that_rests_while_stopped_is_silence_not_loss() -> None:
    """With the transport stopped the end of the clock is no fault."""
    follower = _follower()
    now = _clocks(follower, 100, T)
    follower.advance(now + 100 * T)
    assert follower.state is LockState.SILENT
    assert EventKind.LOST not in _kinds(follower)


def test_a_master_that_rests_between_start_and_its_first_clock_is_waited_for() -> None:
    """Clock, Start, two seconds of nothing, then clock: the first of them is still the downbeat."""
    follower = _follower()
    now = _clocks(follower, 100, T)
    follower.start(now)
    follower.advance(now + 2 * 10**9)
    assert follower.transport is Transport.STARTING
    assert follower.clock(now + 2 * 10**9).clocks == 0


def test_another_song_begins_with_its_own_tempo() -> None:
    """After `set_prior` the first clock of the next song predicts by the next song's map."""
    follower = _follower()
    follower.start(0)
    now = _clocks(follower, 50, T)
    follower.stop(now)
    follower.set_prior(SteadyPrior(60.0))
    follower.start(now + 10**9)
    begin = now + 2 * 10**9
    follower.clock(begin)
    assert follower.time_of(24) == begin + 10**9
    follower.reset(begin + 1)
    assert (follower.state, follower.transport) == (LockState.SILENT, Transport.STOPPED)
    assert follower.next_count == 0


def test_the_rate_is_above_one_for_a_fast_master() -> None:
    """A master 1 % fast shows rate 1.01 and the tempo it has."""
    follower = _follower()
    _clocks(follower, 200, 0, round(T / 1.01))
    assert follower.rate == pytest.approx(1.01, abs=1e-4)
    assert follower.bpm == pytest.approx(126.25, abs=0.02)
    assert Follower().rate is None


@pytest.mark.parametrize(
    "settings_", [{"min_bpm": 0.0}, {"freewheel_clocks": 0}, {"freewheel_ns": 0}, {"lock_limit_ns": 0}]
)
def test_senseless_settings_are_refused(settings_: dict[str, int]) -> None:
    """Settings that cannot work raise at once."""
    with pytest.raises(ValueError, match=r"must be above 0|is empty"):
        FollowerConfig(**settings_)  # type: ignore[arg-type]


def test_ten_thousand_clocks_a_second_are_refused_with_a_reason() -> None:
    """Clocks at 10 kHz: most are refused, with few reports, and a real clock is followed again afterwards."""
    follower = _follower()
    now = 10**9
    reports = []
    for index in range(50_000):
        follower.clock(now)
        now += 100_000
        if index % 500 == 499:
            reports += [event for event in follower.events() if event.kind is EventKind.REFUSED]
    assert reports
    assert len(reports) < 50
    assert sum(event.size for event in reports) > 30_000
    assert all(event.text for event in reports)
    follower.start(now + 10**9)
    _clocks(follower, 200, now + 2 * 10**9)
    assert follower.state is LockState.LOCKED
    assert follower.next_count == 200


def test_time_that_goes_backward_is_refused_then_accepted_as_new() -> None:
    """A few stamps from the past are refused; if they keep coming, the estimate begins anew from them."""
    follower = _follower()
    _clocks(follower, 100, 10**12)
    verdicts = [follower.clock(10**9 + k * T).verdict for k in range(60)]
    assert verdicts[:7] == [TickVerdict.REFUSED] * 7
    assert TickVerdict.REFUSED not in verdicts[8:]
    assert follower.state is LockState.LOCKED


def test_stamps_beyond_any_clock_are_refused() -> None:
    """Time stamps far out of range neither raise nor disturb."""
    follower = _follower()
    _clocks(follower, 50, 0)
    for stamp in (10**400, -(10**400), 1 << 70):
        assert follower.clock(stamp).verdict is TickVerdict.REFUSED
    assert follower.clock(50 * T).verdict is TickVerdict.IDLE


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32), st.booleans(), st.sampled_from(["stop", "carry-on"]))
def test_no_sequence_of_calls_raises(seed: int, told: bool, policy: str) -> None:
    """Whatever comes in, in whatever order and at whatever times, nothing raises and memory is bounded."""
    source = random.Random(seed)
    config = FollowerConfig(on_dropout=policy)  # type: ignore[arg-type]
    follower = Follower(config, SteadyPrior(125.0) if told else None)
    now = 10**10
    for _ in range(400):
        now += source.choice((0, 1, 300_000, T, T, T, T, 2 * T, 5 * T, 100 * T, -T // 2, -10 * T))
        call = source.random()
        if call < 0.85:
            follower.clock(now)
        elif call < 0.88:
            follower.start(now)
        elif call < 0.91:
            follower.continue_(now)
        elif call < 0.93:
            follower.stop(now)
        elif call < 0.95:
            follower.position(source.randrange(-5, 20000), now)
        elif call < 0.97:
            follower.advance(now + source.randrange(-(10**9), 10**10))
        follower.time_of(source.uniform(-100, 10_000))
        follower.count_at(now)
        follower.clock_ahead(3)
        assert follower.jitter_ns > 0
    assert len(follower.events()) <= 1025


def test_undrained_reports_are_bounded_and_counted() -> None:
    """Reports that nobody fetches are dropped, oldest first, and how many is said."""
    follower = _follower()
    for k in range(3000):
        follower.stop(k)
    reports = follower.events()
    assert len(reports) == 1025
    assert "1976 older reports were dropped" in reports[0].text
