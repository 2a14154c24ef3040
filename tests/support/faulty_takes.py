"""Takes with one fault each, and sound ones, made fresh from a seed: what the audit is tried on.

The fault is one of a machine, of the way to it, or of this computer; it is never put into the log. Each kind
draws song, tempo, place and size of the fault by its own random numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from kept_take import kept_take
from virtual_rig import SECOND, VirtualRig

from runner.audit.facts import History
from runner.audit.text import audit_take
from runner.takes.reader import read_take
from runner.takes.summary import history_of

Play = Callable[[VirtualRig, float], None]

MASTER = """
session: Lantern Quay, corpus
format: 1
ports:
  box: {{simulate: drum-machine, settings: {{transmit: true, latency: {latency}}}, faults: {{{box}}}}}
  rack: {{simulate: synthesizer, faults: {{{rack}}}}}
machines:
  drums: {{port: box, channel: 10, follows: [clock, transport], starts: pre-roll, offset: {offset}}}
  bass: {{port: rack, channel: 2, follows: [clock], settle: 60 ms}}
songs:
  - song: Ropewalk
    tempo: {tempo}
    meter: 4/4
    length: {bars} bars
    lead: {lead}
    pre-roll: {pre_roll} bars
    tail: 1 beat
    tempo-changes: [{changes}]
    cues:
      - {{at: start, machine: bass, program: 5}}
      - {{at: bar 1, machine: bass, note: 40, velocity: 90, length: {held} bars}}
      - {{at: bar 3, machine: bass, program: 9}}
{moves}
order: [Ropewalk]
"""
FOLLOW = """
session: Lantern Quay, corpus
format: 1
ports:
  tape: {{simulate: master, settings: {{tempo: {master_tempo}, clocks: {clocks}, lead: {lead}, seed: {seed}}},
         faults: {{{tape}}}}}
  box: {{simulate: drum-machine, faults: {{{box}}}}}
  rack: {{simulate: synthesizer, faults: {{{rack}}}}}
machines:
  deck: {{port: tape, kind: recorder}}
  drums: {{port: box, channel: 10, follows: [clock, transport, position], starts: pre-roll}}
  keys: {{port: rack, channel: 1, settle: {settle}}}
clock: {{source: beat-clock, port: tape, on-dropout: {{freewheel: 2 beats, then: stop}}}}
songs:
  - song: Tide Table
    tempo: {tempo}
    meter: 4/4
    length: {bars} bars
    pre-roll: {pre_roll} bars
    tail: 0 bars
    tempo-changes: [{tempo_changes}]
    cues:
      - {{at: start, machine: keys, program: 5}}
      - {{at: bar 2, machine: keys, {second}}}
      - {{at: bar 3 beat 2.5, machine: keys, control: 74, value: 20}}
order: [Tide Table]
"""


@dataclass(slots=True)
class Case:
    """One take to be: its session, how time passes in it, the cause to be found (empty: none), its past."""

    kind: str
    cause: str
    text: str
    seconds: float
    play: Play = VirtualRig.run_for
    past: list[str] = field(default_factory=list)  #: sessions of takes of the same song made before it


def audited(case: Case, folder: Path) -> dict[str, Any]:
    """Roll a case's takes in a folder and return the audit of the last."""
    history: list[History] = []
    for number, text in enumerate(case.past):
        took = kept_take(text, folder / f"past-{number}", case.seconds)[0]
        past = history_of(audit_take(read_take(took)))
        assert past is not None
        history.append(past)
    folder.mkdir(parents=True, exist_ok=True)
    took = kept_take(case.text, folder, case.seconds, play=case.play)[0]
    return audit_take(read_take(took, plan=True), history)


# ---------------------------------------------------------------------- songs


def _song(rng: Random) -> dict[str, Any]:
    return {"tempo": rng.randint(84, 172), "bars": rng.randint(5, 7), "pre_roll": rng.randint(1, 2)}


def _seconds(song: dict[str, Any], more: float = 0) -> float:
    beats = 4 * (song["bars"] + song["pre_roll"])
    return float(60 / song["tempo"] * beats + 6 + more)


def mastered_song(rng: Random, **changes: Any) -> tuple[str, dict[str, Any]]:
    """Return a session under our own clock, and what was drawn for it."""
    song = _song(rng)
    moves = "\n".join(
        f"      - {{at: bar {bar} beat {beat}, machine: bass, control: 74, value: {10 * bar + beat}}}"
        for bar in range(1, song["bars"] + 1)
        for beat in (2, 4)
    )
    values = {
        "latency": "1 ms", "offset": "0 ms", "box": "", "rack": "", "lead": f"{rng.randint(2, 3)} s",
        "changes": "", "moves": moves, "held": song["bars"] - 1, **song,
    }  # fmt: skip
    return MASTER.format(**{**values, **changes}), {**song, **changes}


