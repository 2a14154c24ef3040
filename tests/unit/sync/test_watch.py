"""The clock watch's parts: codes, jitter kinds, sways, echoes, the settling report."""

from __future__ import annotations

import random
from math import pi, sin

import numpy as np
import pytest

from runner.sync import KINDS, ClockListener, Code, EventKind, Finding, SteadyPrior
from runner.sync.jitter import JitterClass, JitterMeter
from runner.sync.pace import PaceMeter
from runner.sync.settling import beats_for_lock, settling_report
from runner.sync.sources import SourceMeter

T = 20_000_000


def test_every_code_has_its_meaning_unit_and_remedy() -> None:
    """The table of kinds covers all codes; only a mismatch of settings, which has no size, has no unit."""
    assert set(KINDS) == set(Code)
    assert all(kind.meaning and kind.remedy for kind in KINDS.values())
    assert {code for code, kind in KINDS.items() if not kind.unit} == {Code.CODE_RATE, Code.CODE_NUMBERS}


def test_codes_are_stable() -> None:
    """Codes are stored in takes: an old one may never change its spelling."""
    assert {
        "clock-missing", "clock-extra", "clock-bunched", "clock-merged", "clock-loop", "clock-tempo",
        "clock-wander", "clock-step", "clock-jump", "clock-jitter", "clock-without-start",
        "start-without-clock", "clock-ended-without-stop", "clock-dropout", "clock-late-lock",
        "active-sensing-lost", "position-while-playing", "transport-redundant", "start-while-playing",
        "clock-refused",
    } <= {code.value for code in Code}  # fmt: skip


def test_a_finding_is_plain_data() -> None:
    """`to_dict` holds all of it, ready for JSON."""
    finding = Finding(Code.MISSING, "error", 5, 17.0, 2.0, "2 clocks are missing", "deck", {"a": 1})
    assert finding.to_dict() == {
        "code": "clock-missing", "severity": "error", "t_ns": 5, "clocks": 17.0, "size": 2.0,
        "unit": "clocks", "text": "2 clocks are missing", "machine": "deck", "evidence": {"a": 1},
    }  # fmt: skip
    assert finding.remedy == KINDS[Code.MISSING].remedy


def test_few_clocks_have_no_kind_of_jitter() -> None:
    """Under 48 clocks the meter does not judge; with none it gives zeros."""
    meter = JitterMeter()
    assert meter.figures().sd_ns == 0.0
    for k in range(40):
        meter.add(k * T + 1000, k * T)
    assert meter.figures().kind is JitterClass.UNKNOWN


def test_the_size_of_the_jitter_is_its_standard_deviation() -> None:
    """The figure is numpy's standard deviation of arrival less due, with the extremes beside it."""
    off = np.random.default_rng(1).normal(0, 3e5, 256).astype(int)
    meter = JitterMeter()
    for k, each in enumerate(off):
        meter.add(k * T + int(each), k * T)
    figures = meter.figures()
    assert figures.sd_ns == pytest.approx(float(np.std(off, ddof=1)))
    assert (figures.earliest_ns, figures.latest_ns) == (off.min(), off.max())


def test_a_whole_millisecond_interval_is_not_mistaken_for_a_usb_grid() -> None:
    """At 125 BPM clocks are due each 20 ms: being on a 1 ms grid then proves nothing."""
    source = random.Random(2)
    meter = JitterMeter()
    for k in range(256):
        meter.add(k * T + round(source.gauss(0, 5e4)), k * T)
    assert meter.figures().kind is JitterClass.STEADY


def _sway(amplitude_ns: float, jitter_ns: float, seed: int) -> object:
    source = random.Random(seed)
    meter = PaceMeter()
    for k in range(768):
        x = k * float(T)
        meter.add(x, amplitude_ns * sin(2 * pi * x / 3e9) + 1e-4 * x + source.gauss(0, jitter_ns))
    return meter.sway(jitter_ns)


def test_a_sway_is_seen_above_the_jitter_only() -> None:
    """2 ms either way is seen at 1 ms of jitter; jitter and a constant tempo error alone are not (20)."""
    assert _sway(2e6, 1e6, 1) is not None
    assert all(_sway(0.0, 3e6, seed) is None for seed in range(20))


