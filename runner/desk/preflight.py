"""What must be right before a take may roll, as far as the daemon sees it by itself and in no time.

The pedal's `check` and the schedule ask for this; `takewright check SESSION --live` looks at more.
"""

from __future__ import annotations

import shutil
from datetime import UTC, datetime

from runner.desk.status import Status
from runner.desk.wall_clock import clock_trouble, synchronised
from runner.takes.store import NEEDED_BYTES, Store


def preflight_quick(status: Status, store: Store) -> tuple[bool, list[str]]:
    """Return whether nothing speaks against a roll, and what is to be said, the worst first.

    Wrong are: ports that are gone, a rig in trouble, a record that is not being written, a disk with no
    room. Only said are: ports of machines that no roll waits for, no real-time priority, a clock that may be
    wrong. Touches the disk just to ask how much is free.
    """
    wrong = [status.waiting_for] if status.state == "trouble" else []
    told = " ".join(wrong)
    gone = [port for port in status.ports if not port.present and f"port {port.name}:" not in told]
    if needed := [port.name for port in gone if port.required]:
        wrong.append(f"gone: {', '.join(needed)}")
    if status.log_trouble:
        wrong.append(f"the take's record is not being written: {status.log_trouble}")
    wrong += _disk(store)
    optional = [port.name for port in gone if not port.required]
    remarks = [f"gone, and no roll waits for it: {', '.join(optional)}"] if optional else []
    remarks += [] if status.realtime else ["no real-time priority: a busy computer will make the clock late"]
    remarks += [text for text in (clock_trouble(datetime.now(UTC), synchronised()),) if text]
    return not wrong, wrong + remarks


def _disk(store: Store) -> list[str]:
    try:
        free_bytes = shutil.disk_usage(store.folder).free
    except OSError as error:
        return [f"takes folder {store.folder}: {error.strerror or error}"]
    if free_bytes < NEEDED_BYTES:
        free, wanted = free_bytes / 1e6, NEEDED_BYTES / 1e6
        return [f"takes folder {store.folder}: {free:.0f} MB are free, {wanted:.0f} MB are wanted"]
    return []
