"""Time code that is sent: the quarter frames of a leg, when each goes out, and the full message first.

The song's `time-code` is that of bar 1; what lies before bar 1 counts down from it, over midnight if need be.
A `TimeCodeRole` says from where to where, and `QuarterFrames` works out each when it is due.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from runner.music import TimeCode
from runner.music.mtc import full_message
from runner.plan.columns import Draft
from runner.plan.quarter_frames import DEFAULT_TIME_CODE, QuarterFrames
from runner.plan.reporting import Path, Reporter
from runner.plan.score import ScorePort
from runner.plan.stretch import Frame
from runner.plan.timeline import EventOrder, TimeCodeRole
from runner.plan.wire import CLOCK_GUARD_NS

SOURCE = "time code"
FULL_LEAD_NS = 50_000_000  #: from the full message to the first quarter frame, where nothing rolled before
_SEAM_LEAD_NS = 2_000_000  #: the same between two legs
_BYTES = 2


def origins_of(
    text: str | None, ports: Sequence[ScorePort], path: Path, report: Reporter
) -> Mapping[int, TimeCode]:
    """Return the time code of bar 1 on each port that gets time code; what is wrong goes to `report`."""
    origins: dict[int, TimeCode] = {}
    for port in ports:
        rate = port.time_code
        if rate is None:
            continue
        try:
            # as plain numbers: the default has the ':' of all rates, drop-frame included
            origins[port.index] = TimeCode.parse(text or DEFAULT_TIME_CODE, rate)
        except ValueError as error:
            report.add((*path, "time-code"), f"{error} (frame rate of port {port.name})")
    return origins


def role_of(frame: Frame, port: ScorePort, source: int) -> TimeCodeRole | None:
    """Return the time code that a port gets in a leg: from its first clock, lead included, to its exit."""
    origin = frame.score.origins.get(port.index)
    if origin is None:
        return None
    first_ns = frame.grid.clock_ns[0] if frame.cold and len(frame.grid.clock_ns) else frame.entry_ns
    before_ns = after_ns = 0
    if port.clock:
        before_ns = port.link.duration_ns(_BYTES) + CLOCK_GUARD_NS
        after_ns = port.link.duration_ns(1)
    return TimeCodeRole(
        port=port.index,
        machine=port.time_code_machine,
        source=source,
        shift_ns=port.time_code_offset_ns,
        rate=origin.rate.value,
        origin=origin.frame,
        first_ns=first_ns,
        last_ns=frame.exit_ns,
        clock_shift_ns=port.offset_ns,
        before_ns=before_ns,
        after_ns=after_ns,
    )


def full_draft(frame: Frame, role: TimeCodeRole, frames: QuarterFrames) -> Draft:
    """Return the full message that tells where the time code of a leg begins."""
    from runner.plan.columns import Draft

    index = frames.first
    t_ns = frames.song_ns(index)
    quarters = frames.exact_quarters(t_ns)
    lead_ns = FULL_LEAD_NS if frame.cold else _SEAM_LEAD_NS
    at_ns = t_ns + role.shift_ns - lead_ns
    return Draft(
        at_ns,
        quarters,
        at_ns - frame.ns_of(quarters),
        0,
        EventOrder.CONTROL,
        role.port,
        role.machine,
        SOURCE,
        (full_message(frames.code(index)),),
    )


def merged(times_ns: Sequence[int], more_ns: Sequence[int]) -> list[int]:
    """Return the order of two sorted lists put together: numbers below 0 are of the second, from -1 down."""
    both = [*times_ns, *more_ns]
    count = len(times_ns)
    order = sorted(range(len(both)), key=both.__getitem__)
    return [at if at < count else count - 1 - at for at in order]


__all__ = ["FULL_LEAD_NS", "full_draft", "merged", "origins_of", "role_of"]
