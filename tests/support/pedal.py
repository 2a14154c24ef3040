"""A pedal of its own: a process with one virtual JACK output that sends what it is told.

It is written on python-rtmidi alone and shares no code with the program that it gives orders to.

``python pedal.py CLIENT PORT`` prints ``ready`` once the port is there; then each line of its standard input
is one message in hex, sent at once. It ends when its standard input is closed.
"""

from __future__ import annotations

import sys

import rtmidi


def main(client: str, port: str) -> None:
    """Send line by line until there are no more."""
    midi = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=client)
    midi.open_virtual_port(port)
    print("ready", flush=True)
    for line in sys.stdin:
        midi.send_message(list(bytes.fromhex(line)))
    midi.close_port()


if __name__ == "__main__":
    main(*sys.argv[1:3])