def followed_song(rng: Random, **changes: Any) -> tuple[str, dict[str, Any]]:
    """Return a session that follows a simulated recorder's clock, and what was drawn for it."""
    song = _song(rng)
    values = {
        "master_tempo": changes.get("tempo", song["tempo"]),
        "lead": 24 * rng.randint(4, 6), "seed": rng.randint(1, 9999),
        "tape": f"jitter: {rng.randint(2, 8) / 10} ms", "box": "", "rack": "", "settle": "0 ms",
        "second": "control: 7, value: 90", "tempo_changes": "",
        "clocks": 96 * (song["bars"] + song["pre_roll"]), **song,
    }  # fmt: skip
    values.update(changes)
    return FOLLOW.format(**values), {**values, **song}


def _length_s(song: dict[str, Any]) -> float:
    return 240 / float(song["tempo"]) * (int(song["bars"]) + int(song["pre_roll"]))


def _ms(rng: Random, low: float, high: float) -> str:
    return f"{rng.randint(round(low), round(high))} ms"


def _stalled(at_s: float, for_s: float) -> Play:
    """This computer stands still: time passes, and the loop does not."""

    def play(rig: VirtualRig, seconds: float) -> None:
        rig.run_for(at_s)
        rig.clock.hold(rig.clock.now_ns() + round(for_s * SECOND))
        rig.run_for(seconds - at_s - for_s)

    return play


def _pipe_full(at_s: float, for_s: float) -> Play:
    """Nobody reads the engine's records for a while, and the pipe has no room left."""

    def play(rig: VirtualRig, seconds: float) -> None:
        rig.run_for(at_s)
        rig.sink.write = lambda block: False  # type: ignore[method-assign]
        rig.run_for(for_s)
        del rig.sink.write
        rig.run_for(seconds - at_s - for_s)

    return play


# ---------------------------------------------------------------------- faults under our own clock


def _computer(rng: Random) -> Case:
    text, song = mastered_song(rng)
    return Case(
        "computer", "computer", text, _seconds(song), _stalled(rng.uniform(4, 7), rng.uniform(0.02, 0.4))
    )


def _slow_port(rng: Random) -> Case:
    port = rng.choice(["box", "rack"])
    after, span, each = _ms(rng, 4000, 7000), _ms(rng, 30, 400), _ms(rng, 3, 12)
    text, song = mastered_song(rng, **{port: f"hold-after: {after}, hold-for: {span}, hold-each: {each}"})
    return Case("slow-port", "slow-port", text, _seconds(song))


def _unplugged(rng: Random) -> Case:
    port = rng.choice(["box", "rack"])
    span = rng.choice(["0 ms", _ms(rng, 1500, 4000)])
    text, song = mastered_song(rng, **{port: f"unplug-after: {_ms(rng, 4000, 7000)}, unplug-for: {span}"})
    return Case("unplugged", "unplugged", text, _seconds(song))


def _refused(rng: Random) -> Case:
    port = rng.choice(["box", "rack"])
    fault = f"refuse-after: {_ms(rng, 4000, 7000)}, refuse-for: {_ms(rng, 60, 3000)}"
    text, song = mastered_song(rng, **{port: fault})
    return Case("refused", "port-refused", text, _seconds(song))


def _machine_late(rng: Random) -> Case:
    text, song = mastered_song(rng, box=f"late-start-clocks: {rng.randint(1, 60)}")
    return Case("machine-late", "machine-start", text, _seconds(song))


def _short_lead(rng: Random) -> Case:
    text, song = mastered_song(rng)
    interval_ms = 2500 / song["tempo"]
    text, song = mastered_song(
        Random(rng.randint(1, 10**6)),
        tempo=song["tempo"],
        lead=f"{round(interval_ms * rng.randint(4, 20))} ms",
    )
    return Case("short-lead", "short-lead", text, _seconds(song))


def _log_lost(rng: Random) -> Case:
    text, song = mastered_song(rng)
    return Case(
        "log-lost", "pipe-full", text, _seconds(song), _pipe_full(rng.uniform(4, 6), rng.uniform(0.3, 1.5))
    )


def _pass_shifted(rng: Random) -> Case:
    state = rng.getstate()
    text, song = mastered_song(rng)
    past = [text, text]
    rng.setstate(state)
    shifted, _ = mastered_song(rng, latency=_ms(Random(text), 9, 13))
    return Case("pass-shifted", "machine-start", shifted, _seconds(song), past=past)


def _offset_changed(rng: Random) -> Case:
    state = rng.getstate()
    text, song = mastered_song(rng)
    rng.setstate(state)
    shifted, _ = mastered_song(rng, offset=f"{Random(text).choice([-40, -15, 12, 30])} ms")
    return Case("offset-changed", "other-settings", shifted, _seconds(song), past=[text, text])


