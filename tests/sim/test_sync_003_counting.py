"""003: clocks missing and too many, two sources on one port, our own clock coming back."""

from __future__ import annotations

import random

import pytest

from runner.ports.masters import CLOCK, ClockMaster, Jitter, MasterScript, feed, merged
from runner.sync import EventKind, Finding, Follower, SteadyPrior
from runner.sync.findings import Code
from runner.sync.listener import ClockListener

T = 20_000_000
SPACING = 40


def _found(follower: Follower, kind: EventKind) -> list[tuple[int | None, float]]:
    return [(event.clocks, event.size) for event in follower.events() if event.kind is kind]


def _assert_missing(trials: int, sigma_ns: float, seed: int, *, told: bool) -> None:
    """One long run with a clock missing about every 40: each is found at its place, and nothing else is."""
    source = random.Random(seed)
    follower = Follower(prior=SteadyPrior(125.0) if told else None)
    follower.start(0)
    expected, found = [], []
    gone = 96
    for count in range(96 + SPACING * (trials + 1)):
        if count == gone and len(expected) < trials:
            expected.append((count, 1.0))
            gone += SPACING + source.randrange(-8, 8)
            continue
        follower.clock(round(10**9 + count * T + source.gauss(0, sigma_ns)))
        if count % 1000 == 0:
            found += _found(follower, EventKind.MISSING)
    found += _found(follower, EventKind.MISSING)
    assert len(expected) == trials
    assert found == expected
    assert follower.next_count == 96 + SPACING * (trials + 1)


@pytest.mark.parametrize("sigma_ms", [0.1, 1.0, 2.0])
@pytest.mark.parametrize("told", [True, False])
def test_every_missing_clock_is_found_at_its_place(sigma_ms: float, told: bool) -> None:
    """Up to 2 ms of jitter, every single missing clock is found with its position (150 trials)."""
    _assert_missing(150, sigma_ms * 1e6, 31, told=told)


@pytest.mark.campaign
@pytest.mark.timeout(600)
@pytest.mark.parametrize(("seed", "told"), [(32, True), (90_417, True), (271_828, False)])
@pytest.mark.parametrize("sigma_ms", [0.3, 1.0, 2.0])
def test_every_missing_clock_is_found_at_its_place_in_10000_trials(
    sigma_ms: float, seed: int, told: bool
) -> None:
    """The same in 10,000 trials."""
    _assert_missing(10_000, sigma_ms * 1e6, seed, told=told)


def _assert_doubled(trials: int, sigma_ns: float, seed: int) -> None:
    source = random.Random(seed)
    follower = Follower(prior=SteadyPrior(125.0))
    follower.start(0)
    expected, found = 0, []
    for count in range(96 + SPACING * (trials + 1)):
        arrival = round(10**9 + count * T + source.gauss(0, sigma_ns))
        follower.clock(arrival)
        if count >= 96 and count % SPACING == 0 and expected < trials:
            expected += 1
            follower.clock(arrival + source.randrange(300_000, 6_000_000))
        if count % 1000 == 0:
            found += _found(follower, EventKind.EXTRA)
    found += _found(follower, EventKind.EXTRA)
    assert len(found) == expected == trials
    # the clock behind a doubled one is 40 k + 1; jitter may hide which clock it was by one
    assert all(clocks is not None and clocks % SPACING in (0, 1, 2) for clocks, _ in found)
    assert follower.next_count == 96 + SPACING * (trials + 1)


@pytest.mark.parametrize("sigma_ms", [0.1, 1.0, 2.0])
def test_every_doubled_clock_is_found(sigma_ms: float) -> None:
    """A clock sent twice, 0.3 to 6 ms apart, is found and not counted (150 trials)."""
    _assert_doubled(150, sigma_ms * 1e6, 33)


@pytest.mark.campaign
@pytest.mark.timeout(600)
@pytest.mark.parametrize("seed", [34, 90_417])
@pytest.mark.parametrize("sigma_ms", [0.3, 1.0, 2.0])
def test_every_doubled_clock_is_found_in_10000_trials(sigma_ms: float, seed: int) -> None:
    """The same in 10,000 trials."""
    _assert_doubled(10_000, sigma_ms * 1e6, seed)


def _second_source(phase_ns: int, bpm: float, sigma_ns: float, seed: int, late_ns: int) -> list[Finding]:
    """A second machine begins `late_ns` into the song; return the findings of the next two beats."""
    song = MasterScript(
        tempo=SteadyPrior(125.0), clocks=late_ns // T + 200, jitter=Jitter(sigma_ns), seed=seed
    )
    second = MasterScript(
        tempo=SteadyPrior(bpm), clocks=300, jitter=Jitter(sigma_ns), seed=seed + 1, without_start=True,
        without_stop=True, begin_ns=song.begin_ns + late_ns + phase_ns,
    )  # fmt: skip
    listener = ClockListener(prior=SteadyPrior(125.0))
    until = second.begin_ns + 48 * T
    for t_ns, data in merged(ClockMaster(song).stream(), ClockMaster(second).stream()):
        if t_ns > until:
            break
        feed(listener, t_ns, data)
    return listener.findings()