def test_too_little_is_seen_for_a_sway() -> None:
    """With under 12 beats nothing is said."""
    meter = PaceMeter()
    for k in range(200):
        meter.add(k * float(T), 1e7 * sin(k / 5))
    assert meter.sway(1e5) is None


def test_an_echo_has_a_steady_lag() -> None:
    """Arrivals that follow each of our uneven sends at 2 ms are an echo; independent ones are not."""
    for echoes in (True, False):
        source = random.Random(3)
        meter = SourceMeter()
        for k in range(40):
            sent = k * T + round(source.gauss(0, 1e6))
            meter.sent(sent)
            if echoes:
                meter.arrived(sent + 2_000_000 + round(source.gauss(0, 5e4)))
            else:
                meter.arrived(k * T + 6_000_000 + round(source.gauss(0, 1e6)))
        lag = meter.echo_lag_ns()
        assert (lag is not None) is echoes
        if lag is not None:
            assert lag == pytest.approx(2_000_000, abs=200_000)


def test_one_clock_does_not_alternate() -> None:
    """Jitter alone never looks like two clocks in turn (400 seeds, up to a sixth of the interval)."""
    for seed in range(400):
        source = random.Random(seed)
        meter = SourceMeter()
        for k in range(60):
            meter.arrived(k * T + round(source.gauss(0, 3.3e6)))
        assert not meter.alternating()


@pytest.mark.parametrize("jitter_ms", [0.3, 1.0, 3.0])
def test_beats_for_a_lock_follow_from_the_bound(jitter_ms: float) -> None:
    """At the number of beats given, the line's prediction one beat ahead is just within the limit (numpy)."""
    limit = 2e6
    clocks = round(beats_for_lock(jitter_ms * 1e6, limit) * 24)

    def ahead(n: int) -> float:
        design = np.column_stack([np.ones(n), np.arange(n)])
        at = np.array([1.0, n - 1 + 24])
        return float(jitter_ms * 1e6 * np.sqrt(at @ np.linalg.inv(design.T @ design) @ at))

    assert ahead(clocks) <= limit
    assert clocks == 3 or ahead(clocks - 1) > limit


def test_the_settling_report_gives_advice_only_where_it_is_needed() -> None:
    """In time: says so. Late: recommends. Never: says that."""
    good = settling_report(20, None, 96, True, 1e6, 2e6)
    late = settling_report(60, 120, 96, False, 1e6, 2e6)
    never = settling_report(None, None, 96, False, 1e6, 2e6)
    assert good.enough
    assert "in time" in good.text
    assert not late.enough
    assert late.beats_needed == 4
    assert "give it 4 beats" in late.text
    assert (never.beats_to_settle, never.enough) == (None, False)


def test_a_stop_after_our_own_stop_is_no_redundancy() -> None:
    """When the follower has stopped by its dropout policy, the master's later Stop is no finding."""
    listener = ClockListener(prior=SteadyPrior(125.0))
    listener.start(10**9 - 1_000_000)
    for k in range(100):
        listener.clock(10**9 + k * T)
    listener.advance(10**9 + 300 * T)
    listener.stop(10**9 + 301 * T)
    codes = [finding.code for finding in listener.findings()]
    assert codes == [Code.NO_STOP]
    assert EventKind.REDUNDANT in [event.kind for event in listener.events()]


def test_another_stop_is_a_redundancy() -> None:
    """Without such a reason a second Stop is noted."""
    listener = ClockListener(prior=SteadyPrior(125.0))
    listener.stop(1)
    (finding,) = listener.findings()
    assert (finding.code, finding.severity) == (Code.REDUNDANT, "note")


def test_a_doubled_clock_near_a_missing_one_is_not_a_late_one() -> None:
    """A clock missing and, eight clocks later, one doubled are two findings, not one late clock."""
    listener = ClockListener(prior=SteadyPrior(125.0))
    listener.start(10**9 - 1_000_000)
    for k in range(200):
        if k != 100:
            listener.clock(10**9 + k * T)
        if k == 108:
            listener.clock(10**9 + k * T + 2_000_000)
    listener.close(10**9 + 200 * T)
    faults = [(f.code, f.clocks) for f in listener.findings() if f.severity != "note"]
    assert faults == [(Code.MISSING, 100), (Code.EXTRA, 109)]
