"""Takes rolled on simulated machines for one code each: one that shows it, one that comes near and must not.

The trouble is made at the machines or on the way; the log is written by the engine and the desk as ever.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

from faulty_takes import Case, followed_song, mastered_song
from virtual_rig import VirtualRig

TEMPO, CLOCK_S = 150, 0.4 / 24
Play = Callable[[VirtualRig, float], None]


def followed(
    more: str = "",
    *,
    jitter: str = "0.3 ms",
    then: str = "stop",
    play: Play = VirtualRig.run_for,
    **changes: Any,
) -> Case:
    """Return a take that follows a recorder's clock; `more` are its faults."""
    song = {"tempo": TEMPO, "master_tempo": TEMPO, "bars": 3, "pre_roll": 1, "lead": 96, "seed": 5, **changes}
    clocks = 96 * (song["bars"] + song["pre_roll"])
    tape = f"jitter: {jitter}{', ' if more else ''}{more}"
    text, _ = followed_song(Random(5), **{**song, "tape": tape, "clocks": clocks})
    seconds = 3 + CLOCK_S * (song["lead"] + clocks)
    return Case(more, "", text.replace("then: stop", f"then: {then}"), seconds, play)


def mastered(**changes: Any) -> Case:
    """Return a take under our own clock."""
    song = {"tempo": TEMPO, "pre_roll": 1, "lead": "2 s", **changes}
    follows = song.pop("follows", "clock, transport")
    text, _ = mastered_song(Random(5), **song)
    text = text.replace("follows: [clock, transport]", f"follows: [{follows}]")
    text = text.replace(
        "{simulate: drum-machine, settings: {", "{simulate: drum-machine, settings: {follows-position: true, "
    )
    return Case("", "", text, 17)


def hearing(*messages: tuple[float, bytes]) -> Play:
    """Let messages come in on the recorder's port, each so many seconds after the take was armed."""

    def play(rig: VirtualRig, seconds: float) -> None:
        gone = 0.0
        for at_s, data in messages:
            rig.run_for(at_s - gone)
            gone = at_s
            rig.ports["tape"]._receive(rig.clock.now_ns(), data)
        rig.run_for(seconds - gone)

    return play


_SENSING = b"\xfe"

TAKES: dict[str, Callable[[], Case]] = {
    "sound": followed,
    "clock from Start on": lambda: followed(lead=0),
    "long lead": lambda: followed(lead=480),
    "rough": lambda: followed(jitter="3 ms"),
    "one clock lost": lambda: followed("missing: [150]"),
    "silent for a second": lambda: followed(f"missing: {list(range(200, 290))}", then="carry-on"),
    "three clocks at once": lambda: followed(play=hearing(*[(5.0, b"\xf8")] * 3)),
    "held back": lambda: followed("burst-every: 60, burst: 90 ms"),
    "doubled": lambda: followed("doubled: [100, 150, 301]"),
    "two masters": lambda: followed("second-interval: 21 ms"),
    "sways": lambda: followed("wow-depth: 0.01, wow-period: 2.5 s", bars=7),
    "sways a little": lambda: followed("wow-depth: 0.0003, wow-period: 2.5 s", bars=7),
    "skips": lambda: followed("steps: {200: 1.33, 201: 1.0}", bars=5),
    "begins anew with Start": lambda: followed("late-start: 7 ms", bars=5),
    "no clock": lambda: followed(f"missing: {list(range(900))}", lead=0),
    "cut": lambda: followed("cut-after: 200"),
    "cut, sensed": lambda: followed("cut-after: 200", play=hearing((1.2, _SENSING))),
    "sensed": lambda: followed(play=hearing((1.2, _SENSING))),
    "rough from Start on": lambda: followed(jitter="5 ms", lead=0, pre_roll=0),
    "located as it plays": lambda: followed(play=hearing((5.0, b"\xf2\x00\x01"))),
    "located before Start": lambda: followed(play=hearing((1.5, b"\xf2\x00\x00"))),
    "started again": lambda: followed("start-again: [200]"),
    "started twice": lambda: followed("start-again: [2]"),
    "our own clock": mastered,
    "refused for a while": lambda: mastered(rack="refuse-after: 5000 ms, refuse-for: 400 ms"),
    "refused for good": lambda: mastered(rack="refuse-after: 5000 ms, refuse-for: 90000 ms"),
    "out for a second": lambda: mastered(box="unplug-after: 4500 ms, unplug-for: 1200 ms"),
    "out, and locates": lambda: mastered(
        box="unplug-after: 4500 ms, unplug-for: 1200 ms", follows="clock, transport, position"
    ),
}  # fmt: skip

#: For each code the take that shows it and the one that must not.
BOTH_SIDES: dict[str, tuple[str, str]] = {
    "clock-missing": ("one clock lost", "held back"),
    "clock-extra": ("doubled", "held back"),
    "clock-bunched": ("held back", "rough"),
    "clock-merged": ("two masters", "doubled"),
    "clock-wander": ("sways", "sways a little"),
    "clock-jump": ("skips", "begins anew with Start"),
    "clock-jitter": ("rough", "sound"),
    "clock-without-start": ("long lead", "sound"),
    "start-without-clock": ("no clock", "clock from Start on"),
    "clock-ended-without-stop": ("cut", "sound"),
    "clock-late-lock": ("rough from Start on", "clock from Start on"),
    "active-sensing-lost": ("cut, sensed", "sensed"),
    "position-while-playing": ("located as it plays", "located before Start"),
    "start-while-playing": ("started again", "started twice"),
    "transport-redundant": ("started twice", "started again"),
    "clock-refused": ("silent for a second", "three clocks at once"),
    "port-sends-again": ("refused for a while", "refused for good"),
    "machine-left-stopped": ("out for a second", "out, and locates"),
    "machine-rejoins": ("out, and locates", "out for a second"),
}
