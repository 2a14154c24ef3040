"""A recorder of its own: a process with a virtual JACK input and output that obeys machine control.

It is written on python-rtmidi alone and shares no code with the program that drives it; bytes and layouts
are those of MMA RP-013 (commands, pp. 1-5, 28; App. A) and RP-004/RP-008 (quarter frames, p. 2; full, p. 5).

``python tape_recorder.py CLIENT FPS CODE`` prints ``ready`` once both ports are there, then a line for each
message that comes: monotonic time in ns, bytes in hex; lines that begin with ``sent`` are quarter frames that
it sent. CODE is time code's rate code (0 to 3); with ``-`` it sends none, and rolls by what it is sent. It
ends when its input is closed.
"""

from __future__ import annotations

import select
import sys
import time
from typing import Any

import rtmidi

DEVICE = 1
LOCATE_S, START_S = 0.3, 0.2


class Deck:
    """Where the tape is (frames, non-drop), and what it does."""

    def __init__(self, out: Any, fps: int, code: int | None) -> None:
        self.out, self.fps, self.code = out, fps, code
        self.state = 0x01  # stop, by the code of the command
        self.recording = False
        self.at = 0.0
        self.since: float | None = None  # when it began to run
        self.locating: tuple[float, float] | None = None
        self.next_quarter = 0

    def frame(self, now: float) -> float:
        """Return where the head is."""
        return self.at if self.since is None or now < self.since else self.at + (now - self.since) * self.fps

    def parts(self, frame: int) -> tuple[int, int, int, int]:
        """Return hours with the rate code, minutes, seconds, frames."""
        seconds, frames = divmod(frame, self.fps)
        minutes, seconds = divmod(seconds, 60)
        hours, minutes = divmod(minutes, 60)
        rate = {24: 0, 25: 1, 30: 3}[self.fps]
        return rate << 5 | hours % 24, minutes, seconds, frames

    def halt(self, now: float, state: int) -> None:
        """Stop the tape where it is."""
        self.at, self.since, self.state, self.recording = self.frame(now), None, state, False

    def obey(self, data: list[int], now: float) -> None:
        """Take one message."""
        if data[0] == 0xF1 and self.code is None and self.state != 0x02:
            self.state, self.since = 0x02, now  # it goes by the time code that it is sent
        if data[:4] != [0xF0, 0x7F, DEVICE, 0x06]:
            return
        body = data[4:-1]
        if body[0] == 0x01:
            self.halt(now, 0x01)
        elif body[0] in (0x02, 0x03):
            self.state, self.since = 0x02, now + START_S
            first = int(self.at) + 1
            self.next_quarter = 4 * (first + first % 2)
        elif body[0] == 0x06:
            self.recording = self.state == 0x02
        elif body[0] == 0x07:
            self.recording = False
        elif body[:3] == [0x44, 0x06, 0x01]:
            hours, minutes, seconds, frames = body[3:7]
            self.halt(now, 0x09)
            target = ((60 * (hours & 0x1F) + minutes) * 60 + seconds) * self.fps + frames
            self.locating = (now + LOCATE_S, float(target))
        elif body[0] == 0x42:
            self.answer(body[2:], now)

    def answer(self, names: list[int], now: float) -> None:
        """Answer a read of motion (48), record status (4D) and time (01)."""
        fields: list[int] = []
        for name in names:
            if name == 0x48:
                busy = self.locating is not None
                moving = self.since is None or now >= self.since
                fields += [0x48, 3, self.state, 0x44 if busy else 0x7F, (0 if busy else 0x10) | int(moving)]
            elif name == 0x4D:
                fields += [0x4D, 1, int(self.recording)]
            elif name == 0x01:
                hours, minutes, seconds, frames = self.parts(int(self.frame(now)))
                fields += [0x01, hours, minutes, seconds, frames | 0x20, 0]
        self.out.send_message([0xF0, 0x7F, DEVICE, 0x07, *fields, 0xF7])

    def turn(self, now: float) -> None:
        """End a locate that is over, send the quarter frames that are due."""
        if self.locating is not None and now >= self.locating[0]:
            self.at, self.locating = self.locating[1], None
            if self.code is not None:
                self.out.send_message([0xF0, 0x7F, 0x7F, 0x01, 0x01, *self.parts(int(self.at)), 0xF7])
        while self.code is not None and self.since is not None:
            if self.since + (self.next_quarter / 4 - self.at) / self.fps > now:
                break
            set_at, piece = divmod(self.next_quarter, 8)
            hours, minutes, seconds, frames = self.parts(2 * set_at)
            value = (frames, seconds, minutes, hours)[piece // 2]
            self.out.send_message([0xF1, piece << 4 | (value >> 4 * (piece % 2)) & 0x0F])
            print(f"sent {time.monotonic_ns()} {self.next_quarter}", flush=True)
            self.next_quarter += 1


def main() -> None:
    """Be a recorder until standard input is closed."""
    client, fps, code = sys.argv[1], int(sys.argv[2]), sys.argv[3]
    ear = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=f"{client}-in", queue_size_limit=65_536)
    ear.ignore_types(sysex=False, timing=False, active_sense=False)
    ear.open_virtual_port("in")
    out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=f"{client}-out")
    out.open_virtual_port("out")
    deck = Deck(out, fps, None if code == "-" else int(code))
    print("ready", flush=True)
    while not select.select([sys.stdin], [], [], 0.0005)[0]:
        while (event := ear.get_message()) is not None:
            print(f"{time.monotonic_ns()} {bytes(event[0]).hex()}", flush=True)
            deck.obey(event[0], time.monotonic())
        deck.turn(time.monotonic())
    for port in (ear, out):
        port.close_port()
        port.delete()


if __name__ == "__main__":
    main()
