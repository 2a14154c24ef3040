"""What there is to see: gathers what the desk hears into one `Status` for live view and lamps. Pure."""

from __future__ import annotations

import math
import re
from bisect import bisect_left
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import astuple, dataclass, field
from fractions import Fraction
from itertools import islice
from typing import Any

from runner.audit.meanings import MEANINGS
from runner.desk.alarms import Alarms
from runner.desk.phases import Phase
from runner.desk.recording import Beat, Presence, Told
from runner.desk.roll import Roll
from runner.desk.show import Show
from runner.desk.status import NextCue, PortStatus, Status, TakeStatus
from runner.plan.compile import CompiledSong
from runner.plan.messages import describe
from runner.plan.score import Action
from runner.plan.timeline import NO_MACHINE
from runner.session.model import Session
from runner.takes.index import TakeEntry
from runner.takes.legs import LegText

TAKES_SHOWN = 5
MOVING = ("lead", "pre-roll", "rolling", "tail", "armed")


@dataclass(slots=True)
class Board:
    """Everything that a status needs and the show does not know."""

    session: Session
    state: str = "starting"
    quarters: float = math.nan
    ports: dict[str, PortStatus] = field(default_factory=dict)
    takes: deque[TakeStatus] = field(default_factory=lambda: deque(maxlen=TAKES_SHOWN))
    alarms: Alarms = field(default_factory=Alarms)
    muted: set[str] = field(default_factory=set)
    take_number: int = 0
    lock: str = ""
    missing: int = 0
    realtime: bool = False
    trouble: str = ""  #: what is wrong with the rig, so that nothing can roll
    away: dict[str, str] = field(default_factory=dict)  #: machines that do not answer, and what is said of it
    silent: dict[str, str] = field(default_factory=dict)  #: ports that fell silent, and what is said of each
    halted: str = ""  #: what is wrong with the daemon itself, as the keeper says
    _cues: dict[str, tuple[Sequence[int], Sequence[NextCue]]] = field(default_factory=dict)

    @property
    def obstacle(self) -> str:
        """Why nothing can roll; empty if it can."""
        return self.halted or self.trouble

    @property
    def gone(self) -> list[PortStatus]:
        """The ports that are not there, and without which nothing rolls."""
        needed = {machine.port for machine in self.session.machines.values() if machine.required}
        return [port for port in self.ports.values() if port.name in needed and not port.present]

    @property
    def lacking(self) -> str:
        """What has to come before anything can roll, in few words; empty if nothing."""
        names = [port.name for port in self.gone]
        ports = [f"{'port' if len(names) == 1 else 'ports'} {' and '.join(names)}"] if names else []
        away = [name for name in self.away if self.session.machines[name].required]
        return ", ".join(ports + away) or ("the rig" if self.obstacle else "")

    def halt(self, utc: str, why: str) -> None:
        """Take the keeper's word that nothing may roll, and why; an empty one says that it may again."""
        self.put_out(self.halted)
        self.halted = why
        if why:
            self.alarm(utc, "error", why)

    def see(self, event: Beat | Presence | Told, utc: str) -> None:
        """Take in what the engine says; `utc` is the time of day for alarms."""
        if isinstance(event, Beat):
            self.state, self.quarters = event.state, event.quarters
        elif isinstance(event, Presence):
            text = "" if event.present else f"gone since {utc}"
            required = event.name not in self.session.optional_ports
            self.ports[event.name] = PortStatus(event.name, event.present, text, required)
            gone = _gone(event.name)
            if event.present:
                self.put_out(gone)
            else:
                self.alarm(utc, "error" if required else "warning", gone)
        elif event.finding:
            if event.data.get("code") == "ticks-missing":
                self.missing += int(event.data.get("count", 1))
            if event.data.get("severity") == "error":
                text = self._sentence(event)
                self.alarms.light(utc, "error", text, of_take=True)
        elif event.data.get("state") == "clock":
            self.lock = str(event.data.get("lock", ""))

    def _sentence(self, told: Told) -> str:
        """Return a finding as it is said to people, with the machine or port it is about."""
        code, names = str(told.data.get("code", "")), tuple(self.session.ports)
        meaning = MEANINGS.get(code)
        text = str(told.data.get("text") or (meaning.meaning if meaning is not None else code))
        who = str(told.data.get("machine") or told.data.get("port") or "")
        if not who and told.port < len(names):
            who = f"port {names[told.port]}"
        named = who.removeprefix("port ") in re.findall(r"[^\s:,;()]+", text)
        return f"{who}: {text}" if who and not named else text

    def alarm(self, utc: str, severity: str, text: str) -> None:
        """Note something that a person should see to; what is said again is only said anew."""
        self.alarms.light(utc, severity, text)

    def put_out(self, text: str) -> None:
        """An alarm is over."""
        self.alarms.put_out(text)

    def there(self, port: str) -> bool:
        """Return whether a port is open and not gone."""
        return port in self.ports and self.ports[port].present

    def open_ports(self, ports: Iterable[Mapping[str, Any]], missing: Iterable[Mapping[str, Any]]) -> None:
        """The engine has the rig: what its ports are, and which are not there."""
        optional = self.session.optional_ports
        # whoever shows a reason names the port before it, and does not want it named twice
        before = set(self.ports)
        named = {str(entry.get("port")): str(entry.get("text", "")) for entry in missing}
        why = {name: text.removeprefix(f"port {name}: ") for name, text in named.items()}
        self.ports = {
            name: PortStatus(
                name, name not in why, why.get(name, str(port.get("is", ""))), name not in optional
            )
            for port in ports
            if (name := str(port.get("name")))
        }
        for name in (before | self.ports.keys()) - why.keys():
            self.put_out(_gone(name))  # back while no desk was there to hear of it, or none of the session's

    def begin_take(self, number: int) -> None:
        """A take begins: what was said of the one before is past."""
        self.alarms.begin_take()
        self.take_number, self.missing, self.lock = number, 0, ""

    def add_take(self, summary: Mapping[str, Any], folder: str) -> None:
        """A take has been closed."""
        self.takes.appendleft(
            TakeStatus(
                str(summary.get("song", "")),
                str(summary.get("pass", "")),
                int(summary.get("number") or 0),
                str(summary.get("verdict", "")),
                folder,
            )
        )

    def take_over_takes(self, entries: Iterable[TakeEntry]) -> None:
        """These takes of the run, newest first, were closed when a dead desk knew of them."""
        for entry in islice(entries, TAKES_SHOWN):
            name = (entry.song, entry.pass_name, entry.number)
            self.takes.append(TakeStatus(*name, entry.verdict, entry.path))

    def position(self, roll: Roll, text: LegText | None) -> dict[str, Any]:
        """Return where the roll is: song, bar and beat, section, seconds left of the song's own length."""
        song = text.song if text is not None else roll.song
        data: dict[str, Any] = {"song": song, "state": self.state}
        if not math.isfinite(self.quarters):
            return data
        time = roll.compiled(song).time
        quarters = Fraction(self.quarters).limit_denominator(24)
        left = time.tempo.ns_at(time.end_quarters) - time.tempo.ns_at(quarters)
        data.update(
            at=time.at_text(quarters), left_s=max(0, left) / 1e9, section=time.section_at(quarters) or ""
        )
        return data

    def status(self, show: Show, roll: Roll | None, text: LegText | None, log_trouble: str = "") -> Status:
        """Return the status as it is now."""
        session = self.session
        follows = session.clock.source != "internal"
        rolling = show.phase is Phase.ROLLING and roll is not None
        where = self.position(roll, text) if rolling and roll is not None else {}
        number = roll.number_at(text.leg) if rolling and roll is not None and text is not None else 0
        song = str(where.get("song") or show.up.song)
        cue, tempo, hold = (None, None, False)
        if rolling and roll is not None and math.isfinite(self.quarters):
            compiled = roll.compiled(song)
            quarters = Fraction(self.quarters).limit_denominator(24)
            cue = self._next_cue(song, compiled, quarters)
            tempo = round(float(compiled.time.tempo.bpm_at(quarters)), 2)
            hold = text is not None and text.held
        return Status(
            session=session.session,
            state=self._state(show),
            song=song,
            take_number=self.take_number if rolling else 0,
            pass_name=roll.pass_name if roll is not None else session.takes.pass_,
            place=show.place_of(number),
            places=show.places[-1].number,
            next_song=show.song_after(number),
            waiting_for=self.obstacle or show.waiting_for,
            at=str(where.get("at", "")),
            section=str(where.get("section", "")),
            left_s=where.get("left_s"),
            next_cue=cue,
            clock_role="follower" if follows else "master",
            clock_source=(session.clock.port or "") if follows else "internal",
            clock_lock=self.lock,
            tempo_bpm=tempo,
            clock_missing=self.missing,
            muted=tuple(sorted(self.muted)),
            hold=hold,
            ports=tuple(self.ports.values()),
            takes=tuple(self.takes),
            alarms=tuple(self.alarms),
            log_trouble=log_trouble,
            realtime=self.realtime,
        )

    def _state(self, show: Show) -> str:
        if show.phase is Phase.ROLLING:
            return self.state if self.state in MOVING else "armed" if show.follows else "lead"
        if self.obstacle:
            return "trouble"
        if self.state == "starting":
            return "starting"
        if show.phase is Phase.CLOSING:
            return "closing"
        return "waiting" if show.phase is Phase.DUE or show.done else "ready"

    def _next_cue(self, name: str, song: CompiledSong, quarters: Fraction) -> NextCue | None:
        if name not in self._cues:
            self._cues[name] = _cues_of(song)
        times, cues = self._cues[name]
        now = song.time.tempo.ns_at(quarters)
        index = bisect_left(times, now)
        if index == len(times):
            return None
        cue = cues[index]
        return NextCue(cue.at, cue.machine, cue.what, round((times[index] - now) / 1e9, 1))

    @property
    def sign(self) -> object:
        """Something that is another when `to_keep` is; cheap, for it is looked at in each turn."""
        seen = (tuple(self.alarms), tuple(self.ports.values()), tuple(self.away), tuple(self.silent))
        return (*seen, self.lock, self.missing, self.halted)

    def to_keep(self) -> dict[str, Any]:
        """Return plain data of what a desk that is started again can neither see nor ask for.

        What the keeper says of the daemon is left out: it says that again, if it still is so.
        """
        return {
            "alarms": self.alarms.to_dict(without=self.halted),
            "ports": [list(astuple(port)) for port in self.ports.values()],
            "away": dict(self.away),
            "silent": dict(self.silent),
            "lock": self.lock,
            "missing": self.missing,
        }

    def take_over(self, kept: Mapping[str, Any]) -> None:
        """Go on with what a dead desk's board had to keep."""
        self.alarms = Alarms.from_dict(kept.get("alarms", {}))
        self.ports = {row[0]: PortStatus(*row) for row in kept.get("ports", ())}
        self.away, self.silent = dict(kept.get("away", {})), dict(kept.get("silent", {}))
        self.lock, self.missing = str(kept.get("lock", "")), int(kept.get("missing", 0))

    def new_roll(self) -> None:
        """Another song or version of one was compiled."""
        self._cues = {}


def _gone(port: str) -> str:
    return f"port {port} is gone"


def _cues_of(song: CompiledSong) -> tuple[list[int], list[NextCue]]:
    """Return the song's cues by their time in ns from bar 1, in words."""
    score = song.score
    if score is None:
        return [], []
    times: list[int] = []
    cues: list[NextCue] = []
    for cue in score.cues:
        machine = (
            score.machines[cue.machine].name if cue.machine != NO_MACHINE else score.ports[cue.port].name
        )
        times.append(cue.t_ns)
        cues.append(
            NextCue(
                song.time.at_text(cue.point.quarters),
                machine,
                describe(cue.messages[0 if cue.action is Action.NOTE else -1]),
            )
        )
    return times, cues
