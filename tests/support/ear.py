"""A listener of its own: a process with virtual JACK inputs that writes down each message that comes.

It is written on python-rtmidi alone and shares no code with the program that it listens to. Messages are
taken out of RtMidi's queue and not by its callback: on JACK the callback runs in the server's process cycle,
where waiting for the interpreter would lose messages of the *listener*.

``python ear.py CLIENT PORT [PORT ...]`` prints ``ready`` once all ports are there, then a line for each
message: number of the port, monotonic time in ns, bytes in hex. It ends when its standard input, a pipe, is
closed; with any other standard input (a terminal, nothing in the background) at Ctrl-C or SIGTERM.
"""

from __future__ import annotations

import os
import select
import signal
import stat
import sys
import time

import rtmidi

POLL_S = 0.002  #: RtMidi stamps what comes as it comes; only the first message of all is stamped by us
OPENING_S = 20.0  #: a server of which a client just went may answer nobody for seconds
QUEUE_MESSAGES = 65_536


def opened(client: str) -> rtmidi.MidiIn:
    """Return a client of the server, asked for until it answers; SystemError when patience ends."""
    end = time.monotonic() + OPENING_S
    while True:
        try:
            return rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=client, queue_size_limit=QUEUE_MESSAGES)
        except rtmidi.SystemError:
            if time.monotonic() > end:
                raise
            time.sleep(0.2)


class Input:
    """One virtual input port; times are RtMidi's own, counted from the first message's arrival."""

    def __init__(self, client: str, name: str) -> None:
        self._midi = opened(client)
        self._midi.ignore_types(sysex=False, timing=False, active_sense=False)
        self._midi.open_virtual_port(name)
        self._first_ns: int | None = None
        self._sum_s = 0.0

    def messages(self) -> list[tuple[int, bytes]]:
        """Return what has come: (monotonic ns, bytes)."""
        found = []
        while (event := self._midi.get_message()) is not None:
            data, delta_s = event
            if self._first_ns is None:
                self._first_ns = time.monotonic_ns()
            else:
                self._sum_s += delta_s
            found.append((self._first_ns + round(self._sum_s * 1e9), bytes(data)))
        return found

    def close(self) -> None:
        """Leave the server in good order."""
        self._midi.close_port()
        self._midi.delete()


def stdin_is_a_pipe() -> bool:
    """Whether whoever started us holds the other end of our standard input, and closes it to end us."""
    try:
        mode = os.fstat(0).st_mode
    except OSError:
        return False
    return stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode)


def main() -> None:
    """Listen until a pipe at standard input is closed, or a signal comes."""
    client, *names = sys.argv[1:]
    inputs = [Input(f"{client}-{name}", name) for name in names]
    print("ready", flush=True)
    closing = False
    piped = stdin_is_a_pipe()
    signalled = False

    def leave(*_signal: object) -> None:
        nonlocal signalled
        signalled = True

    if not piped:
        signal.signal(signal.SIGINT, leave)
        signal.signal(signal.SIGTERM, leave)
    while True:
        lines = [
            f"{index} {t_ns} {data.hex()}\n"
            for index, port in enumerate(inputs)
            for t_ns, data in port.messages()
        ]
        if lines:
            sys.stdout.write("".join(lines))
            sys.stdout.flush()
        elif closing:
            break
        if piped:
            closing = bool(select.select([sys.stdin], [], [], POLL_S)[0])
        else:
            time.sleep(POLL_S)
            closing = signalled
    for port in inputs:
        port.close()


if __name__ == "__main__":
    main()
