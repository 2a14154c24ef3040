"""Judges what a master says beside its clock: Start and Stop with or without it, and active sensing."""

from __future__ import annotations

from runner.sync.book import FindingBook
from runner.sync.findings import Code
from runner.sync.prior import CLOCKS_PER_QUARTER
from runner.sync.reports import EventKind, FollowerEvent
from runner.sync.states import TransportEvent

_SENSING_NS = 330_000_000  #: MIDI 1.0 p. 33: 300 ms with 10 % margin
_START_PATIENCE_NS = 500_000_000
_SAME_START_CLOCKS = 6  #: a Start so soon after another is the same one by a second path


class TransportWatch:
    """One master's transport and signs of life. Writes into `book`; `interval_ns` is from clock to clock."""

    __slots__ = (
        "_book", "_idle_clocks", "_in_song", "_last_clock_ns", "_lost", "_sensed_ns", "_start_wait_clocks",
        "_started_ns", "_stopped_by_us", "began", "started_at",
    )  # fmt: skip

    def __init__(self, book: FindingBook, start_wait_clocks: int) -> None:
        self._book = book
        self._start_wait_clocks = start_wait_clocks
        self._started_ns: int | None = None  # Start seen, no clock yet
        self._in_song = False
        self._idle_clocks = 0  # in a row without Start
        self._lost: FollowerEvent | None = None  # the follower gave the clock up
        self._stopped_by_us = False
        self._last_clock_ns: int | None = None
        self._sensed_ns: int | None = None  # newest sign of life, if the master sends active sensing
        self.began = False  #: whether a song has begun
        self.started_at = 0  #: song position in clocks at which it did

    def clock(self, arrival_ns: int, *, in_song: bool, interval_ns: float) -> bool:
        """Take a clock; return whether it is the first after the clock had been given up."""
        self._started_ns = None
        came_back = self._last_clock_ns is not None and self._lost is not None
        if came_back:
            self._came_back(arrival_ns, interval_ns)
        self._last_clock_ns = arrival_ns
        self._idle_clocks = 0 if in_song else self._idle_clocks + 1
        if self._idle_clocks == self._start_wait_clocks and not self._stopped_by_us:
            beats = self._idle_clocks / CLOCKS_PER_QUARTER
            self._book.add(Code.NO_START, arrival_ns, None, beats,
                           f"clock has run for {beats:.0f} beats without Start or Continue")  # fmt: skip
        return came_back

    def started(self, t_ns: int) -> None:
        """Take Start or Continue, obeyed or not."""
        if not self._in_song:
            self._started_ns = t_ns
        self._idle_clocks = 0

    def stopped(self) -> None:
        """Take Stop, obeyed or not."""
        self._started_ns = None
        self._lost = None

    def sensing(self, t_ns: int) -> None:
        """Take FE: from now on something must come every 300 ms."""
        self._sensed_ns = t_ns

    def heard(self, t_ns: int) -> None:
        """Take a sign of life, whatever it was."""
        if self._sensed_ns is not None:
            self._sensed_ns = max(self._sensed_ns, t_ns)

    def event(self, event: FollowerEvent) -> None:
        """Take a report of the follower; those that are not about the transport are left alone."""
        kind = event.kind
        if kind is EventKind.STARTED:
            self._in_song = self.began = True
            self.started_at = event.clocks or 0
            self._stopped_by_us = False
        elif kind is EventKind.STOPPED:
            self._in_song = False
        elif kind is EventKind.LOST:
            self._ended(event)
        elif kind is EventKind.REDUNDANT:
            if not self._stopped_by_us:
                self._redundant(event)
        elif kind is EventKind.POSITION_REFUSED:
            self._book.add(Code.POSITION_REFUSED, event.t_ns, event.clocks, event.size,
                           f"song position {event.size:.0f} came while playing, not obeyed")  # fmt: skip

    def advance(self, now_ns: int, interval_ns: float) -> None:
        """Let time pass: active sensing, Start without clock."""
        if self._sensed_ns is not None and now_ns - self._sensed_ns > _SENSING_NS:
            silent = (now_ns - self._sensed_ns) / 1e6
            self._book.add(Code.SENSING_LOST, self._sensed_ns + _SENSING_NS, None, silent,
                           f"active sensing fell silent: nothing for {silent:.0f} ms")  # fmt: skip
            self._sensed_ns = None
        if self._started_ns is not None and now_ns - self._started_ns > _start_patience_ns(interval_ns):
            waited = (now_ns - self._started_ns) / 1e6
            self._book.add(Code.START_NO_CLOCK, self._started_ns, None, waited,
                           f"no clock for {waited:.0f} ms after Start or Continue")  # fmt: skip
            self._started_ns = None

    def next_deadline_ns(self, interval_ns: float) -> int | None:
        """Return when `advance` next has something to decide; None while nothing can fall due."""
        due: list[int] = []
        if self._sensed_ns is not None:
            due.append(self._sensed_ns + _SENSING_NS + 1)
        if self._started_ns is not None:
            due.append(self._started_ns + round(_start_patience_ns(interval_ns)) + 1)
        return min(due, default=None)

    def _redundant(self, event: FollowerEvent) -> None:
        """A message that changes nothing: the same one twice, or the sign that a Stop was lost.

        Start plays from the top (MIDI 1.0 p. 30). Right after another it says nothing new; later in the song
        it says that the master stands elsewhere than we think.
        """
        message = event.text.capitalize()
        clocks = event.clocks or 0
        since = clocks - self.started_at
        if event.text != TransportEvent.START.value or not self._in_song or since <= _SAME_START_CLOCKS:
            text = f"{message} came again and was ignored"
            self._book.add(Code.REDUNDANT, event.t_ns, event.clocks, 1.0, text)
            return
        self._book.add(Code.RESTARTED, event.t_ns, event.clocks, float(since),
                       f"Start came {since} clocks into the song: the master began anew, and we did not",
                       {"clocks_apart": clocks})  # fmt: skip

    def _ended(self, event: FollowerEvent) -> None:
        self._lost = event
        self._stopped_by_us = True
        away = event.size / 1e6
        self._book.add(Code.NO_STOP, event.t_ns, event.clocks, away,
                       f"the clock ended in the song and no Stop came: nothing for {away:.0f} ms",
                       {"policy": event.text})  # fmt: skip

    def _came_back(self, arrival_ns: int, interval_ns: float) -> None:
        assert self._lost is not None
        assert self._last_clock_ns is not None
        away_ns = arrival_ns - self._last_clock_ns
        self._book.add(Code.DROPOUT, self._last_clock_ns, self._lost.clocks, away_ns / interval_ns,
                       f"the clock was away for {away_ns / 1e6:.0f} ms, too long to go on")  # fmt: skip
        self._lost = None


def _start_patience_ns(interval_ns: float) -> float:
    return max(_START_PATIENCE_NS, 4 * interval_ns)
