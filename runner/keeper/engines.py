"""The engine, and a second one that stands by for it.

A new process needs 0.3 s and more until it can open a port, most of it for its imports, and so long a dead
engine's notes would hang. So a spare is started when things are calm: it has imported all that it needs and
has its rights, and waits, without a port, for a byte on a pipe of its own. It begins ahead of what is not
real time: at its leisure it took 5 s to get ready on a busy computer, and so long nobody stood by.
"""

from __future__ import annotations

import contextlib
import os
import signal

from runner.keeper.child import Child
from runner.keeper.pipes import Pipes

MODULE = "runner.engine"
STANDS_BY = b"s"  #: what a spare says on the beat pipe when it can take over
CALM_S = 0.4  #: so long nothing else must have been started: then nobody waits for the processor


class Spare:
    """An engine process that waits; `promote` makes it the engine, `dismiss` ends it."""

    def __init__(self, pipes: Pipes) -> None:
        self.ready = False  #: whether it has said that it can take over
        read, self._write = os.pipe()
        arguments, fds = pipes.engine_arguments()
        try:
            self.child = Child(MODULE, [*arguments, "--spare", str(read)], [*fds, read], urgent=True)
        finally:
            os.close(read)

    def promote(self) -> Child:
        """Let it take over at once, as after a death."""
        with contextlib.suppress(BrokenPipeError):  # one that has just died: its own end tells
            os.write(self._write, b"!")
        os.close(self._write)
        return self.child

    def forget(self) -> None:
        """Give up one that has died."""
        os.close(self._write)
        self.child.close()

    def dismiss(self, wait_s: float) -> None:
        """End it: it goes by itself when its pipe is closed."""
        os.close(self._write)
        self.child.end(wait_s)
        self.child.close()


def start_engine(pipes: Pipes, *words: str, urgent: bool = False) -> Child:
    """Start an engine process without the help of a spare; an `urgent` one is waited for by what sounds.

    Python's start and the imports take 0.3 s of a processor. On a busy computer that is seconds, unless
    they go before all that is not real time.
    """
    arguments, fds = pipes.engine_arguments()
    return Child(MODULE, [*arguments, *words], fds, urgent=urgent)


def end_now(child: Child) -> None:
    """Tell an engine to stop and silence the rig, and to go."""
    child.signal(signal.SIGTERM)
