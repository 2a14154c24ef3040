"""What the daemon does by itself between and beside the takes: its schedule, and tidying old takes away."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from runner.desk.actions import Outcome
from runner.desk.director import Director
from runner.desk.housekeeping import Rules, Tidied, tidy
from runner.desk.phases import Mode
from runner.desk.run_state import utc_text
from runner.desk.schedule import Due, Now, Schedule
from runner.desk.wall_clock import SANE_FROM, WallClock
from runner.desk.worker import Worker
from runner.session.model import ScheduleSpec
from runner.takes.files import write_atomically
from runner.takes.names import safe_name

ORIGIN = "the schedule"


@dataclass(slots=True)
class Chores:
    """The chores of one run. `root` is the takes folder, `state` what an earlier desk told of the past."""

    director: Director
    root: Path
    clock: Callable[[], Now] = field(default_factory=lambda: WallClock().now)
    state: Mapping[str, Any] = field(default_factory=dict)
    _entries: list[ScheduleSpec] = field(default_factory=list)
    _schedule: Schedule | None = None
    _worker: Worker[Tidied | None] = field(default_factory=lambda: Worker("chores", _failed))
    _closed: int = 0
    _tidy_wanted: bool = True  # once at the start: what a crash left in the trash is finished
    _told: set[str] = field(default_factory=set)

    @property
    def busy(self) -> bool:
        """Whether something is being tidied or written down, or is about to be."""
        return self._worker.busy or self._tidy_wanted

    @property
    def kept_state(self) -> dict[str, Any]:
        """What a schedule that takes over has to know."""
        return self._schedule.to_dict() if self._schedule is not None else {}

    def turn(self, now_ns: int) -> None:
        """Do one turn: what is due by the clock on the wall, what has been tidied, what is to be."""
        if self.director.show.mode is Mode.STAY and not self.director.stopping:
            self._look(now_ns)
        if self.director.show.done != self._closed:
            self._closed, self._tidy_wanted = self.director.show.done, True
        for result in self._worker.results():
            if result is not None:
                self._tell_tidied(result)
        if self._tidy_wanted and not self._worker.busy:
            self._tidy_wanted = False
            self._tidy()

    # ------------------------------------------------------------------ the schedule

    def _look(self, now_ns: int) -> None:
        entries = self.director.prepared.session.schedule
        if not entries and not self._entries:
            return
        now = self.clock()
        if self._schedule is None or entries is not self._entries:  # the first look, or another session file
            self._take_entries(entries, now)
        if self._schedule is None:
            return
        if not now.settled:
            self._tell_unsettled(now)
        due = self._schedule.look(now)
        if due:
            self._keep_state()
        for each in due:
            self._act(each, now, now_ns)

    def _take_entries(self, entries: list[ScheduleSpec], now: Now) -> None:
        state = self._schedule.to_dict() if self._schedule is not None else self.state or self._read_state()
        self._entries, self._schedule = entries, Schedule(entries, now, state)
        self._keep_state()
        upcoming = self._schedule.upcoming(now)
        if upcoming and now.settled:
            self.director.tell("schedule", {"next": upcoming})

    def _tell_unsettled(self, now: Now) -> None:
        year = f"the computer's clock says {now.utc:%Y-%m-%d}: " if now.utc < SANE_FROM else ""
        self._alarm(now.utc, f"{year}times of the schedule wait until the clock is set", once=True)

    def _act(self, due: Due, now: Now, now_ns: int) -> None:
        entry = due.entry
        if due.missed:
            self._alarm(now.utc, f"missed: {due}, {due.late_s / 60:.0f} min ago")
        elif entry.roll is not None:
            outcome = self.director.begin_series(
                entry.roll, entry.takes, entry.gap_ns, entry.limit_ns, ORIGIN, now_ns
            )
            self._refused(due, now.utc, outcome)
        elif entry.do == "check":
            outcome = self.director.check()
            data = {"order": "check", "from": ORIGIN, "done": outcome.done, "text": outcome.text}
            self.director.tell("order", data)
            self._refused(due, now.utc, outcome)
        else:
            self._tidy_wanted = True

    def _refused(self, due: Due, utc: datetime, outcome: Outcome) -> None:
        if not outcome.done:
            self.director.board.alarm(utc_text(utc), "warning", f"{due}: {outcome.text}")

    def _alarm(self, utc: datetime, text: str, *, once: bool = False) -> None:
        if once and text in self._told:
            return
        self._told.add(text)
        self.director.tell.warn(text)
        self.director.board.alarm(utc_text(utc), "warning", text)

    def _keep_state(self) -> None:
        """Tell the keeper, for the next desk, and write it down, for the next start."""
        state = self.kept_state
        self.director.tell("progress", {"schedule": state})
        path, text = self._state_path(), json.dumps(state)

        def write() -> None:
            with contextlib.suppress(OSError):
                write_atomically(path, text.encode())

        self._worker.give(write)

    def _state_path(self) -> Path:
        return self.root / f".schedule-{safe_name(self.director.prepared.session.session)}.json"

    def _read_state(self) -> dict[str, Any]:
        with contextlib.suppress(OSError, ValueError, RecursionError):
            state = json.loads(self._state_path().read_bytes())
            return state if isinstance(state, dict) else {}
        return {}

    # ------------------------------------------------------------------ old takes

    def _tidy(self) -> None:
        """Have the takes folder tidied; the take that may still be rated from a pedal stays."""
        session, folder = self.director.prepared.session, self.director.recording.keeper.folder
        rules = Rules(session.session, session.takes.keep_last, session.takes.keep_free)
        busy = () if folder is None else (str(folder),)
        self._worker.give(lambda: tidy(self.root, rules, busy))

    def _tell_tidied(self, result: Tidied) -> None:
        for removal in result.removed:
            data = {"folder": removal.entry.path, "take": removal.entry.name, "why": removal.why}
            self.director.tell("tidied", {**data, "freed_bytes": removal.freed_bytes})
        utc = self.clock().utc
        for text in result.problems:
            self._alarm(utc, text, once=True)
        wanted = self.director.prepared.session.takes.keep_free or 0
        text = f"takes folder {self.root}: less than {wanted / 1e6:.0f} MB are free, and no more takes may go"
        if result.short_bytes:
            self._alarm(utc, text, once=True)
        else:
            self._told.discard(text)


def _failed(error: Exception) -> Tidied:
    return Tidied(problems=[f"tidying takes away failed: {error}"])
