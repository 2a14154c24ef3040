"""What made a take's recorder run, and where in the song it stood then. Pure.

Start lets a machine run from its own beginning; Continue from where Song Position located it (MIDI 1.0
Detailed Specification 4.2.1, pp. 27-30); a play command from where a Machine Control LOCATE took it (RP-013).
So a take that was rolled from mid-song lies in its place already on a recorder that was located, and at the
beginning on one that was not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from runner.music.machine_control import Mmc, locate_target, read_commands
from runner.music.moment import SongTime, parse_moment
from runner.music.position import Position
from runner.takes.declared import Declared, MachineFacts
from runner.takes.model import Event, Take

#: what bars are timed from, best first: what made the recorder run, else the first Start, else the plan
REFERENCES = ("recorder", "start", "plan")
#: what a place is counted in: the song's declared time, the recorder's time code, or nothing that is known
SONG, CODE, NOWHERE = "song", "code", ""
_MOVE = "what it recorded lies where it ran from, and the move takes it to its place"
_START, _CONTINUE, _POSITION = b"\xfa", b"\xfb", 0xF2
#: Machine Control: play, deferred play, record strobe (numbers of MIDI Machine Control 1.0, RP-013)
_MMC_RUNS = (0x02, 0x03, 0x06)


@dataclass(frozen=True, slots=True)
class Run:
    """What made a machine run: ns from the take's anchor, in words, and where its tape stood then.

    `place_ns` is counted as `counted_in` says; it means nothing with `NOWHERE`. `aside` says in words why the
    recording does not lie in its place, where that is so.
    """

    t_ns: int
    what: str
    counted_in: str = SONG
    place_ns: int = 0
    aside: str = ""

    def zero_ns(self, first: Run) -> int:
        """Return from when bars are timed, so that what was recorded lies as it does beside `first`."""
        same = self.counted_in == first.counted_in and self.counted_in != NOWHERE
        return self.t_ns - (self.place_ns - first.place_ns if same else 0)


@dataclass(slots=True)
class _Located:
    """Where the machines were last told to go: by port in sixteenths, by machine in ns of time code."""

    sixteenths: dict[str, int] = field(default_factory=dict)
    code_ns: dict[str, int] = field(default_factory=dict)

    def see(self, event: Event) -> None:
        data = event.data
        if len(data) == 3 and data[0] == _POSITION:
            self.sixteenths[event.port] = data[1] | data[2] << 7
        elif (place_ns := _located_ns(data)) is not None:
            self.code_ns[event.machine or event.port] = place_ns


def _located_ns(data: bytes) -> int | None:
    """Return the time code that a message of Machine Control locates to, in ns; None if it does not."""
    try:
        read = read_commands(data)
    except ValueError:
        return None
    for command in read[1] if read is not None else ():
        code = locate_target(command.data) if command.code == Mmc.LOCATE else None
        if code is not None:
            return code.ns
    return None


def references(take: Take, pace: float = 1.0) -> dict[str, Run]:
    """Return what the take's bars may be timed from, by kind (see `REFERENCES`).

    `pace` is how many times as long the song took as it declares; it matters to a follower, whose master
    may have another tempo.
    """
    declared = take.declared
    found = {"plan": Run(0, "bar 1 as planned")}
    located = _Located()
    if declared.role == "follower":
        for event in take.of_kind("received"):
            if event.port != declared.source:
                continue
            if _runs(event):
                found["start"] = found["recorder"] = _followed_run(declared, event, located, pace)
                break
            located.see(event)
        return found
    machines = {machine.name: machine for machine in declared.machines}
    for event in take.of_kind("sent"):
        if not _runs(event):
            located.see(event)
            continue
        run = _own_run(declared, event, located, machines)
        found.setdefault("start", run)
        if event.machine in machines and machines[event.machine].kind == "recorder":
            found.setdefault("recorder", run)
    return found


def shared_runs(found: Sequence[Mapping[str, Run]]) -> list[Run]:
    """Return what takes are timed from: the best kind that all have. A take that lacks a better says so."""
    at = next(i for i, kind in enumerate(REFERENCES) if all(kind in one for one in found))
    better = [kind for kind in REFERENCES[:at] if any(kind in one for one in found)]
    runs = []
    for one in found:
        run = one[REFERENCES[at]]
        lacking = next((kind for kind in better if kind not in one), None)
        if lacking is not None:
            what = "the recorder" if lacking == "recorder" else "any machine"
            run = replace(run, aside=f"nothing made {what} run: where its recording lies cannot be said")
        runs.append(run)
    return runs


def _followed_run(declared: Declared, event: Event, located: _Located, pace: float) -> Run:
    """Return a follower's run: the master's Start begins the pre-roll, Song Position counts from there."""
    what = f"{_word(event)} from {declared.source}"
    time, sixteenths = declared.song_time(), located.sixteenths.get(event.port)
    if time is None or (event.data == _CONTINUE and sixteenths is None):
        return Run(event.t_ns, what, NOWHERE)
    clocked = Fraction(sixteenths or 0, 4) if event.data == _CONTINUE else Fraction(0)
    start_ns = time.tempo.ns_at(time.start_quarters)
    place = start_ns + round((time.tempo.ns_at(time.start_quarters + clocked) - start_ns) * pace)
    where = f" at {time.at_text(time.start_quarters + clocked)}" if clocked else ""
    return Run(event.t_ns, what + where, SONG, place)


def _own_run(
    declared: Declared, event: Event, located: _Located, machines: Mapping[str, MachineFacts]
) -> Run:
    name = event.machine or event.port
    what = f"{_word(event)} sent to {name}"
    if name in located.code_ns:
        return Run(event.t_ns, what, CODE, located.code_ns[name])
    time = declared.song_time()
    quarters = _quarters_of(event, time)
    if time is None or quarters is None:
        return Run(event.t_ns, what, NOWHERE)
    aside = f"{name} was not told where in the song it was, and ran from {event.at} on; {_MOVE}"
    if event.data == _CONTINUE and event.port in located.sixteenths:
        return Run(event.t_ns, f"{what} at {event.at}", SONG, time.tempo.ns_at(quarters))
    if event.data != _START:
        return Run(event.t_ns, what, NOWHERE, aside=aside)
    own = _own_beginning(declared, event, quarters, time, machines.get(name))
    if own == quarters:
        return Run(event.t_ns, what, SONG, time.tempo.ns_at(quarters))
    aside = f"{name} does not follow song position, and ran from its own beginning at {event.at}; {_MOVE}"
    return Run(event.t_ns, f"{what} at {event.at}", SONG, time.tempo.ns_at(own), aside)


def _own_beginning(
    declared: Declared, event: Event, quarters: Fraction, time: SongTime, machine: MachineFacts | None
) -> Fraction:
    """Return the place in the song of a machine's own beginning, when Start comes at `quarters`."""
    within = declared.entry_quarters > float(time.start_quarters)
    if not within or "cues[" in event.source or machine is None or not machine.starts:
        return quarters
    return time.start_quarters if machine.starts == "pre-roll" else Fraction(0)


def _quarters_of(event: Event, time: SongTime | None) -> Fraction | None:
    """Return the song position of an event, from its text; None if it has none in the take's first song."""
    if time is None or event.at is None:
        return None
    try:
        base = parse_moment(event.at).base
        return time.meters.quarters(base.bar, base.beat) if isinstance(base, Position) else None
    except ValueError:
        return None


def _runs(event: Event) -> bool:
    data = event.data
    machine_control = len(data) >= 6 and data[:2] == b"\xf0\x7f" and data[3] == 0x06 and data[4] in _MMC_RUNS
    return data in (_START, _CONTINUE) or machine_control


def _word(event: Event) -> str:
    if len(event.data) == 1:
        return "Start" if event.data == _START else "Continue"
    return "Record" if event.data[4] == 0x06 else "Play"
