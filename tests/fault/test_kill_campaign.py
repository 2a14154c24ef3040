"""Two hundred kills at seeded random moments of takes: desk, engine and keeper, on JACK ports.

A listener that shares no code with the program measures what reached the machines. What must hold, each time:
a dead desk costs no tick and no record; after the death of engine or keeper every machine has its Stop and
its Note Offs (MIDI 1.0 Detailed Specification 4.2.1, p. 10 and p. 30) within `SILENT_WITHIN_NS`; the take
that was broken off can be read back, and the store lists it.

The limit is the one that holds on a computer that has a processor free. TAKEWRIGHT_KILL_LOG names a file to
which each time is appended, for the figures: number, who, after how many clocks, ms until the listener had
it all, and ms until the engine had sent it all (by the take's own record; - where none was sent). The
difference is the way through JACK and the listener's own wait for a processor.
"""

from __future__ import annotations

import os
import random
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from jack_server import JackServer
from live_run import Ear, Run, listening, running
from quay import (
    CLOCK,
    CLOCKS_PER_BAR,
    PORTS,
    START,
    STOP,
    assert_record_is_whole,
    ended_ns,
    events_of,
    write_session,
)

from runner.takes.reader import read_take
from runner.takes.store import Store

KILLS = 200
SEED = 5
BARS = 8
TEMPO_BPM = 300
SILENT_WITHIN_NS = 500_000_000

pytestmark = [pytest.mark.realport, pytest.mark.campaign]


def _cases() -> list[tuple[int, str, int]]:
    """Return (number, who is killed, after how many clocks) for each kill."""
    seeded = random.Random(SEED)
    last = BARS * CLOCKS_PER_BAR - 8
    return [
        (number, seeded.choice(("desk", "engine", "keeper")), seeded.randrange(30, last))
        for number in range(KILLS)
    ]


@pytest.fixture
def ear(jack_server: JackServer) -> Iterator[Ear]:
    """A listener with the two ports of the session."""
    with listening("quay", PORTS, jack_server.child_environment()) as ear:
        yield ear


@pytest.fixture
def run(ear: Ear, jack_server: JackServer, tmp_path: Path) -> Iterator[Run]:
    """A run of the session's one song; its two notes last from the first bar to the end."""
    session = write_session(tmp_path, jack=True, bars=BARS, tempo=TEMPO_BPM)
    arguments = [str(session), "--song", "Net Loft"]
    with running(arguments, tmp_path / "takes", jack_server.child_environment()) as run:
        yield run


def _note(number: int, who: str, clocks: int, silent_ns: int, sent_ns: int | None) -> None:
    if path := os.environ.get("TAKEWRIGHT_KILL_LOG"):
        sent = "-" if sent_ns is None else f"{sent_ns / 1e6:.1f}"
        with open(path, "a") as log:
            log.write(f"{number} {who} {clocks} {silent_ns / 1e6:.1f} {sent}\n")


def _ends(data: bytes) -> bool:
    """Whether a message ends something that sounds or runs."""
    return data == STOP or data[0] & 0xF0 in (0x80, 0x90)


def _sent_after_ns(take: Path, killed_ns: int) -> int | None:
    """Return how long after the kill Stop and all Note Offs had left the engine, as the take has it."""
    anchor_ns = read_take(take).header.anchor_ns
    sent = [e for e in events_of(take) if e["kind"] in ("sent", "cut") and _ends(bytes.fromhex(e["bytes"]))]
    first: dict[tuple[str, str], int] = {}  # after an engine's death each is sent once more a little later
    for event in sent:
        if (after_ns := anchor_ns + event["t"] - killed_ns) > 0:
            first.setdefault((event["port"], event["bytes"]), after_ns)
    return max(first.values(), default=None)


def _silent_after_ns(ear: Ear, killed_ns: int) -> int:
    """Return how long after the kill the last of Stop and the owed Note Offs came; all must have come."""
    ear.wait_for(lambda: ended_ns(ear.heard()) is not None, "Stop and silence")
    return max(0, (ended_ns(ear.heard()) or 0) - killed_ns)


@pytest.mark.parametrize(("number", "who", "clocks"), _cases())
def test_a_kill_at_any_moment_of_a_take(run: Run, ear: Ear, number: int, who: str, clocks: int) -> None:
    """One kill: no tick or record is lost with a desk; with the others Stop and silence come in time."""
    run.child("spare")
    ear.wait_for(lambda: ear.clocks("box") >= clocks, f"{clocks} clocks")
    if who == "keeper":
        run.family()
        killed = ear.heard()[-1].t_ns
        run.process.send_signal(signal.SIGKILL)
    else:
        killed = run.kill(who)
    run.wait()
    assert run.left_over() == []
    if who == "desk":
        box = [entry.data for entry in ear.heard("box")]
        song = box[box.index(START) + 1 : box.index(STOP)]
        assert song == [CLOCK] * (BARS * CLOCKS_PER_BAR)
        assert_record_is_whole(run.takes()[0])
    silent_ns = _silent_after_ns(ear, killed)
    (take,) = run.takes()
    _note(number, who, clocks, silent_ns, _sent_after_ns(take, killed))
    if who != "desk":
        assert silent_ns <= SILENT_WITHIN_NS, f"{silent_ns / 1e6:.0f} ms"
    assert read_take(take).header.song == "Net Loft"
    assert [entry.verdict for entry in Store(run.takes_folder).takes()] == [run.summary()["verdict"]]
