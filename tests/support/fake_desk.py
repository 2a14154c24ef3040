"""A daemon's control socket with nothing behind it: answers orders from a table, shows what it is told to."""

from __future__ import annotations

import os
import queue
import selectors
import sys
import threading
from collections.abc import Callable, Mapping
from pathlib import Path

from runner.desk.actions import Order, Outcome
from runner.desk.server import ControlServer
from runner.desk.status import Alarm, NextCue, PortStatus, Status, TakeStatus

REFUSED = Outcome(False, "not now, nothing rolls")

ROLLING = Status(
    session="Lantern Quay, evening run",
    state="rolling",
    song="Ropewalk",
    take_number=12,
    pass_name="bass overdub",
    place=3,
    places=8,
    next_song="Tide Table",
    at="bar 17 beat 3 7/12",
    section="refrain",
    left_s=72.4,
    next_cue=NextCue("bar 21 beat 1", "bass", "program 12", 7.6),
    clock_role="follower",
    clock_source="tape",
    clock_lock="locked",
    tempo_bpm=111.96,
    clock_missing=2,
    muted=("drums",),
    hold=False,
    ports=(
        PortStatus("front", True, "Front USB MIDI 1"),
        PortStatus("pedal"),
        PortStatus("deck", False, "gone since 19:31:07"),
        PortStatus("tape"),
    ),
    takes=(
        TakeStatus("Ropewalk", "bass overdub", 11, "clean", "takes/a"),
        TakeStatus("Ropewalk", "bass overdub", 10, "flawed", "takes/b"),
        TakeStatus("Fog Signal", "main", 3, "failed", "takes/c"),
        TakeStatus("Fog Signal", "main", 2, "interrupted", "takes/d"),
        TakeStatus("Net Loft", "main", 1, "clean", "takes/e"),
    ),
    alarms=(
        Alarm("2026-05-02T17:29:59Z", "warning", "clock from tape missed 2 ticks at bar 9 beat 2"),
        Alarm("2026-05-02T17:31:07Z", "error", "port deck is gone"),
    ),
    realtime=True,
)


class FakeDesk:
    """Serves a socket in a thread of its own, from `with` to its end; `orders` is what it was asked."""

    def __init__(
        self,
        path: Path,
        answers: Mapping[str, Outcome] | Callable[[Order], Outcome] | None = None,
        status: Status = ROLLING,
    ) -> None:
        self.path = path
        self.orders: list[Order] = []
        self._answers = answers if answers is not None else {}
        self._status = status
        self._jobs: queue.Queue[Status | None] = queue.Queue()
        self._wake_in, self._wake_out = os.pipe()
        self._started = threading.Event()
        self._ended = False
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> FakeDesk:
        self._thread.start()
        assert self._started.wait(10)
        return self

    def __exit__(self, *_details: object) -> None:
        if self._ended:
            return
        self._ended = True
        self._do(None)
        self._thread.join(10)
        os.close(self._wake_in)
        os.close(self._wake_out)

    def publish(self, status: Status) -> None:
        """Show a status to all who watch."""
        self._do(status)

    def _do(self, job: Status | None) -> None:
        self._jobs.put(job)
        os.write(self._wake_out, b"x")

    def _answer(self, order: Order) -> Outcome:
        if callable(self._answers):
            return self._answers(order)
        return self._answers.get(str(order), REFUSED)

    def _serve(self) -> None:
        server = ControlServer(self.path, session=self._status.session)
        with selectors.DefaultSelector() as selector:
            server.register(selector)
            selector.register(self._wake_in, selectors.EVENT_READ, "wake")
            self._started.set()
            running = True
            while running:
                ready = {key.data for key, _ in selector.select(0.1)}
                if "wake" in ready:
                    os.read(self._wake_in, 1)
                    job = self._jobs.get()
                    running = job is not None
                    self._status = job or self._status
                server.publish(self._status)
                for request in server.serve():
                    self.orders.append(request.order)
                    server.answer(request, self._answer(request.order))
        server.close()


def demonstrate(path: Path) -> None:
    """Serve a song that goes on by itself, for a look at `watch` by eye: ``fake_desk.py PATH``."""
    import time
    from dataclasses import replace

    with FakeDesk(path, lambda order: Outcome(True, f"{order} is done")) as desk:
        for beat in range(4 * 4000):
            status = replace(
                ROLLING, at=f"bar {1 + beat // 4} beat {1 + beat % 4}", left_s=max(0.0, 240 - beat / 2)
            )
            desk.publish(status)
            time.sleep(0.5)


if __name__ == "__main__":
    demonstrate(Path(sys.argv[1]))
