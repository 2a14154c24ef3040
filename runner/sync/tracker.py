"""Gives each arriving clock its slot on the grid: counts what is missing, sees what is one too many.

A slot is a clock's number: the song position in clocks while playing, a running number while stopped.
Clocks are taken for consecutive unless prediction says otherwise; what does not fit opens a trial
(`slips`), during which the line stands still. Lock states and transport are the follower's business.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from itertools import islice
from math import sqrt

from runner.sync.prior import SteadyPrior, TempoPrior
from runner.sync.servo import DRIFT_ALARM, LOOK_BACK, Servo
from runner.sync.slips import Explanation, Judgement, judge, recount

_BLIND = SteadyPrior(120.0, None)
_OFF = 3.5  #: standard deviations beyond which a clock does not fit
_FEW = 12  #: clocks after which a line of unknown tempo can judge others
_WAIT_AFTER_ALARM = 6
_FAR = 0.45  #: a clock so many intervals off tells nothing about the line
_STRANGERS = 48  #: after so many of them in a row the line is given up
_LEAST_RATE = 0.02  #: of the map's time; what runs faster than fifty times the song is no tempo
_GAP = 1.5  #: intervals overdue from which clocks are taken for missing at once


class Change(Enum):
    """What the tracker has found out."""

    MISSING = "missing"
    EXTRA = "extra"
    STEP = "step"
    JUMP = "jump"


@dataclass(frozen=True, slots=True)
class Discovery:
    """One change: at which slot, at what time (ns), how large (slots, ratio of tempos, or ns)."""

    change: Change
    slot: int
    y: float
    size: float


class Grid:
    """Where slots lie in map time: the song's map while playing, an even grid while stopped."""

    __slots__ = ("_interval", "_origin_slot", "_origin_x", "_prior", "_shift", "playing")

    def __init__(self, prior: TempoPrior, at: int) -> None:
        self._prior = prior
        self.rest(0, 0.0, at)

    def rest(self, slot: int, x: float, position: int) -> None:
        """Stopped: `slot` lies at `x`, all intervals are as the map has them at song position `position`."""
        self.playing = False
        self._origin_slot, self._origin_x, self._shift = slot, x, 0.0
        self._interval = self._prior.ns_of(position + 1) - self._prior.ns_of(position)

    def play(self, slot: int, x: float) -> None:
        """Playing: slots are song positions, and `slot` lies at `x`."""
        self.playing = True
        self._shift = x - self._prior.ns_of(slot)

    def x_of(self, slot: float) -> float:
        """Return the map time of a slot."""
        if self.playing:
            return self._prior.ns_of(slot) + self._shift
        return self._origin_x + (slot - self._origin_slot) * self._interval

    def slot_at(self, x: float) -> float:
        """Return the slot, with fraction, at map time `x`."""
        if self.playing:
            return self._prior.count_of(x - self._shift)
        return self._origin_slot + (x - self._origin_x) / self._interval


