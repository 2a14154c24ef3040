"""The descriptors that join keeper, engine and desk.

The keeper makes them all and keeps both ends of each open, so that what is in a pipe or a socket
outlives the process that was to read it. The one exception is the lifeline: only the keeper holds its
writing end, so that its reading end tells the children when the keeper is gone.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import socket
from dataclasses import dataclass

RECORD_PIPE_BYTES = 1 << 20  #: 16,384 records: over a minute of four clocked ports without a reader
_F_SETPIPE_SZ = 1031


@dataclass(frozen=True, slots=True)
class Pipes:
    """Descriptors by what they carry; (reading end, writing end) for pipes."""

    records: tuple[int, int]  #: engine to desk
    report: tuple[int, int]  #: desk to keeper: lines of JSON
    control: tuple[int, int]  #: keeper to desk: lines of JSON
    beat: tuple[int, int]  #: engine to keeper: a byte at each beat
    lifeline: tuple[int, int]  #: never written
    link_desk: socket.socket
    link_engine: socket.socket
    spool: int  #: memory file: records on their way through the desk
    rescue: int  #: memory file: what is sounding, and the rig
    accepted: int  #: memory file: the session in force, with its parts

    @classmethod
    def open(cls) -> Pipes:
        """Make them all."""
        records = os.pipe()
        with contextlib.suppress(OSError):  # a smaller pipe holds less, and says what it dropped
            fcntl.fcntl(records[1], _F_SETPIPE_SZ, RECORD_PIPE_BYTES)
        desk, engine = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        return cls(
            records=records,
            report=os.pipe(),
            control=os.pipe(),
            beat=os.pipe(),
            lifeline=os.pipe(),
            link_desk=desk,
            link_engine=engine,
            spool=os.memfd_create("takewright-spool"),
            rescue=os.memfd_create("takewright-rescue"),
            accepted=os.memfd_create("takewright-accepted"),
        )

    def close(self) -> None:
        """Close everything; the lifeline last goes with it."""
        for pair in (self.records, self.report, self.control, self.beat, self.lifeline):
            for fd in pair:
                os.close(fd)
        self.link_desk.close()
        self.link_engine.close()
        os.close(self.spool)
        os.close(self.rescue)
        os.close(self.accepted)

    def engine_arguments(self) -> tuple[list[str], list[int]]:
        """Return the engine's arguments, and the descriptors that it inherits."""
        fds = {
            "link": self.link_engine.fileno(),
            "records": self.records[1],
            "beat": self.beat[1],
            "lifeline": self.lifeline[0],
            "rescue-file": self.rescue,
        }
        return _arguments(fds), list(fds.values())

    def desk_arguments(self) -> tuple[list[str], list[int]]:
        """Return the desk's arguments, and the descriptors that it inherits."""
        fds = {
            "link": self.link_desk.fileno(),
            "records": self.records[0],
            "spool": self.spool,
            "accepted": self.accepted,
            "report": self.report[1],
            "control": self.control[0],
            "lifeline": self.lifeline[0],
        }
        return _arguments(fds), list(fds.values())


def _arguments(fds: dict[str, int]) -> list[str]:
    return [word for name, fd in fds.items() for word in (f"--{name}", str(fd))]
