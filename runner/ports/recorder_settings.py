"""How a simulated recorder behaves, and what it does wrong. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from runner.music import FrameRate
from runner.ports.machine_parts import check_range

_RATES = {
    24.0: FrameRate.FPS_24,
    25.0: FrameRate.FPS_25,
    29.97: FrameRate.FPS_30_DROP,
    30.0: FrameRate.FPS_30,
}


def _nearest(rate: float) -> FrameRate:
    return min(_RATES.items(), key=lambda item: abs(item[0] - rate))[1]


@dataclass(frozen=True, slots=True)
class RecorderSettings:
    """How a recorder behaves, and what it does wrong.

    `record_ready`: a Start of the clock's transport records instead of playing. `locate_ns`: time that a
    locate takes; `start_ns`: from Play to running at speed. `frame_rate`: 24, 25, 29.97 (drop) or 30;
    `stands_at_ns`: where its tape stands at first. `time_code`: sends it while it runs, and a full message
    after each locate, with `jitter_ns`. `chases`: goes by the time code that it is sent. `answers`: has a
    cable back, and answers what is read, after `answer_ns`.

    Faults: `late_start_clocks`, `ignore_start` (clock's transport and machine control), `lose_every` (each
    nth clock is lost), `stuck_after` (so many clocks, then deaf), `protected`: refuses to record and says so;
    `ignores_record`: does not record and says nothing of it; `ignores_locate`; `locate_misses_ns`: stops so
    far behind the place; `speed`: of its tape, against the frame rate (29.97 material at 30 runs at 0.999);
    `codes_as`: the frame rate that its time code names, 0 for its own; `stops_after_ns` and
    `drops_out_after_ns`: stops, or leaves record, by itself; `silent_from_ns` and `silent_for_ns`: time code
    stays away, from its start on.
    """

    device_id: int = 1
    follows_transport: bool = True
    follows_machine_control: bool = True
    record_ready: bool = False
    locate_ns: int = 400_000_000
    start_ns: int = 0
    frame_rate: float = 30.0
    stands_at_ns: int = 0
    time_code: bool = False
    jitter_ns: int = 0
    seed: int = 1
    chases: bool = False
    answers: bool = True
    answer_ns: int = 5_000_000
    late_start_clocks: int = 0
    ignore_start: bool = False
    lose_every: int = 0
    stuck_after: int = 0
    protected: bool = False
    ignores_record: bool = False
    ignores_locate: bool = False
    ignores_stop: bool = False
    locate_misses_ns: int = 0
    speed: float = 1.0
    codes_as: float = 0.0
    stops_after_ns: int = 0
    drops_out_after_ns: int = 0
    silent_from_ns: int = 0
    silent_for_ns: int = 0

    def __post_init__(self) -> None:
        check_range("device-id", self.device_id, 0, 126)
        check_range("speed", self.speed, 0.5, 2)
        check_range("frame-rate", self.frame_rate, 24, 30)
        check_range("codes-as", self.codes_as, 0, 30)

    @property
    def rate(self) -> FrameRate:
        """The frame rate of its tape."""
        return _nearest(self.frame_rate)

    @property
    def coded(self) -> FrameRate:
        """The frame rate that its time code names."""
        return _nearest(self.codes_as or self.frame_rate)