@pytest.mark.parametrize("phase", [0.1, 0.3, 0.5, 0.8])
@pytest.mark.parametrize("bpm", [125.0, 124.3, 126.5])
def test_a_second_source_is_found_within_two_beats(phase: float, bpm: float) -> None:
    """Two clocks on one port are found within two beats of the second one's first, at any phase (4 seeds)."""
    for seed in range(4):
        findings = _second_source(round(phase * T), bpm, 1e6, seed * 10 + 35, 200 * T)
        assert Code.MERGED in [finding.code for finding in findings], f"seed {seed}"


@pytest.mark.parametrize("bpm", [62.4, 71.0, 180.0])
def test_a_second_source_of_quite_another_tempo_is_found(bpm: float) -> None:
    """A second clock at half the tempo, or half as fast again, is not taken for a change of tempo."""
    for seed in range(3):
        findings = _second_source(round(0.53 * T), bpm, 2e6, seed * 10 + 36, 200 * T)
        assert Code.MERGED in [finding.code for finding in findings], f"seed {seed}"


@pytest.mark.campaign
@pytest.mark.timeout(900)
@pytest.mark.parametrize("sigma_ms", [0.3, 1.0, 2.0])
def test_every_second_source_is_found_within_two_beats(sigma_ms: float) -> None:
    """At any phase and moment, of the same tempo or from 60 to 200 BPM: 300 second sources, all found."""
    source = random.Random(90_417)
    for trial in range(300):
        bpm = (125.0, source.uniform(123, 127), source.uniform(60, 200))[trial % 3]
        phase, late = source.randrange(T), source.randrange(100, 300) * T
        findings = _second_source(phase, bpm, sigma_ms * 1e6, 10 * trial, late)
        found = [finding.code for finding in findings]
        assert Code.MERGED in found, f"trial {trial}: {bpm:.1f} BPM at {phase / T:.2f}: {found}"


@pytest.mark.parametrize("phase", [0.25, 0.5])
def test_two_sources_from_the_beginning_are_found(phase: float) -> None:
    """Two clocks mixed from the first on are found within two beats when the song's tempo is told."""
    findings = _second_source(round(phase * T), 125.0, 1e6, 41, 0)
    assert Code.MERGED in [finding.code for finding in findings]


def _assert_loop(lag_ns: float, sigma_ns: float, seed: int, begin: int = 150) -> None:
    """What we pass on comes back from the clock `begin` of the song on; it is told within two beats."""
    source = random.Random(seed)
    script = MasterScript(tempo=SteadyPrior(125.0), clocks=begin + 150, jitter=Jitter(sigma_ns), seed=seed)
    stream = list(ClockMaster(script).stream())
    begun = script.begin_ns + begin * T
    echoes = [
        (t_ns + 100_000 + round(lag_ns + source.gauss(0, 50_000)), CLOCK)
        for t_ns, data in stream
        if data == CLOCK and t_ns > begun
    ]
    listener = ClockListener(prior=SteadyPrior(125.0))
    originals = set(stream)
    for t_ns, data in merged(iter(stream), iter(echoes)):
        if t_ns > begun + 48 * T:
            break
        feed(listener, t_ns, data)
        if data == CLOCK and (t_ns, data) in originals:
            listener.sent(t_ns + 100_000)
    codes = [finding.code for finding in listener.findings()]
    place = f"{lag_ns / 1e6:.1f} ms, seed {seed}: {codes}"
    assert Code.LOOP in codes, place
    assert Code.MERGED not in codes, place


@pytest.mark.parametrize("lag_ms", [0.7, 1.5, 5.0])
@pytest.mark.parametrize("sigma_ms", [0.3, 1.0])
def test_our_own_clock_coming_back_is_found_within_two_beats(lag_ms: float, sigma_ms: float) -> None:
    """An echo of the clock that we pass on is told from a second source, within two beats (4 seeds)."""
    for seed in range(4):
        _assert_loop(lag_ms * 1e6, sigma_ms * 1e6, seed)


def test_an_echo_behind_the_masters_next_clock_is_found() -> None:
    """With much jitter the master's next clock may come before the echo of the last: still a loop."""
    for seed in range(6):
        _assert_loop(13.7e6, 2e6, seed)


@pytest.mark.campaign
@pytest.mark.timeout(900)
@pytest.mark.parametrize("sigma_ms", [0.3, 1.0, 2.0])
def test_every_loop_is_found_within_two_beats(sigma_ms: float) -> None:
    """Echoes of 0.3 to 14.5 ms, from any moment on: 300 loops, none taken for a second source."""
    source = random.Random(90_417)
    for trial in range(300):
        _assert_loop(source.uniform(3e5, 14.5e6), sigma_ms * 1e6, trial, source.randrange(60, 250))


def test_clocks_held_back_and_delivered_together_are_not_missing() -> None:
    """A link that stalls 35 ms now and then: the count stays right and nothing is called missing."""
    script = MasterScript(
        tempo=SteadyPrior(125.0), clocks=1536, jitter=Jitter(2e5, burst_every=30, burst_ns=35e6), seed=43
    )
    listener = ClockListener(prior=SteadyPrior(125.0))
    last = 0
    for t_ns, data in ClockMaster(script).stream():
        feed(listener, t_ns, data)
        last = t_ns
    _, figures = listener.close(last)
    codes = {finding.code for finding in listener.findings()}
    assert listener.follower.next_count == 1536
    assert Code.BUNCHED in codes
    assert Code.MISSING not in codes
    assert Code.EXTRA not in codes
    assert figures.kind.value == "bursts"
