"""A simulated clock master that plays its script once, from some time after its port was opened."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from runner.ports.machine_parts import Complaints, Said, check_range
from runner.ports.masters import ClockMaster, Jitter, MasterScript, Wow
from runner.sync.prior import SteadyPrior


@dataclass(frozen=True, slots=True)
class MasterSettings:
    """The script of a master as a session writes it; see `MasterScript` for what each part does.

    `wait_ns`: from opening the port to the first message. `tempo`: quarter notes a minute. `missing` and
    `doubled` are counts of clocks from Start; `doubled_after_ns` is how much later the second one comes.
    """

    wait_ns: int = 1_000_000_000
    tempo: float = 120.0
    clocks: int = 1536
    lead: int = 96
    start_at: int = 0
    late_start_ns: int = 0
    gap_ns: int = 1_000_000
    jitter_ns: int = 0
    usb_grid: bool = False
    burst_every: int = 0
    burst_ns: int = 0
    wow_depth: float = 0.0
    wow_period_ns: int = 1_000_000_000
    drift_ppm: float = 0.0
    missing: frozenset[int] = frozenset()
    doubled: frozenset[int] = frozenset()
    doubled_after_ns: int = 2_000_000
    without_start: bool = False
    without_stop: bool = False
    sensing: bool = False
    steps: Mapping[int, float] = field(default_factory=dict)
    start_again: frozenset[int] = frozenset()
    floods: Mapping[int, float] = field(default_factory=dict)
    floods_delay: bool = False
    second_interval_ns: int = 0
    cut_after: int = 0
    seed: int = 1

    def __post_init__(self) -> None:
        check_range("tempo", self.tempo, 5, 1000)
        check_range("clocks", self.clocks, 1, 1_000_000)
        check_range("lead", self.lead, 0, 100_000)
        check_range("start-at", self.start_at, 0, 16_383)
        check_range("drift-ppm", self.drift_ppm, -100_000, 100_000)
        check_range("wow-depth", self.wow_depth, 0, 0.5)
        check_range("wow-period in ns", self.wow_period_ns, 1, 10**15)
        for factor in self.steps.values():
            check_range("a step", factor, 0.1, 10)
        for number in self.floods.values():
            check_range("a flood", number, 0, 100_000)

    def script(self, opened_ns: int) -> MasterScript:
        """Return the script of a master whose port was opened at `opened_ns`."""
        prior = SteadyPrior(self.tempo)
        return MasterScript(
            tempo=prior,
            clocks=self.clocks,
            lead=self.lead,
            start_at=self.start_at,
            late_start_ns=self.late_start_ns,
            gap_ns=self.gap_ns,
            jitter=Jitter(self.jitter_ns, self.usb_grid, self.burst_every, self.burst_ns),
            wow=Wow(self.wow_depth, self.wow_period_ns),
            drift=self.drift_ppm / 1e6,
            missing=self.missing,
            doubled=dict.fromkeys(self.doubled, self.doubled_after_ns),
            without_start=self.without_start,
            without_stop=self.without_stop,
            sensing=self.sensing,
            steps=self.steps,
            start_again=self.start_again,
            floods={count: int(number) for count, number in self.floods.items()},
            floods_delay=self.floods_delay,
            second_interval_ns=self.second_interval_ns,
            cut_after=self.cut_after,
            begin_ns=opened_ns + self.wait_ns + round(prior.ns_of(self.lead)),
            seed=self.seed,
        )


class HeardBack(NamedTuple):
    """Clock bytes that the master was sent while it is the one that sends: a loop, or two masters."""

    clocks: int
    transports: int


class MasterMachine:
    """The model; `master` holds the truth about each clock."""

    kind = "master"

    def __init__(self, settings: MasterSettings | None = None, opened_ns: int = 0) -> None:
        self.settings = settings or MasterSettings()
        self.complaints = Complaints()
        self.master = ClockMaster(self.settings.script(opened_ns))
        self._stream = self.master.stream()
        self._next = next(self._stream, None)
        self._clocks = 0
        self._transports = 0

    @property
    def heard_back(self) -> HeardBack:
        """How much clock and transport it was sent itself; it ignores all of it."""
        return HeardBack(self._clocks, self._transports)

    def receive(self, data: bytes, t_ns: int) -> None:
        """Count clock and transport; a master on internal clock ignores them (MIDI 1.0 p. 31)."""
        if data[0] == 0xF8:
            self._clocks += 1
        elif data[0] in (0xFA, 0xFB, 0xFC):
            self._transports += 1

    def due(self, now_ns: int) -> list[Said]:
        """Return what its script says up to `now_ns`."""
        said: list[Said] = []
        while self._next is not None and self._next[0] <= now_ns:
            said.append(Said(*self._next))
            self._next = next(self._stream, None)
        return said

    def next_deadline_ns(self) -> int | None:
        """When the script goes on; None after its end."""
        return None if self._next is None else self._next[0]
