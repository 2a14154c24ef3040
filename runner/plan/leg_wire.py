"""The wires of one leg: everything that may move gets its time, and each port's queue is followed once."""

from __future__ import annotations

from collections.abc import Sequence

from runner.plan.columns import Rows
from runner.plan.place import place
from runner.plan.quarter_frames import QuarterFrames
from runner.plan.report import Traffic, WireReport, judge_wire
from runner.plan.score import ScorePort
from runner.plan.stretch import Collected, Frame
from runner.plan.timecode_out import merged
from runner.plan.timeline import EventOrder
from runner.plan.wire import PortWire
from runner.plan.wire_load import measure

CONTROL_WINDOW_NS = 5_000_000  #: how far a controller may be brought forward to let a clock pass
_MOVABLE = frozenset((0xA0, 0xB0, 0xD0, 0xE0))


class LegWires:
    """The ports of a leg with their clocks."""

    def __init__(self, frame: Frame, out: Collected) -> None:
        self._frame = frame
        self._out = out
        self._clock_times: dict[int, Sequence[int]] = {}
        self._code_times: dict[int, list[int]] = {}

    def place(self) -> None:
        """Find the time of everything that may move, and put it among the rows."""
        rows, drafts = self._out.rows, self._out.drafts
        placed = self._out.placed
        for port in self._frame.score.ports:
            if not drafts.get(port.index):
                continue
            mine = rows.of_port(port.index)
            _, times, sizes = self._with_time_code(port, mine)
            wire = PortWire(port.link, self._clocks_around(port), times, sizes)
            placed += place(port, wire, drafts[port.index])
        for each in placed:
            draft = each.draft
            rows.add(
                each.t_ns,
                float(draft.quarters),
                draft.shift_ns + each.t_ns - draft.t_ns,
                draft.order,
                draft.port,
                draft.machine,
                self._out.sources.index(draft.source),
                each.data,
            )

    def measure(self, limit_ns: int) -> list[WireReport]:
        """Follow each queue, bring controllers forward where a clock would wait, order all rows."""
        reports: list[WireReport] = []
        rows = self._out.rows
        by_port = rows.by_port()
        for port in self._frame.score.ports:
            clocks = self._clocks_and_next(port)
            mine, times, sizes = self._with_time_code(port, by_port.get(port.index, []))
            if not mine and not clocks:
                continue
            movable = _movable(rows, mine) if clocks else None
            load = measure(
                port.link, clocks, times, sizes, movable, limit_ns=limit_ns, window_ns=CONTROL_WINDOW_NS
            )
            load.uncount_clocks(port.link, len(clocks) - len(self._clocks(port)))
            for index, t_ns in load.moved.items():
                rows.move(mine[index], t_ns)
            texts = self._out.sources.texts
            traffic = Traffic(clocks, self._frame.grid.quarters0, rows, mine, texts, times)
            reports.append(judge_wire(self._frame.score, port, load, traffic, self._out.report))
        rows.arrange(by_port.values())
        return reports

    def _with_time_code(
        self, port: ScorePort, mine: Sequence[int]
    ) -> tuple[Sequence[int], list[int], list[int]]:
        """Return rows, times and sizes of a port in order; rows below 0 are quarter frames of time code."""
        rows = self._out.rows
        times, sizes = [rows.t_ns[row] for row in mine], [len(rows.data[row]) for row in mine]
        role = next((role for role in self._out.time_codes if role.port == port.index), None)
        if role is None:
            return mine, times, sizes
        coded = self._code_times.get(port.index)
        if coded is None:
            grid = self._frame.grid
            coded = QuarterFrames(role, grid.clock_ns, float(grid.quarters0)).send_times()
            self._code_times[port.index] = coded
        order = merged(times, coded)
        return (
            [mine[at] if at >= 0 else -1 for at in order],
            [times[at] if at >= 0 else coded[-1 - at] for at in order],
            [sizes[at] if at >= 0 else 2 for at in order],
        )

    def _clocks(self, port: ScorePort) -> Sequence[int]:
        """Return the clock times of a port; the same list for all ports with the same offset."""
        if not port.clock:
            return ()
        offset = port.offset_ns
        times = self._clock_times.get(offset)
        if times is None:
            ticks = self._frame.grid.clock_ns
            times = [t_ns + offset for t_ns in ticks] if offset else ticks.tolist()
            self._clock_times[offset] = times
        return times

    def _clocks_and_next(self, port: ScorePort) -> Sequence[int]:
        """Return the port's clocks and, of a leg that another one follows, the clock at the seam.

        It is the next leg's, and has to wait for what this one sends just before.
        """
        clocks = self._clocks(port)
        if not port.clock or self._frame.stretch.stops:
            return clocks
        return [*clocks, self._frame.exit_ns + port.offset_ns]

    def _clocks_around(self, port: ScorePort) -> Sequence[int]:
        """Return the port's clocks with those near its seams: the last of the leg before, the next leg's."""
        clocks = self._clocks_and_next(port)
        before = self._frame.stretch.before
        if before is None or not port.clock:
            return clocks
        seam_ns = self._frame.entry_ns + port.offset_ns
        return [*(t_ns + seam_ns for t_ns in before.clocks_ns), *clocks]


def _movable(rows: Rows, mine: Sequence[int]) -> bytes | None:
    """Return which rows are controllers, bends or pressures; None if there are none."""
    order, data = rows.order, rows.data
    flags = bytearray(row >= 0 and order[row] == EventOrder.CONTROL for row in mine)
    at = flags.find(1)
    if at < 0:
        return None
    while at >= 0:
        flags[at] = data[mine[at]][0] & 0xF0 in _MOVABLE
        at = flags.find(1, at + 1)
    return bytes(flags)
