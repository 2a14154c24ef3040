"""Draws one campaign from a seed: a session, what the user does, and what goes wrong and when.

All times are ns of virtual time from the order to roll. Everything in a campaign follows from its seed.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass

MS = 1_000_000
SECOND = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that goes wrong from `at_ns` for `span_ns`; its `kind` tells what the other fields say."""

    kind: str
    at_ns: int
    span_ns: int = 0
    port: int = 0
    amount: int = 0
    flag: bool = False

    def holds(self, now_ns: int) -> bool:
        """Whether it is going on."""
        return self.at_ns <= now_ns < self.at_ns + self.span_ns

    def __str__(self) -> str:
        text = f"{self.kind} at {self.at_ns / SECOND:.3f} s"
        if self.span_ns:
            text += f" for {self.span_ns / MS:.0f} ms"
        return text + f" port {self.port} amount {self.amount} {self.flag}"


@dataclass(frozen=True, slots=True)
class Action:
    """One thing that the user does."""

    kind: str
    at_ns: int
    machine: int = 0
    flag: bool = False


@dataclass(frozen=True, slots=True)
class Campaign:
    """A session and its script; `song_ns` is about how long the song takes."""

    seed: int
    text: str
    ports: int
    song_ns: int
    faults: tuple[Fault, ...]
    actions: tuple[Action, ...] = ()
    pipe_bytes: int = 1 << 20
    from_moment: str = ""
    master: tuple[tuple[int, bytes], ...] = ()  #: what another machine's clock sends, and when; none: our own

    def of(self, *kinds: str) -> list[Fault]:
        """Return the faults of these kinds."""
        return [fault for fault in self.faults if fault.kind in kinds]

    def describe(self) -> str:
        """Return the script, for people."""
        script = [str(fault) for fault in self.faults] + [str(action) for action in self.actions]
        if self.master:
            script.append(
                f"{len(self.master)} messages of a master's clock from {self.master[0][0] / SECOND:.3f} s"
            )
        return "\n".join([f"seed {self.seed}, pipe of {self.pipe_bytes} bytes", self.text, *script])


def draw(seed: int) -> Campaign:
    """Return the campaign of a seed."""
    rng = random.Random(seed)
    ports = rng.choice((1, 1, 2, 2, 4))
    bpm = rng.choice((48, 97, 112, 125, 160, 240))
    numerator = rng.choice((3, 4, 4, 4, 5, 7))
    bars = rng.choice((1, 2, 2, 3))  # short, so that what goes wrong meets itself and a begin or an end
    pre_roll = rng.choice((0, 0, 1))
    song_ns = round((bars + pre_roll) * numerator * 60 / bpm * SECOND)
    text = _session(rng, ports, bpm, numerator, bars, pre_roll)
    follows = random.Random(f"follow {seed}")  # of its own: what other seeds draw must not change
    master = tuple(_master(follows, bpm, song_ns)) if follows.random() < 0.18 else ()
    if master:
        text += _followed(follows, ports)
    return Campaign(
        seed=seed,
        text=text,
        ports=ports,
        song_ns=song_ns,
        faults=tuple(sorted(_faults(rng, ports, song_ns), key=lambda fault: fault.at_ns)),
        actions=tuple(sorted(_actions(rng, ports, song_ns), key=lambda action: action.at_ns)),
        pipe_bytes=rng.choice((4096, 65_536, 1 << 20, 1 << 20)),
        from_moment="" if master else rng.choice(("", "", "", f"bar {rng.randint(1, bars)}")),
        master=master,
    )


def _followed(rng: random.Random, ports: int) -> str:
    """Return what a session needs to follow the clock that comes in on its last port."""
    span, then = rng.choice(("1 beat", "2 bars", "300 ms")), rng.choice(("stop", "carry-on"))
    dropout = f"{{freewheel: {span}, then: {then}}}"
    return f"clock: {{source: beat-clock, port: port{rng.randrange(ports)}, on-dropout: {dropout}}}\n"


def _master(rng: random.Random, bpm: int, song_ns: int) -> Iterator[tuple[int, bytes]]:
    """Yield the clock of another machine: off in tempo, shaky, with losses, doubles, pauses and stops."""
    interval = 60 * SECOND / bpm / 24 * rng.choice((1, 1, 0.97, 1.02))
    jitter, loss, double = rng.choice((0, MS, 3 * MS)), rng.choice((0, 0, 0.01)), rng.choice((0, 0, 0.01))
    start = rng.choice((300, 900)) * MS
    pause = (rng.randrange(song_ns), rng.choice((0, 0, 200 * MS, 3 * SECOND)))
    stop = rng.choice((None, None, None, rng.randrange(song_ns)))
    lead, last = rng.randint(0, 48), 0
    yield start - 5 * MS, b"\xfa"
    for number in range(-lead, int(song_ns * 1.3 / interval)):
        at = start + round(number * interval)
        if at < 0 or pause[0] <= at - start < pause[0] + pause[1]:
            continue
        if stop is not None and at - start > stop:
            yield at, b"\xfc"
            return
        for _ in range(0 if rng.random() < loss else 2 if rng.random() < double else 1):
            last = max(last, at + rng.randint(0, jitter))
            yield last, b"\xf8"
    yield last + 5 * MS, b"\xfc"