class Tracker:
    """Slots, servo and trial of one clock. Times are float ns since the follower's origin."""

    def __init__(self, prior: TempoPrior | None, jitter_guess_ns: float, position: int = 0) -> None:
        self.prior: TempoPrior = _BLIND if prior is None else prior
        self._guess = jitter_guess_ns
        self.grid = Grid(self.prior, position)
        self.servo = Servo(self.prior.rate_sd, jitter_guess_ns)
        self.slot = 0  #: of the newest clock
        self.found: list[Discovery] = []
        self._trial: list[tuple[int, float, float]] = []  # (slot, y, residual), oldest first
        self._gap = 0  # slots already counted in when the trial was opened
        self._strangers = 0  # clocks in a row that were far from any explanation
        self._calm = 0  # clocks until the drift alarm is heard again
        self._early: list[float] | None = [] if self.prior.rate_sd is None else None

    @property
    def told(self) -> bool:
        """Whether the song's tempo is known."""
        return self.prior.rate_sd is not None

    @property
    def pending(self) -> bool:
        """Whether a misfit is being judged."""
        return bool(self._trial)

    @property
    def _begun(self) -> bool:
        """Whether there are clocks enough for a line: two, or one and the song's tempo."""
        return self.servo.samples >= (1 if self.told else 2)

    @property
    def ready(self) -> bool:
        """Whether there is a tempo to predict by.

        Clocks that came all askew can leave a line that runs backward, until the next clock begins it anew:
        by such a line every clock of the song is due at once.
        """
        return self._begun and self.servo.line.rate > _LEAST_RATE

    def time_of(self, slot: float) -> float:
        """Return the predicted time of a slot; meaningful when `ready`."""
        return self.servo.line.predict(self.grid.x_of(slot))

    def slot_at(self, y: float) -> float:
        """Return the slot, with fraction, at time `y`."""
        line = self.servo.line
        return self.grid.slot_at(line.x + (y - line.phase) / line.rate)

    def interval(self, slot: int | None = None) -> float:
        """Return the time from `slot` (default: the newest) to the next one."""
        at = self.slot if slot is None else slot
        return self.servo.line.rate * (self.grid.x_of(at + 1) - self.grid.x_of(at))

    def ahead_sd(self, slots: int) -> float:
        """Return the standard deviation of the time predicted for `slots` after the newest clock, in ns."""
        return self.servo.ahead_sd(self.grid.x_of(self.slot + slots))

    def first(self, y: float) -> None:
        """Take the first clock of a new estimate."""
        self._abandon()
        self.servo.first(self.grid.x_of(self.slot), y)
        if self._early is not None:
            self._early = [y]

    def forget(self) -> None:
        """Forget phase and tempo; the slot number and the prior stay."""
        self._abandon()
        self.servo = Servo(self.prior.rate_sd, self._guess)
        self._early = [] if not self.told else None

    def _abandon(self) -> None:
        self._trial.clear()
        self._gap = 0

    def begin(self, slot: int, y: float) -> None:
        """Take the clock that plays the start point `slot`: song positions count from here.

        If it falls on the grid of the clocks before it, that grid goes on; if not, the master has
        restarted its clock: the rate is kept and the phase begins anew.
        """
        self.conclude()
        servo = self.servo
        if not servo.samples:
            self.slot = slot
            self.grid.play(slot, 0.0)
            self.first(y)
            return
        line = servo.line
        step = self.grid.x_of(self.slot + 1) - self.grid.x_of(self.slot)
        steps = max(1, round((y - line.phase) / (line.rate * step)))
        x = line.x + steps * step
        off = y - line.predict(x)
        self.slot = slot
        self.grid.play(slot, x)
        self._early = None
        allowed = _OFF * sqrt(servo.cautious_variance * (1.0 + line.spread(x))) + 0.05 * line.rate * step
        if abs(off) <= allowed:
            servo.add(x, y)
        elif servo.samples >= 3:
            servo.rephase(x, y)
        else:
            self.forget()
            self.first(y)

    def rest(self, position: int) -> None:
        """The transport has stopped; further clocks are numbered on, evenly, at the tempo of `position`."""
        self.conclude()
        self.grid.rest(self.slot, self.grid.x_of(self.slot), position)

    def tick(self, y: float) -> float | None:
        """Take one more clock; return when it was due (ns), None if nothing was known."""
        servo = self.servo
        if not servo.samples:
            self.slot += 1
            self.first(y)
            return None
        slot = self.slot + 1
        x = self.grid.x_of(slot)
        if not self._begun:
            self.slot = slot
            servo.add(x, y)
            self._keep_early(y)
            return None
        line = servo.line
        due = line.predict(x)
        off = y - due
        if self._trial:
            self.slot = slot
            self._trial.append((slot, y, off))
            self._judge(forced=False)
            return due
        if not self.ready:  # such a line explains nothing: begin again
            self.forget()
            self.slot = slot
            self.first(y)
            return None
        period = line.rate * (x - line.x)
        sd = sqrt(servo.cautious_variance * (1.0 + line.spread(x)))
        if off > _GAP * period:
            slot, off = self._skip_gap(slot, y, off, period, sd)
            due = y - off
        self.slot = slot
        if self._fits(off, sd, period):
            servo.add(self.grid.x_of(slot), y)
            if self._early is not None:
                self._keep_early(y)
        else:
            self._trial.append((slot, y, off))
        return due

    def _fits(self, off: float, sd: float, period: float) -> bool:
        """Whether a clock can be taken in without a trial."""
        servo = self.servo
        if not (servo.samples >= 2 if servo.rate_expected else servo.jitter_known):
            return True
        if not servo.jitter_known:
            return abs(off) <= 0.5 * period
        if abs(off) > _OFF * sd:
            return False
        if servo.memory < _FEW + 1:
            return True
        if self._calm:
            self._calm -= 1
            return True
        return servo.drift_alarm() < DRIFT_ALARM

    def _skip_gap(self, slot: int, y: float, off: float, period: float, sd: float) -> tuple[int, float]:
        """Count in what a long gap has lost; return the clock's slot and its residual there."""
        servo = self.servo
        if not servo.rate_expected and (servo.samples < 4 or (servo.samples < _FEW and off < 3.0 * period)):
            return slot, off
        skipped = max(0, round(self.slot_at(y)) - slot)
        if not skipped:
            return slot, off
        landed = slot + skipped
        rest = y - self.time_of(landed)
        wide = max(_OFF * sd, 0.08 * period)
        if abs(rest) <= min(wide, 0.3 * period) or not servo.jitter_known:
            self.found.append(Discovery(Change.MISSING, slot, self.time_of(slot), skipped))
        else:
            self._gap = skipped
        return landed, rest

    def _keep_early(self, y: float) -> None:
        """Collect the first clocks of an unknown tempo, and see once whether one of them slipped."""
        early = self._early
        if early is None:
            return
        early.append(y)
        if len(early) < _FEW:
            return
        self._early = None
        slip = recount(early)
        if slip is None:
            return
        first = self.slot - len(early) + 1
        slots = [first + index + (slip.shift if index >= slip.at[0] else 0) for index in range(len(early))]
        kept = [
            (slot, each)
            for index, (slot, each) in enumerate(zip(slots, early, strict=True))
            if slip.explanation is Explanation.SLIP or index != slip.at[0]
        ]
        change = Change.MISSING if slip.explanation is Explanation.SLIP else Change.EXTRA
        self.found.append(Discovery(change, first + slip.at[0], early[slip.at[0]], 1.0))
        self.servo = Servo(self.prior.rate_sd, self._guess)
        self.servo.first(self.grid.x_of(kept[0][0]), kept[0][1])
        for slot, each in kept[1:]:
            self.servo.add(self.grid.x_of(slot), each)
        self.slot = kept[-1][0]

    def conclude(self) -> None:
        """End a trial with the best explanation so far."""
        if self._trial:
            self._judge(forced=True)

    def _judge(self, forced: bool) -> None:
        trial = self._trial
        servo = self.servo
        line = servo.line
        first_x = self.grid.x_of(trial[0][0])
        sigma = sqrt(servo.cautious_variance * (1.0 + line.spread(first_x)))
        period = line.rate * (self.grid.x_of(trial[0][0] + 1) - first_x)
        if not servo.jitter_known:
            sigma = max(sigma, period / 6.0)
        before = [] if self._gap else list(servo.surprises)[::-1]
        judgement = judge([off for _, _, off in trial], before, period, sigma, self._gap, forced)
        if judgement is None:
            return
        clocks = list(trial)
        gap = self._gap
        self._abandon()
        self._calm = _WAIT_AFTER_ALARM
        changed = judgement.explanation in (Explanation.STEP, Explanation.JUMP)
        if changed and self._restart(clocks, judgement):
            self._report_gap(clocks[0][0], gap)
        else:
            self._reslot(clocks, judgement, gap)

    def _report_gap(self, slot: int, gap: int) -> None:
        if gap > 0:
            first = slot - gap
            self.found.append(Discovery(Change.MISSING, first, self.time_of(first), gap))

    def _reslot(self, clocks: list[tuple[int, float, float]], judgement: Judgement, gap: int) -> None:
        """Put the clocks of a trial into their true slots, and take them all in."""
        dropped: tuple[int, ...] = ()
        slips_at = len(clocks)
        slot = clocks[0][0]
        if judgement.explanation is Explanation.LATE:
            slot += judgement.shift
            gap += judgement.shift
        elif judgement.explanation is Explanation.EXTRA:
            dropped = judgement.at
        elif judgement.explanation is Explanation.SLIP:
            slips_at = judgement.at[0]
            if gap and slips_at == 0:
                slot += judgement.shift
                gap += judgement.shift
                slips_at = len(clocks)
        self._report_gap(slot, gap)
        self.slot = slot - 1
        for index, (_, y, _) in enumerate(clocks):
            if index in dropped:
                self.found.append(Discovery(Change.EXTRA, self.slot + 1, y, 1.0))
                continue
            if index == slips_at:
                first = self.slot + 1
                self.found.append(Discovery(Change.MISSING, first, self.time_of(first), judgement.shift))
                self.slot += judgement.shift
            self.slot += 1
            x = self.grid.x_of(self.slot)
            if abs(y - self.servo.line.predict(x)) > _FAR * self.interval():
                self._strangers += 1
            else:
                self._strangers = 0
                self.servo.add(x, y)
        if self._strangers > _STRANGERS:
            self._start_over(y)

    def _start_over(self, y: float) -> None:
        """Nothing fits any longer: find phase and tempo anew, the count goes on."""
        self.found.append(Discovery(Change.JUMP, self.slot, y, y - self.time_of(self.slot)))
        self.forget()
        self.first(y)
        self._strangers = 0

    def _restart(self, clocks: list[tuple[int, float, float]], judgement: Judgement) -> bool:
        """Begin the lines again from the clocks since a change; False if what they give makes no sense."""
        servo = self.servo
        points = [(self.grid.x_of(slot), y) for slot, y, _ in clocks]
        older = max(0, judgement.since - len(points))
        points = [*list(islice(servo.history, min(older, LOOK_BACK)))[::-1], *points]
        points = points[-max(2, judgement.since) :]
        before = servo.line.rate
        start_x, start_y = points[0]
        if not servo.restart(points, keep_rate=judgement.explanation is Explanation.JUMP):
            return False
        slot = round(self.grid.slot_at(start_x))
        if judgement.explanation is Explanation.JUMP:
            self.found.append(Discovery(Change.JUMP, slot, start_y, judgement.size))
        else:
            self.found.append(Discovery(Change.STEP, slot, start_y, before / servo.line.rate))
        return True
