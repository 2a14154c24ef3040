"""The desk of a campaign, killed, stopped and started again, and the disk under it.

The real spool and `TakeWriter` write to real files, through a disk that fails as the campaign says.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable
from pathlib import Path
from random import Random
from typing import Any

from lab_draw import Campaign, Fault
from lab_ports import Death, LabClock
from lab_rig import Engines

from runner.desk.prepare import Prepared
from runner.desk.spool import RecordSpool
from runner.plan.compile import CompiledSong
from runner.takes.closing import close_take
from runner.takes.declared import Declared, MachineFacts
from runner.takes.files import Syncer
from runner.takes.format import Kind, Record
from runner.takes.lines import TakeHeader
from runner.takes.reader import EVENTS_FILE
from runner.takes.writer import TakeWriter

_WRITE = os.write


class Desk:
    """The part of the desk that keeps the take: spool and writer; killed, stopped and started again."""

    def __init__(self, engines: Engines, folder: Path, compiled: CompiledSong, prepared: Prepared) -> None:
        self._engines, self._folder = engines, folder
        self._compiled, self._prepared = compiled, prepared
        self._campaign, self._clock = engines.campaign, engines.clock
        self._spool_fd = os.memfd_create("lab-spool")
        self._spool: RecordSpool | None = RecordSpool(engines.records, self._spool_fd)
        self._writer: TakeWriter | None = None
        self._writer_lost = 0
        self._down_until = 0
        self._kills = self._campaign.of("desk-killed")
        self._stops = self._campaign.of("desk-stopped")
        self.summary: dict[str, Any] | None = None
        self.deaths = 0

    def pump(self) -> None:
        """Take what has come, unless the desk is dead or stopped."""
        now = self._clock.now_ns()
        since = now - self._clock.zero_ns
        if self._spool is None and now < self._down_until:
            return
        if any(fault.holds(since) for fault in self._stops):
            return
        self._engines.read_answers()
        try:
            if self._spool is None:
                self._start_again()
            assert self._spool is not None
            kill = bool(self._kills) and since >= self._kills[0].at_ns
            come = self._engines.waiting_bytes() > 0
            if come:
                self._take(self._spool.read())
            if kill:
                self._down_until = now + self._kills.pop(0).span_ns
                raise Death
            if come:
                self._spool.used(self._writer is None or self._writer.safe)
            elif self._writer is not None:
                self._writer.flush()
        except Death:
            self._die(max(self._down_until, now + 300_000_000))

    def _die(self, until_ns: int) -> None:
        self.deaths += 1
        self._down_until = until_ns
        if self._writer is not None:
            self._writer.release()
        self._spool = self._writer = None

    def _start_again(self) -> None:
        self._spool = RecordSpool(self._engines.records, self._spool_fd)
        if self.summary is None and (self._folder / EVENTS_FILE).exists():
            self._writer = TakeWriter.resume(
                self._folder, self._compiled.time.at_text, header=self._header(0), now_ns=self._clock.now_ns
            )
        self._take(self._spool.left_over())
        self._spool.used(self._writer is None or self._writer.safe)

    def _take(self, records: list[Record]) -> None:
        waiting: list[Record] = []
        for record in records:
            if record.kind == Kind.TAKE_BEGIN and self._writer is None and self.summary is None:
                header = self._header(record.json()["anchor_ns"])
                at_text = self._compiled.time.at_text
                self._writer = TakeWriter(self._folder, header, at_text, now_ns=self._clock.now_ns)
                waiting = [record]
            elif self._writer is not None:
                waiting.append(record)
        if self._writer is not None:
            self._writer.feed_all(waiting)

    def close(self) -> dict[str, Any]:
        """Read the pipe to its end, as a desk that was started again would, and close the take."""
        self._down_until = 0
        if self._spool is None:
            self._start_again()
        assert self._spool is not None
        while records := self._spool.read():
            self._take(records)
            self._spool.used()
        if self._writer is None:
            raise AssertionError("the take has no log at all")
        self.state = self._writer.state
        self._writer.finish("the desk closes", "failed")
        self._writer.release()
        self.summary = close_take(self._folder, lost=self.state.lost)
        return self.summary

    def give_up(self) -> None:
        """Let go of all descriptors."""
        if self._writer is not None:
            self._writer.release()
        os.close(self._spool_fd)

    def _header(self, anchor_ns: int) -> TakeHeader:
        session, compiled = self._prepared.session, self._compiled
        timeline = compiled.course.legs[0].timeline
        lead_ns = max(0, timeline.stages[1].t_ns - timeline.stages[0].t_ns) if len(timeline.stages) > 1 else 0
        declared = Declared.of_song(
            compiled.time,
            lead_ns=lead_ns,
            entry_quarters=timeline.entry_quarters,
            clocks={timeline.ports[role.port]: (role.first, role.last) for role in timeline.clocks},
            machines=tuple(
                MachineFacts(name, spec.port, spec.channel, spec.kind, tuple(spec.follows), spec.offset_ns)
                for name, spec in session.machines.items()
            ),
        )
        return TakeHeader(
            take="take-0001", session=session.session, song="Slack Water", pass_name="main", number=1,
            started_at="2026-05-04T19:30:00.000Z", run="lab", anchor_ns=anchor_ns, ports=timeline.ports,
            machines=timeline.machines, sources=timeline.sources, declared=declared.to_dict(),
            limits=session.limits.model_dump(mode="json", by_alias=True),
        )  # fmt: skip


class Disk:
    """The disk under the take: full, failing, or the end of a desk that is killed while it writes."""

    def __init__(self, campaign: Campaign, clock: LabClock) -> None:
        self._clock = clock
        self._full, self._short = campaign.of("disk"), campaign.of("short")
        self._sync = campaign.of("sync")
        self._kills = campaign.of("desk-killed-writing")
        self._rng = Random(campaign.seed)
        self.failing = True

    def _since(self) -> int:
        return self._clock.now_ns() - self._clock.zero_ns

    def _now(self, faults: list[Fault]) -> bool:
        return self.failing and self._clock.begun and any(fault.holds(self._since()) for fault in faults)

    def write(self, fd: int, data: Any) -> int:
        """Stands for `os.write`."""
        if self._now(self._full):
            if self._rng.random() < 0.5 and len(data) > 1:  # what still found room counts, as in write(2)
                return _WRITE(fd, bytes(data)[: self._rng.randrange(1, len(data))])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        if self.failing and self._clock.begun and self._kills and self._since() >= self._kills[0].at_ns:
            kill = self._kills.pop(0)
            _WRITE(fd, bytes(data)[: min(len(data), kill.amount)])
            raise Death
        if self._now(self._short) and len(data) > 1:
            return _WRITE(fd, bytes(data)[: self._rng.randrange(1, len(data))])
        return _WRITE(fd, data)

    def sync(self, _fd: int) -> None:
        """Stands for `fdatasync`."""
        if self._now(self._sync):
            raise OSError(errno.EIO, os.strerror(errno.EIO))


class PromptSyncer(Syncer):
    """Syncs at once: what a thread of its own does depends on the computer, not on the seed."""

    def request(self, others: Iterable[Path] = ()) -> None:
        """Sync all files."""
        self._sync_all(self._copies(), others)