def _session(rng: random.Random, ports: int, bpm: int, numerator: int, bars: int, pre_roll: int) -> str:
    lines = ["session: Lantern Quay, fault laboratory", "format: 1", "ports:"]
    lines += [f"  port{n}: {{create: port{n}, link: {rng.choice(('din', 'usb'))}}}" for n in range(ports)]
    lines.append("machines:")
    channels = [rng.randint(1, 16) for _ in range(ports)]
    for n in range(ports):
        follows = rng.choice(("[clock, transport]", "[clock, transport, position]", "[clock]", "[]"))
        offset = rng.choice(("", "", f", offset: {rng.randint(-20, 20)} ms"))
        quiet = rng.choice(("", "", ", silence: {all-notes-off: false}"))
        lines.append(
            f"  machine{n}: {{port: port{n}, channel: {channels[n]}, follows: {follows}{offset}{quiet}}}"
        )
    lines += [
        "songs:",
        "  - song: Slack Water",
        f"    tempo: {bpm}",
        f"    meter: {numerator}/4",
        f"    length: {bars} bars",
        f"    lead: {rng.choice((0, 200, 700))} ms",
        f"    pre-roll: {pre_roll} bars",
        f"    tail: {rng.choice(('0 bars', '1 beat', '1 beat', '1 bar'))}",
    ]
    if rng.random() < 0.3:
        over = rng.choice(("", ", over: 1 bar"))
        lines.append(
            f"    tempo-changes: [{{at: bar {rng.randint(1, bars)}, tempo: {rng.choice((60, 140))}{over}}}]"
        )
    cues = sorted(_cues(rng, ports, bars, numerator))
    if cues:
        lines.append("    cues:")
        lines += [
            f"      - {{at: bar {bar} beat {beat}, machine: machine{n}, {what}}}"
            for bar, beat, n, what in cues
        ]
    lines.append("order: [Slack Water]")
    return "\n".join(lines) + "\n"


def _cues(rng: random.Random, ports: int, bars: int, numerator: int) -> Iterator[tuple[int, float, int, str]]:
    for _ in range(rng.randint(0, 14)):
        bar, machine = rng.randint(1, bars), rng.randrange(ports)
        beat = rng.randint(1, numerator) + rng.choice((0, 0, 0.5))
        kind = rng.random()
        if kind < 0.6:
            key = rng.choice((36, 48, 60, rng.randint(0, 127)))
            length = rng.choice(("1 beat", "1 bar", "2 bars", "1/2 beat", "50 ms"))
            what = f"note: {key}, velocity: {rng.randint(1, 127)}, length: {length}"
        elif kind < 0.75:
            what = f"control: {rng.choice((64, 64, 7, 74))}, value: {rng.choice((0, 127))}"
        elif kind < 0.85:
            what = f"program: {rng.randint(1, 128)}"
        elif kind < 0.95:
            what = f"bend: {rng.randint(-8192, 8191)}"
        else:
            what = 'sysex: "7D 01 02 03"'
        yield bar, beat, machine, what


def _faults(rng: random.Random, ports: int, song_ns: int) -> Iterator[Fault]:
    """Yield from none to five faults; a quarter of the campaigns has none of most kinds."""
    for _ in range(rng.choice((0, 1, 1, 2, 3, 5))):
        at = rng.randrange(0, song_ns)
        port = rng.randrange(ports)
        kind = rng.choice(
            ("refuse", "refuse", "gone", "block", "late", "jump", "wall", "pipe", "disk", "sync", "short",
             "desk-killed", "desk-killed-writing", "desk-stopped", "engine-killed", "hostile", "packets")
        )  # fmt: skip
        span = rng.choice((5 * MS, 50 * MS, 400 * MS, 2 * SECOND, song_ns))
        if kind == "block":
            yield Fault(kind, at, rng.choice((30, 300)) * MS, port, rng.choice((3, 30, 150)) * MS)
        elif kind == "late":
            yield Fault(kind, at, span, amount=rng.choice((1, 5, 40)) * MS)
        elif kind == "jump":
            yield Fault(kind, at, amount=rng.choice((100 * MS, SECOND, 5 * SECOND)))
        elif kind == "wall":
            yield Fault(kind, at, amount=rng.choice((-3600, 60, 86_400)) * SECOND)
        elif kind == "engine-killed":
            yield Fault(kind, at, flag=rng.random() < 0.5)
        elif kind in ("desk-killed", "desk-killed-writing"):
            yield Fault(kind, at, rng.choice((20, 300, 1500)) * MS, amount=rng.randint(1, 200))
        elif kind == "desk-stopped":
            yield Fault(kind, at, rng.choice((500 * MS, 3 * SECOND, song_ns)))
        elif kind in ("hostile", "packets"):
            yield Fault(kind, at, port=port, amount=rng.randint(1, 2000))
        else:
            yield Fault(kind, at, span, port)


def _actions(rng: random.Random, ports: int, song_ns: int) -> Iterator[Action]:
    if rng.random() < 0.3:
        yield Action(rng.choice(("stop", "stop", "panic")), rng.randrange(0, song_ns))
    for _ in range(rng.choice((0, 0, 1, 3))):
        at = rng.randrange(0, song_ns)
        yield Action("mute", at, rng.randrange(ports), rng.random() < 0.6)
    if rng.random() < 0.1:
        yield Action(rng.choice(("roll", "go")), rng.randrange(0, song_ns))
    if rng.random() < 0.08:
        yield Action("quit", rng.randrange(0, song_ns))  # the session is ended in the middle of a song
