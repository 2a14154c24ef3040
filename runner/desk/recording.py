"""The engine's records, sorted: what belongs to a take is written, what the desk must act on is handed on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from runner.desk.roll import Roll
from runner.desk.taking import TakeKeeper
from runner.play.states import PlayState
from runner.takes.format import NONE16, Kind, Record

_IDLE = (PlayState.EMPTY, PlayState.READY)
END_WITHIN_NS = 1_500_000_000  #: the end of a take is in the pipe that long after the engine began to rest


@dataclass(frozen=True, slots=True)
class Begun:
    """A take has begun to roll."""

    key: str


@dataclass(frozen=True, slots=True)
class Ended:
    """The roll has ended: "complete", "stopped" or "failed"; `logged` is false for one that had no log.

    The log stays open until the keeper is told to close it: a recorder may have something to say yet.
    `long_ago` is true where nobody knows when that was.
    """

    outcome: str
    logged: bool
    why: str = ""
    long_ago: bool = False


@dataclass(frozen=True, slots=True)
class Beat:
    """A sign of life of the engine's loop, and where the song is (quarters, NaN while nothing rolls)."""

    t_ns: int
    state: str
    quarters: float


@dataclass(frozen=True, slots=True)
class Heard:
    """A message came in by port number `port`; clock is left out."""

    t_ns: int
    port: int
    data: bytes


@dataclass(frozen=True, slots=True)
class SentOut:
    """A universal real time message (machine control among them) went out by port number `port`."""

    t_ns: int
    port: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Presence:
    """A port is gone, or there again."""

    t_ns: int
    name: str
    present: bool


@dataclass(frozen=True, slots=True)
class Told:
    """The engine says something of the clock or of itself: the data of a state or finding record.

    `port` is the number of the port that it is about, `NONE16` for none.
    """

    t_ns: int
    finding: bool
    data: dict[str, Any]
    port: int = NONE16


Happening = Begun | Ended | Beat | Heard | SentOut | Presence | Told


class Recording:
    """Feeds the takes; at most one is open, and nothing is written into it once it has ended."""

    def __init__(self, keeper: TakeKeeper) -> None:
        self.keeper = keeper
        self.rolling = False
        self.gone_on_with = False  #: whether the take that rolls is that of a dead desk, its leavings read
        self.ticked: dict[int, int] = {}  #: when the last clock came in by each port
        self._idle_since_ns: int | None = None

    def take(self, records: Iterable[Record], roll: Roll | None) -> list[Happening]:
        """Write down records; several takes may lie in one read. Return what is to be acted on."""
        happened: list[Happening] = []
        waiting: list[Record] = []
        for record in records:
            if record.kind == Kind.TAKE_BEGIN and roll is not None:
                self._feed(waiting)
                waiting = []
                if self.keeper.has_closed(_key(record)):
                    self.rolling = False
                    continue
                self.keeper.begin(roll, record)
                self.rolling, self.gone_on_with = True, False
                happened.append(Begun(_key(record)))
                continue
            if record.kind == Kind.TICK_RECEIVED:
                self.ticked[record.port] = record.t_ns
            waiting.append(record)  # also beats: they are not kept, but their numbers must not look lost
            if record.kind == Kind.TAKE_END and self.rolling:
                self._feed(waiting)
                waiting = []
                happened.append(self._end(record))
            else:
                told = _happening(record)
                if told is not None:
                    happened.append(told)
                if isinstance(told, Beat) and self._end_is_lost(told):
                    self._feed(waiting)
                    waiting, self.rolling = [], False
                    why = "its end is not in the record"
                    happened.append(Ended("failed", self.keeper.open, why, long_ago=True))
        self._feed(waiting)
        return happened

    def _end_is_lost(self, beat: Beat) -> bool:
        """Whether the end of a take that was gone on with will never come.

        A disk that took nothing may have cost the record of it, and the desk that knew of it is dead.
        """
        if not (self.rolling and self.gone_on_with and beat.state in _IDLE):
            self._idle_since_ns = None
            return False
        if self._idle_since_ns is None:  # a beat may be just ahead of the end
            self._idle_since_ns = beat.t_ns
        return beat.t_ns - self._idle_since_ns >= END_WITHIN_NS

    def begins_in_open_take(self, records: Iterable[Record]) -> bool:
        """Whether the first begin or end of a take in `records` is that of the take that is open."""
        for record in records:
            if record.kind == Kind.TAKE_BEGIN:
                return self.keeper.is_open(_key(record))
            if record.kind == Kind.TAKE_END:
                return True
        return False

    def _feed(self, records: list[Record]) -> None:
        if self.rolling:
            self.keeper.feed(records)

    def _end(self, record: Record) -> Ended:
        self.rolling = False
        end = record.json()
        outcome = str(end.get("outcome", ""))
        return Ended(outcome or "failed", self.keeper.open, str(end.get("why", "")))


def _key(begin: Record) -> str:
    return str(begin.json().get("take", ""))


def _happening(record: Record) -> Happening | None:
    """Return what a record is to the desk, or None if it is only to be kept."""
    if record.kind == Kind.BEAT:
        data = record.json()
        return Beat(record.t_ns, str(data.get("state", "")), record.quarters)
    if record.kind == Kind.RECEIVED:
        return Heard(record.t_ns, record.port, record.data)
    if record.kind == Kind.SENT and record.data[:2] == b"\xf0\x7f":
        return SentOut(record.t_ns, record.port, record.data)
    if record.kind == Kind.PRESENCE:
        data = record.json()
        return Presence(record.t_ns, str(data.get("port", "")), bool(data.get("present")))
    if record.kind in (Kind.STATE, Kind.FINDING):
        return Told(record.t_ns, record.kind == Kind.FINDING, record.json(), record.port)
    return None
