"""A virtual rig's take, kept in a folder by the desk's own code: what three processes leave behind."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import wait
from pathlib import Path

from virtual_rig import VirtualRig

from runner.desk.roll import compile_roll
from runner.desk.taking import TakeKeeper
from runner.plan.rehearsal import Rehearsal
from runner.takes.format import Kind
from runner.takes.store import Store


def kept_take(
    text: str,
    folder: Path,
    seconds: float,
    song: str = "",
    play: Callable[[VirtualRig, float], None] = VirtualRig.run_for,
) -> tuple[Path, VirtualRig]:
    """Roll the first song of a session text for `seconds` of virtual time; return the take's folder.

    A take that has not ended by then is stopped. `play` lets the time pass, and may do mischief meanwhile.
    """
    rig = VirtualRig.of(text, folder)
    store = Store(folder / "takes")
    keeper = TakeKeeper(store)
    name = song or rig.prepared.session.songs[0].song
    plan = compile_roll(rig.prepared, [name], Rehearsal(), pass_name="following", run="run-1")
    new = keeper.create(plan)
    rig.loop.player.load(plan.course)
    now = rig.clock.now_ns()
    anchor = rig.loop.player.roll(now)
    order = {"take": new.key, "song": name, "anchor_ns": anchor, "wall_ns": 1_700_000_000_000_000_000}
    rig.loop.log.add_json(Kind.TAKE_BEGIN, now, order)
    play(rig, seconds)
    if rig.loop.player.moving:
        rig.loop.player.stop(rig.clock.now_ns(), "stopped by the test")
        rig.run_for(0.1)
    for record in rig.records():
        if record.kind == Kind.TAKE_BEGIN:
            keeper.begin(plan, record)
        elif record.kind == Kind.TAKE_END:
            keeper.feed([record])
            keeper.end()
            break
        else:
            keeper.feed([record])
    assert keeper._closing is not None
    wait([keeper._closing])
    assert keeper.collect() is not None
    return new.folder, rig