def _machine_deaf(rng: Random) -> Case:
    state = rng.getstate()
    text, song = mastered_song(rng)
    rng.setstate(state)
    silent, _ = mastered_song(rng, box="ignore-start: true")
    return Case("machine-deaf", "machine-deaf", silent, _seconds(song), past=[text])


# ---------------------------------------------------------------------- faults of a followed clock


def _followed(kind: str, cause: str, rng: Random, more: str, *, seconds: float = 4, **changes: Any) -> Case:
    text, song = followed_song(rng, **changes)
    jitter = f"jitter: {rng.randint(2, 8) / 10} ms"
    text = text.replace(song["tape"], f"{jitter}, {more}" if more else jitter, 1)
    return Case(kind, cause, text, _seconds(song, seconds))


def _tempo(rng: Random) -> Case:
    off = rng.choice(
        [0.5, 2, 0.7, 1.4, *(1 + rng.choice([-1, 1]) * rng.uniform(0.003, 0.2) for _ in range(8))]
    )
    tempo = rng.randint(90, 160)
    return _followed(
        "tempo", "master-tempo", rng, "", tempo=tempo, master_tempo=round(tempo * off, 3), seconds=20
    )


def _ramp(rng: Random) -> Case:
    first, each = rng.randint(100, 250), rng.choice([-1, 1]) * rng.uniform(0.002, 0.004)
    steps = {first + 12 * n: round(1 + each * n, 5) for n in range(1, rng.randint(16, 26))}
    written = ", ".join(f"{count}: {factor}" for count, factor in steps.items())
    return _followed("ramp", "master-ramp", rng, f"steps: {{{written}}}", seconds=6)


def _step(rng: Random) -> Case:
    factor = 1 + rng.choice([-1, 1]) * rng.uniform(0.01, 0.12)
    return _followed(
        "step", "master-step", rng, f"steps: {{{rng.randint(180, 400)}: {factor:.4f}}}", seconds=6
    )


def _wow(rng: Random) -> Case:
    more = f"wow-depth: {rng.uniform(0.004, 0.012):.4f}, wow-period: {rng.uniform(2, 4):.2f} s"
    return _followed("wow", "master-wow", rng, more, bars=9)


def _lost_clocks(rng: Random) -> Case:
    counts = sorted(rng.sample(range(40, 500), rng.randint(1, 8)))
    return _followed("lost-clocks", "link-loss", rng, f"missing: {counts}")


def _changing(rng: Random, kind: str, cause: str, more: str) -> Case:
    """A song that changes its tempo at bar 3, and a master that does so too."""
    tempo, pre_roll = rng.randint(90, 140), rng.randint(1, 2)
    other = round(tempo * (1 + rng.choice([-1, 1]) * rng.uniform(0.04, 0.2)))
    steps = f"steps: {{{96 * (pre_roll + 2)}: {tempo / other:.9f}}}"
    return _followed(
        kind, cause, rng, f"{steps}{more}", tempo=tempo, pre_roll=pre_roll, master_tempo=tempo,
        tempo_changes=f"{{at: bar 3, tempo: {other}}}", seconds=8,
    )  # fmt: skip


def _lost_in_changes(rng: Random) -> Case:
    counts = sorted(rng.sample(range(40, 450), rng.randint(1, 6)))
    return _changing(rng, "lost-in-changes", "link-loss", f", missing: {counts}")


def _flood(rng: Random) -> Case:
    floods = ", ".join(
        f"{count}: {rng.randint(45, 120)}" for count in (rng.randint(150, 250), rng.randint(300, 450))
    )
    return _followed(
        "flood", "wire-load", rng, f"floods: {{{floods}}}, floods-delay: {rng.choice(['true', 'false'])}"
    )


def _master_unplugged(rng: Random) -> Case:
    span = rng.choice(["0 ms", _ms(rng, 300, 700), _ms(rng, 2500, 4000)])
    more = f"unplug-after: {_ms(rng, 5000, 8000)}, unplug-for: {span}"
    return _followed("master-unplugged", "unplugged", rng, more, seconds=8)


def _doubled(rng: Random) -> Case:
    counts = sorted(rng.sample(range(40, 500), rng.randint(1, 8)))
    more = f"doubled: {counts}, doubled-after: {_ms(rng, 1, 4)}"
    return _followed("doubled", "second-path", rng, more)


def _second_source(rng: Random) -> Case:
    interval_us = 2_500_000 / rng.randint(85, 165)
    return _followed(
        "second-source", "second-source", rng, f"second-interval: {round(interval_us)} us", seconds=8
    )


def _no_start(rng: Random) -> Case:
    return _followed("no-start", "master-setting", rng, "without-start: true")


