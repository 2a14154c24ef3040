"""What a follower starts a take with, as plain data: with it and the arrivals a take can be followed anew."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Self
from zlib import crc32

from runner.sync.listener import ClockListener
from runner.sync.prior import TempoPrior
from runner.sync.reports import FollowerConfig
from runner.sync.watch import WatchConfig


@dataclass(frozen=True, slots=True)
class SongGrid:
    """How the song's clock grid lay that was the prior, so that it can be made again from the tempo map.

    `first` is the master's count of the grid's first tick (negative: a lead), `entry` the tick at which
    the song is entered, `ticks` how many there are, `checksum` of their times (`sum_of`).
    """

    first: int
    entry: int
    ticks: int
    checksum: int

    @staticmethod
    def sum_of(clock_ns: Sequence[int]) -> int:
        """Return the CRC-32 of tick times counted from the first, as little-endian 64-bit numbers."""
        base = clock_ns[0] if len(clock_ns) else 0
        return crc32(b"".join((t - base).to_bytes(8, "little", signed=True) for t in clock_ns))


@dataclass(frozen=True, slots=True)
class FollowRecord:
    """All that decides, beside arrivals and tempo map, what a follower makes of a clock.

    `port` is the number of the port that is followed, `own_port` that of the port whose sent clocks the
    watch is told of (None: we pass none on); `position` where the master stood when the take
    was armed (the count of its next clock), `running` whether it played then; `told` whether the
    follower is told the song's tempo map.
    """

    port: int
    own_port: int | None
    follower: FollowerConfig
    watch: WatchConfig
    position: int
    running: bool
    grid: SongGrid
    told: bool = True

    def listener(self, prior: TempoPrior | None) -> ClockListener:
        """Return the listener that begins as recorded; `prior` is the song's tempo map."""
        listener = ClockListener(self.follower, self.watch, prior if self.told else None)
        listener.follower.stand_at(self.position, running=self.running)
        return listener

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for the take."""
        return asdict(self)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """Return what `to_dict` described; ValueError says what makes no sense."""
        try:
            return cls(
                port=int(data["port"]),
                own_port=None if data["own_port"] is None else int(data["own_port"]),
                follower=FollowerConfig(**data["follower"]),
                watch=WatchConfig(**data["watch"]),
                position=int(data["position"]),
                running=bool(data["running"]),
                grid=SongGrid(**data["grid"]),
                told=bool(data.get("told", True)),
            )
        except KeyError as error:
            raise ValueError(f"{error.args[0]!r} is missing") from None
        except TypeError as error:
            raise ValueError(str(error)) from None
