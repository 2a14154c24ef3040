"""006: masters of all kinds, from the first byte to Stop: position, findings, settling report."""

from __future__ import annotations

import pytest

from runner.ports.masters import ClockMaster, Jitter, MasterScript, Wow, feed
from runner.sync import Finding, FollowerConfig, GridPrior, LockState, SteadyPrior, TempoPrior, Transport
from runner.sync.findings import Code
from runner.sync.jitter import JitterClass, JitterFigures
from runner.sync.listener import ClockListener
from runner.sync.settling import SettlingReport
from runner.sync.watch import WatchConfig

SONG = SteadyPrior(112.0)  # Ropewalk


class Take:
    """One simulated take and what came of it."""

    def __init__(
        self, script: MasterScript, *, prior: TempoPrior | None = SONG, due: int | None = None,
        config: FollowerConfig | None = None, after_ns: int = 1_000_000,
    ) -> None:  # fmt: skip
        self.master = ClockMaster(script)
        self.listener = ClockListener(config, WatchConfig(machine="deck", lock_due=due), prior)
        last = 0
        for t_ns, data in self.master.stream():
            self._until(t_ns)
            if data == b"\xfe":
                self.listener.sensing(t_ns)
            else:
                feed(self.listener, t_ns, data)
            last = t_ns
        self._until(last + after_ns)
        closed: tuple[SettlingReport, JitterFigures] = self.listener.close(last + after_ns)
        self.settling, self.figures = closed
        self.findings: list[Finding] = self.listener.findings()

    def _until(self, t_ns: int) -> None:
        before = None
        deadline = self.listener.next_deadline_ns()
        while deadline is not None and deadline <= t_ns and deadline != before:
            self.listener.advance(deadline)
            before, deadline = deadline, self.listener.next_deadline_ns()

    @property
    def faults(self) -> list[Code]:
        return [finding.code for finding in self.findings if finding.severity != "note"]

    def one(self, code: Code) -> Finding:
        found = [finding for finding in self.findings if finding.code is code]
        assert len(found) == 1, f"{code}: {self.findings}"
        assert found[0].machine == "deck"
        return found[0]


