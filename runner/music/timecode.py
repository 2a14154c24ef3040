"""Time code: hours, minutes, seconds and frames; to frames, to real time and to song position.

Rates are those that MIDI Time Code can carry (RP-004/008, p. 2). Drop-frame numbering leaves out numbers
;00 and ;01 at the start of each minute but every tenth (SMPTE ST 12-1; MMC RP-013, p. 10), so that
numbers at 30000/1001 frames a second keep up with the clock on the wall: 24 hours of them last
86399.9136 s. At the other rates a second has exactly its nominal number of frames.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction

from runner.music.amount import shorten
from runner.music.tempo import TempoMap

NS_PER_SECOND = 1_000_000_000

_DROPPED = 2  # numbers left out at a minute
_FRAMES_PER_MINUTE = 60 * 30 - _DROPPED  # of drop-frame time code, in minutes that drop
_FRAMES_PER_TEN_MINUTES = 10 * _FRAMES_PER_MINUTE + _DROPPED

_TIME_CODE = re.compile(r"([0-9]{1,2}):([0-9]{1,2}):([0-9]{1,2})([:;])([0-9]{1,2})")


class FrameRate(Enum):
    """How frames are counted; the value is the rate as a session file writes it."""

    FPS_24 = "24"
    FPS_25 = "25"
    FPS_30_DROP = "29.97 drop"
    FPS_30 = "30"

    @classmethod
    def parse(cls, text: str | int | float) -> FrameRate:
        """Return the rate that `text` names, such as 25 or ``29.97 drop`` (also ``29.97-drop``).

        Raises ValueError, in words for the user.
        """
        words = " ".join(str(text).lower().replace("97-drop", "97 drop").split())
        for rate in cls:
            if rate.value == words:
                return rate
        raise ValueError(f"{shorten(words)!r} is not a frame rate: use 24, 25, 29.97 drop or 30")

    @property
    def is_drop(self) -> bool:
        """Whether numbers are dropped to keep up with real time."""
        return self is FrameRate.FPS_30_DROP

    @property
    def count(self) -> int:
        """Frame numbers in a second: 24, 25 or 30."""
        return {FrameRate.FPS_24: 24, FrameRate.FPS_25: 25}.get(self, 30)

    @property
    def frames_per_second(self) -> Fraction:
        """Frames in a second of real time; 30000/1001 for drop-frame."""
        return Fraction(30000, 1001) if self.is_drop else Fraction(self.count)

    @property
    def frames_per_day(self) -> int:
        """How many frames have a number, from 00:00:00:00 until the numbers begin again."""
        return 144 * _FRAMES_PER_TEN_MINUTES if self.is_drop else 86_400 * self.count

    @property
    def mtc_code(self) -> int:
        """The two-bit rate code of MIDI Time Code: 0 to 3 (RP-004/008, p. 2)."""
        return list(FrameRate).index(self)

    def ns_of_quarter_frames(self, count: int) -> int:
        """How long `count` quarter frames last, in ns, rounded half to even; its sign is that of `count`."""
        return round(Fraction(count * NS_PER_SECOND, 4) / self.frames_per_second)

    def ns_of_frames(self, frames: int | Fraction) -> int:
        """How long `frames` frames last, in ns, rounded half to even; negative for a negative count."""
        return round(frames * NS_PER_SECOND / self.frames_per_second)

    def frames_of_ns(self, ns: int) -> Fraction:
        """How many frames, exactly, pass in `ns` ns."""
        return ns * self.frames_per_second / NS_PER_SECOND


@dataclass(frozen=True, slots=True)
class TimeCode:
    """One frame's number at a rate.

    A number that drop-frame counting leaves out (such as 00:01:00;00) becomes the next one that exists
    (00:01:00;02), as MMC RP-013, p. 10, asks. Raises ValueError for hours above 23, minutes or seconds
    above 59, a frame number that the rate does not have, or anything negative.
    """

    hours: int
    minutes: int
    seconds: int
    frames: int
    rate: FrameRate

    def __post_init__(self) -> None:
        limits = (("hours", 23), ("minutes", 59), ("seconds", 59), ("frames", self.rate.count - 1))
        for name, highest in limits:
            value = getattr(self, name)
            if not 0 <= value <= highest:
                raise ValueError(f"time code at {self.rate.value} has {name} 0 to {highest}, got {value}")
        dropped = self.rate.is_drop and self.seconds == 0 and self.minutes % 10 != 0
        if dropped and self.frames < _DROPPED:
            object.__setattr__(self, "frames", _DROPPED)

    @classmethod
    def parse(cls, text: str, rate: FrameRate) -> TimeCode:
        """Return the time code written as ``01:00:00:00``, or ``01:00:00;00`` for drop-frame.

        Raises ValueError, in words for the user.
        """
        words = str(text).strip()
        match = _TIME_CODE.fullmatch(words)
        if not match:
            raise ValueError(f"{shorten(words)!r} is not a time code such as 01:00:00:00")
        if match[4] == ";" and not rate.is_drop:
            raise ValueError(f"{words!r} has the ';' of drop-frame, and the rate is {rate.value}")
        hours, minutes, seconds, frames = (int(match[group]) for group in (1, 2, 3, 5))
        return cls(hours, minutes, seconds, frames, rate)

    @classmethod
    def of_frame(cls, frame: int, rate: FrameRate) -> TimeCode:
        """Return the number of frame `frame` (0 is 00:00:00:00); beyond a day it begins again."""
        number = frame % rate.frames_per_day
        if rate.is_drop:
            tens, rest = divmod(number, _FRAMES_PER_TEN_MINUTES)
            number += 9 * _DROPPED * tens
            if rest >= 60 * 30:  # the first of ten minutes has all its numbers
                number += _DROPPED * ((rest - _DROPPED) // _FRAMES_PER_MINUTE)
        whole_seconds, frames = divmod(number, rate.count)
        whole_minutes, seconds = divmod(whole_seconds, 60)
        hours, minutes = divmod(whole_minutes, 60)
        return cls(hours, minutes, seconds, frames, rate)

    @classmethod
    def of_ns(cls, ns: int, rate: FrameRate) -> TimeCode:
        """Return the frame that is on at `ns` ns of real time after 00:00:00:00."""
        return cls.of_frame(_frame_begun(ns, rate), rate)

    @property
    def frame(self) -> int:
        """Frames since 00:00:00:00, from 0."""
        minutes = 60 * self.hours + self.minutes
        number = (60 * minutes + self.seconds) * self.rate.count + self.frames
        return number - _DROPPED * (minutes - minutes // 10) if self.rate.is_drop else number

    @property
    def ns(self) -> int:
        """Real time from 00:00:00:00 to the start of this frame, in ns, rounded half to even."""
        return self.rate.ns_of_frames(self.frame)

    def plus(self, frames: int) -> TimeCode:
        """Return the time code `frames` frames later (earlier if negative), over midnight if need be."""
        return TimeCode.of_frame(self.frame + frames, self.rate)

    def frames_since(self, earlier: TimeCode) -> int:
        """Frames from `earlier` to this one by the shorter way round the day: within half a day.

        Raises ValueError if the rates differ: their numbers cannot be compared.
        """
        if earlier.rate is not self.rate:
            raise ValueError(f"time code at {self.rate.value} cannot be counted from {earlier.rate.value}")
        half = self.rate.frames_per_day // 2
        return (self.frame - earlier.frame + half) % self.rate.frames_per_day - half

    def __str__(self) -> str:
        mark = ";" if self.rate.is_drop else ":"
        return f"{self.hours:02d}:{self.minutes:02d}:{self.seconds:02d}{mark}{self.frames:02d}"


@dataclass(frozen=True, slots=True)
class TimeCodeOffset:
    """Where a song lies on a tape or in a recorder: its bar 1 beat 1 is at the start of frame `origin`.

    Times are ns and positions quarters from bar 1 beat 1, negative before it. A time code up to half a
    day before `origin` counts as before it, also over midnight.
    """

    origin: TimeCode
    tempo: TempoMap

    def ns_of(self, code: TimeCode) -> int:
        """Song time at the start of a frame, in ns. Raises ValueError for a time code of another rate."""
        return self.origin.rate.ns_of_frames(code.frames_since(self.origin))

    def quarters_of(self, code: TimeCode) -> Fraction:
        """Song position at the start of a frame. Raises ValueError for a time code of another rate."""
        return self.tempo.quarters_at(self.ns_of(code))

    def code_at_ns(self, ns: int) -> TimeCode:
        """The frame that is on at a song time."""
        return self.origin.plus(_frame_begun(ns, self.origin.rate))

    def code_at(self, quarters: Fraction | int) -> TimeCode:
        """The frame that is on at a song position."""
        return self.code_at_ns(self.tempo.ns_at(quarters))

    def frames_into_ns(self, ns: int) -> Fraction:
        """Frames from `origin` to a song time, with the part of a frame that has passed, exactly."""
        return self.origin.rate.frames_of_ns(ns)


def _frame_begun(ns: int, rate: FrameRate) -> int:
    """The last frame whose start, rounded to a whole ns, is not after `ns`."""
    frame = int(rate.frames_of_ns(ns) // 1)
    return frame + 1 if rate.ns_of_frames(frame + 1) <= ns else frame