def _master_gone(rng: Random) -> Case:
    return _followed("master-gone", "master-gone", rng, f"cut-after: {rng.randint(120, 400)}", seconds=6)


def _start_again(rng: Random) -> Case:
    return _followed("start-again", "stop-lost", rng, f"start-again: [{rng.randint(60, 400)}]", seconds=6)


def _no_clock(rng: Random) -> Case:
    return _followed("no-clock", "master-setting", rng, f"missing: {list(range(900))}", lead=0, seconds=4)


def _bursts(rng: Random) -> Case:
    more = f"burst-every: {rng.randint(30, 90)}, burst: {_ms(rng, 45, 160)}"
    return _followed("bursts", "link-bursts", rng, more)


def _late_lock(rng: Random) -> Case:
    text, song = followed_song(rng, lead=0, pre_roll=0)
    text = text.replace(song["tape"], f"jitter: {_ms(rng, 3, 6)}", 1)
    return Case("late-lock", "short-lead", text, _seconds({**song, "pre_roll": 0}, 4))


def _stall_following(rng: Random) -> Case:
    text, song = followed_song(rng)
    return Case("stall-following", "computer", text, _seconds(song, 4),
                _stalled(rng.uniform(5, 7), rng.uniform(0.06, 0.3)))  # fmt: skip


def _mid_song(rng: Random) -> Case:
    text, song = followed_song(rng, settle="150 ms", second="program: 9")
    start_at = 16 * (song["pre_roll"] + rng.randint(2, 3))
    text = text.replace(song["tape"], f"{song['tape']}, start-at: {start_at}", 1)
    return Case("mid-song", "mid-song", text, _seconds(song, 4))


FAULTS: dict[str, Callable[[Random], Case]] = {
    "computer": _computer, "slow-port": _slow_port, "unplugged": _unplugged, "refused": _refused,
    "machine-late": _machine_late, "short-lead": _short_lead, "log-lost": _log_lost,
    "pass-shifted": _pass_shifted, "offset-changed": _offset_changed, "machine-deaf": _machine_deaf,
    "tempo": _tempo, "ramp": _ramp, "step": _step, "wow": _wow, "lost-clocks": _lost_clocks,
    "lost-in-changes": _lost_in_changes,
    "flood": _flood, "master-unplugged": _master_unplugged, "doubled": _doubled,
    "second-source": _second_source, "no-start": _no_start, "master-gone": _master_gone,
    "start-again": _start_again, "no-clock": _no_clock, "bursts": _bursts, "late-lock": _late_lock,
    "stall-following": _stall_following, "mid-song": _mid_song,
}  # fmt: skip


# ---------------------------------------------------------------------- sound takes


def _clean_master(rng: Random) -> Case:
    text, song = mastered_song(rng, latency=_ms(rng, 0, 8))
    return Case("master", "", text, _seconds(song))


def _clean_changes(rng: Random) -> Case:
    tempo = rng.randint(90, 150)
    changes = f"{{at: bar 2, tempo: {tempo + 6}}}, {{at: bar 3, tempo: {tempo - 8}, over: 2 bars}}"
    text, song = mastered_song(rng, tempo=tempo, changes=changes)
    return Case("tempo changes", "", text, _seconds({**song, "tempo": tempo - 8}))


def _clean_again(rng: Random) -> Case:
    text, song = mastered_song(rng)
    return Case("again", "", text, _seconds(song), past=[text, text])


def _clean_follow(rng: Random) -> Case:
    kind = rng.choice([f"jitter: {rng.randint(0, 20) / 10} ms", "usb-grid: true, jitter: 0.2 ms"])
    more = f"{kind}, drift-ppm: {rng.randint(-300, 300)}"
    text, song = followed_song(rng)
    return Case("follow", "", text.replace(song["tape"], more, 1), _seconds(song, 2))


def _clean_late_start(rng: Random) -> Case:
    text, song = followed_song(rng)
    more = f"{song['tape']}, late-start: {_ms(rng, 1, 300)}, sensing: true"
    return Case("follow, late start", "", text.replace(song["tape"], more, 1), _seconds(song, 2))


def _clean_follow_changes(rng: Random) -> Case:
    return _changing(rng, "follow, tempo changes", "", "")


SOUND: dict[str, Callable[[Random], Case]] = {
    "master": _clean_master, "tempo changes": _clean_changes, "again": _clean_again,
    "follow": _clean_follow, "late start": _clean_late_start, "follow changes": _clean_follow_changes,
}  # fmt: skip


def corpus(seed: int, makers: dict[str, Callable[[Random], Case]], count: int) -> list[Case]:
    """Return `count` cases of all kinds in turn, drawn by a seed."""
    names = sorted(makers)
    return [makers[names[n % len(names)]](Random(f"{seed} {n}")) for n in range(count)]