def _script(**changes: object) -> MasterScript:
    settings: dict[str, object] = {"tempo": SONG, "clocks": 1536, "jitter": Jitter(5e5), "seed": 7}
    return MasterScript(**(settings | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "script",
    [
        _script(),
        _script(lead=192),
        _script(lead=96, late_start_ns=9_000_000),
        _script(lead=50, start_at=64),
        _script(lead=0, start_at=1),
        _script(gap_ns=0),
        _script(jitter=Jitter(3e6)),
        _script(jitter=Jitter(2e5, usb_grid=True)),
        _script(sensing=True),
    ],
    ids=["plain", "lead", "late-start", "mid-song", "mid-song-no-lead", "no-gap", "3ms", "usb", "sensing"],
)
def test_a_sound_master_gives_an_exact_position_and_no_fault(script: MasterScript) -> None:
    """However a sound master starts, each clock has its true count, and nothing above a note is found."""
    take = Take(script)
    assert take.faults == []
    assert take.listener.follower.transport is Transport.STOPPED
    assert take.listener.follower.next_count == take.master.last_count + 1


def test_a_song_with_tempo_changes_is_followed_by_its_map() -> None:
    """A master that plays the song's own step and ramp is not accused of any."""
    times = [0]
    for count in range(1536):
        bpm = 112.0 if count < 500 else 116.0 if count < 800 else max(104.0, 116.0 - (count - 800) / 8)
        times.append(times[-1] + round(60e9 / 24 / bpm))
    prior = GridPrior(times)
    assert Take(_script(tempo=prior), prior=prior).faults == []


def test_missing_clocks_are_listed_with_place_and_number() -> None:
    """Each gap is one finding, with the first missing clock and how many."""
    take = Take(_script(missing=frozenset({100, 300, 301, *range(700, 720)})))
    gaps = [(f.clocks, f.size) for f in take.findings if f.code is Code.MISSING]
    assert gaps == [(100, 1), (300, 2), (700, 20)]
    assert set(take.faults) == {Code.MISSING}


def test_a_tempo_that_is_not_the_songs_is_found_in_the_lead() -> None:
    """A master 0.3 % fast is found out before bar 1 when the lead is long enough, with the figures."""
    finding = Take(_script(lead=192, drift=0.003)).one(Code.TEMPO)
    assert finding.clocks is None
    assert finding.size == pytest.approx(0.3, abs=0.05)
    assert "112" in finding.text


def test_a_crystal_off_by_100_ppm_is_no_fault() -> None:
    """0.01 % is what any two crystals differ by (common practice): not worth a word."""
    assert Take(_script(lead=96, drift=0.0001)).faults == []


@pytest.mark.parametrize(("depth", "period_s"), [(0.005, 2.0), (0.004, 5.0)])
def test_wow_is_called_wander(depth: float, period_s: float) -> None:
    """A slow sine in the tempo is one finding, with about its true height and period, and not many steps."""
    take = Take(_script(wow=Wow(depth, period_s * 1e9)))
    finding = take.one(Code.WANDER)
    amplitude = depth * period_s * 1e3 / 6.2832
    assert finding.size == pytest.approx(amplitude, rel=0.3)
    assert finding.evidence["period_s"] == pytest.approx(period_s, rel=0.3)
    assert Code.STEP not in take.faults
    assert take.listener.follower.next_count == 1536


def test_a_step_is_one_finding_with_its_size() -> None:
    """An unannounced 5 % slower tempo is reported once as a step, about where it was."""
    finding = Take(_script(steps={600: 1.05})).one(Code.STEP)
    assert finding.size == pytest.approx(-4.76, abs=0.5)
    assert finding.clocks == pytest.approx(600, abs=12)


@pytest.mark.parametrize(
    ("jitter", "kind"),
    [
        (Jitter(2e4), JitterClass.STEADY),
        (Jitter(2.5e5), JitterClass.DIN),
        (Jitter(5e4, usb_grid=True), JitterClass.USB_GRID),
        (Jitter(2e5, burst_every=50, burst_ns=40e6), JitterClass.BURSTS),
        (Jitter(2e6), JitterClass.IRREGULAR),
    ],
)
def test_the_kind_of_jitter_is_named(jitter: Jitter, kind: JitterClass) -> None:
    """Each kind of irregularity that the simulated master can have gets its own name."""
    take = Take(_script(tempo=SteadyPrior(112.3), jitter=jitter), prior=SteadyPrior(112.3))
    assert take.figures.kind is kind
    assert take.one(Code.JITTER).evidence["class"] == kind.value


def test_clock_without_start_is_told_after_a_long_lead() -> None:
    """16 beats of clock without Start or Continue are worth a note."""
    take = Take(_script(without_start=True, without_stop=True, clocks=400))
    assert take.one(Code.NO_START).size == 16
    assert take.listener.follower.next_count == 0


def test_start_without_clock_is_told() -> None:
    """Half a second after Start without a clock is an error."""
    listener = ClockListener(prior=SONG)
    listener.start(10**9)
    deadline = listener.next_deadline_ns()
    assert deadline is not None
    listener.advance(deadline)
    assert [finding.code for finding in listener.findings()] == [Code.START_NO_CLOCK]


def test_a_clock_that_ends_without_stop_is_told() -> None:
    """No Stop and no more clock: the freewheel span runs out and the follower stops."""
    take = Take(_script(without_stop=True), after_ns=5_000_000_000)
    assert take.faults == [Code.NO_STOP]
    assert take.listener.follower.state is LockState.LOST


def test_a_dropout_beyond_the_span_is_told_with_its_length() -> None:
    """A clock away for longer than the span: stopped, and how long it was away once it is back."""
    take = Take(_script(missing=frozenset(range(700, 800))))
    assert take.faults == [Code.NO_STOP, Code.DROPOUT]
    assert take.one(Code.DROPOUT).size == pytest.approx(101, abs=1)


def test_silent_active_sensing_is_told_after_330_ms() -> None:
    """Once seen, active sensing must not pause for over 330 ms (MIDI 1.0 p. 33: 300 ms and 10 %)."""
    listener = ClockListener(prior=SONG)
    listener.sensing(10**9)
    listener.message(10**9 + 200_000_000)
    listener.advance(10**9 + 200_000_000 + 330_000_000)
    assert listener.findings() == []
    listener.advance(10**9 + 200_000_000 + 330_000_001)
    assert [finding.code for finding in listener.findings()] == [Code.SENSING_LOST]
    listener.advance(10**9 + 10**10)
    assert listener.findings() == []  # back to normal operation, as if it had never been seen


def test_sensing_without_a_follow_up_is_normal_before_the_first() -> None:
    """Active sensing is optional: a master that never sends it is not missed."""
    listener = ClockListener(prior=SONG)
    listener.message(0)
    listener.advance(10**10)
    assert listener.findings() == []


def test_a_lock_after_the_pre_roll_is_told_with_advice() -> None:
    """A noisy master without a lead locks after a half-beat pre-roll: finding, and beats recommended."""
    take = Take(_script(jitter=Jitter(3e6)), due=12)
    finding = take.one(Code.LATE_LOCK)
    assert finding.size > 0
    assert not take.settling.enough
    assert take.settling.beats_to_settle is not None
    assert take.settling.beats_needed > take.settling.beats_to_settle
    assert "before bar 1" in take.settling.text
    again = Take(_script(jitter=Jitter(3e6), lead=24 * take.settling.beats_needed), due=12)
    assert again.settling.enough
    assert Code.LATE_LOCK not in again.faults


def test_a_follower_that_never_locked_says_so() -> None:
    """Five clocks are no lock."""
    take = Take(_script(clocks=5), due=96)
    assert take.settling.beats_to_settle is None
    assert not take.settling.enough
    assert take.one(Code.LATE_LOCK).text == "the follower never locked"


def test_carry_on_reports_the_clocks_that_came_too_late() -> None:
    """With `carry-on`, clocks that return after the span are refused: told once, and summed up at the end."""
    take = Take(_script(missing=frozenset(range(700, 800))), config=FollowerConfig(on_dropout="carry-on"))
    refused = [finding.size for finding in take.findings if finding.code is Code.REFUSED]
    assert len(refused) == 2
    assert sum(refused) == pytest.approx(736, abs=60)


def test_the_model_is_the_same_for_the_same_script() -> None:
    """A master's stream depends on nothing but its script, and is in order of time."""
    rough = Jitter(3e6, burst_every=30, burst_ns=2e7)
    one = list(ClockMaster(_script(jitter=rough)).stream())
    assert one == list(ClockMaster(_script(jitter=rough)).stream())
    assert [t for t, _ in one] == sorted(t for t, _ in one)
    assert one != list(ClockMaster(_script(jitter=rough, seed=8)).stream())


def test_the_model_keeps_the_rules_of_start() -> None:
    """A master in mid-song sends the position (LSB first), Continue, then clock at least 1 ms later."""
    messages = list(ClockMaster(_script(start_at=1000, jitter=Jitter())).stream())
    assert [data for _, data in messages[:3]] == [bytes.fromhex("F26807"), b"\xfb", b"\xf8"]
    assert messages[2][0] - messages[1][0] >= 1_000_000
