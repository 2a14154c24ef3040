"""What the clock watch has to say: stable codes, one frozen value per finding, one table for the words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from runner.errors import Severity


class Code(Enum):
    """The kinds of finding; the values are stable and appear in takes."""

    MISSING = "clock-missing"
    EXTRA = "clock-extra"
    BUNCHED = "clock-bunched"
    MERGED = "clock-merged"
    LOOP = "clock-loop"
    TEMPO = "clock-tempo"
    WANDER = "clock-wander"
    STEP = "clock-step"
    JUMP = "clock-jump"
    JITTER = "clock-jitter"
    NO_START = "clock-without-start"
    START_NO_CLOCK = "start-without-clock"
    NO_STOP = "clock-ended-without-stop"
    DROPOUT = "clock-dropout"
    LATE_LOCK = "clock-late-lock"
    SENSING_LOST = "active-sensing-lost"
    POSITION_REFUSED = "position-while-playing"
    REDUNDANT = "transport-redundant"
    RESTARTED = "start-while-playing"
    REFUSED = "clock-refused"
    CODE_MISSING = "time-code-missing"
    CODE_DROPOUT = "time-code-dropout"
    CODE_ENDED = "time-code-ended"
    CODE_JUMP = "time-code-jump"
    CODE_REVERSE = "time-code-reverse"
    CODE_RATE = "time-code-rate"
    CODE_NUMBERS = "time-code-drop-frame"
    CODE_SPEED = "time-code-speed"
    CODE_BROKEN = "time-code-broken"
    CODE_JITTER = "time-code-jitter"
    CODE_JOINED = "time-code-joined-late"


@dataclass(frozen=True, slots=True)
class Kind:
    """What a code means: usual severity, the unit of its size, its meaning, and what to try."""

    severity: Severity
    unit: str
    meaning: str
    remedy: str


KINDS: dict[Code, Kind] = {
    Code.MISSING: Kind("error", "clocks", "clocks that never arrived, counted in by prediction",
                       "check the cable and merger; look for dense data or long sysex on the same wire"),
    Code.EXTRA: Kind("warning", "clocks", "clocks that came in excess of the grid, not counted",
                     "look for a second path from the master, or a merger that repeats"),
    Code.BUNCHED: Kind("warning", "clocks", "clocks held back and then delivered together, none lost",
                       "look at the interface, hub or computer between the master and this port"),
    Code.MERGED: Kind("error", "clocks", "two clocks arrive mixed on one port",
                      "let one machine only send clock; filter the clock at the merger"),
    Code.LOOP: Kind("error", "clocks", "our own clock comes back",
                    "switch off the MIDI echo or soft thru of the machine, or unplug its output"),
    Code.TEMPO: Kind("warning", "percent", "the master's tempo is not the song's",
                     "set the master to the song's tempo, or the song to the master's"),
    Code.WANDER: Kind("warning", "ms", "the tempo sways slowly about its mean",
                      "check varispeed, chase lock and tape transport of the master"),
    Code.STEP: Kind("warning", "percent", "the tempo changed without the song saying so",
                    "enter the change in the song, or take it out of the master's tempo track"),
    Code.JUMP: Kind("warning", "ms", "the clock's phase jumped, its tempo did not",
                    "look for a master that restarted its clock or skipped"),
    Code.JITTER: Kind("note", "us", "how irregular the clock is, and of which kind",
                      "a burst class asks for another interface or a lighter computer load"),
    Code.NO_START: Kind("note", "beats", "clock runs and no Start or Continue has come",
                        "let the master send transport messages as well as clock"),
    Code.START_NO_CLOCK: Kind("error", "ms", "Start or Continue came and no clock followed",
                              "let the master send clock as well as transport messages"),
    Code.NO_STOP: Kind("error", "ms", "the clock ended in the song and no Stop came",
                       "check cable and power of the master"),
    Code.DROPOUT: Kind("error", "clocks", "the clock was away; time went on by prediction",
                       "check the cable and connectors, the hub and its power"),
    Code.LATE_LOCK: Kind("warning", "beats", "the lock came later than the pre-roll allows",
                         "lengthen the lead or the pre-roll"),
    Code.SENSING_LOST: Kind("error", "ms", "active sensing fell silent",
                            "check the cable: MIDI 1.0 takes this for an unplugged connection"),
    Code.POSITION_REFUSED: Kind("warning", "clocks", "a song position came while playing and was not obeyed",
                                "let the master stop before it sends a song position"),
    Code.REDUNDANT: Kind("note", "messages", "a transport message that changes nothing was ignored",
                         "harmless; two paths from the master are a possible cause"),
    Code.RESTARTED: Kind("error", "clocks", "Start came in the song, as if the master had begun anew",
                         "let the master send Stop; look for a second path or a filter that swallows it"),
    Code.REFUSED: Kind("warning", "clocks", "clocks that cannot be a clock were refused",
                       "find what sends them"),
    Code.CODE_MISSING: Kind("warning", "quarter frames", "quarter frames that never arrived, made up",
                            "check the cable and merger; look for dense data on the same wire"),
    Code.CODE_DROPOUT: Kind("error", "ms", "time code was away; time went on by prediction",
                            "check the cable; look for a worn tape or a drive that does not keep up"),
    Code.CODE_ENDED: Kind("warning", "ms", "time code ended before the song did",
                          "nothing if the recorder was stopped; else check cable and power"),
    Code.CODE_JUMP: Kind("error", "frames", "time code jumped while the song played",
                         "do not locate the recorder while a take rolls; look for an edit in its time code"),
    Code.CODE_REVERSE: Kind("note", "frames", "time code ran in reverse, and was not played to",
                            "play the recorder forward"),
    Code.CODE_RATE: Kind("error", "", "time code names another frame rate than the session",
                         "set the recorder, or `frame-rate` of the session's clock, to the other"),
    Code.CODE_NUMBERS: Kind("error", "", "time code names drop-frame and counts non-drop, or the other way",
                            "set recorder and project to the same: after an hour they are 3.6 s apart"),
    Code.CODE_SPEED: Kind("warning", "percent", "time code does not run at the speed of its frame rate",
                          "set the recorder to the rate that it names; look for varispeed and for pull-down"),
    Code.CODE_BROKEN: Kind("note", "quarter frames", "quarter frames came out of order or damaged",
                           "let one machine only send time code on this cable"),
    Code.CODE_JITTER: Kind("note", "us", "how irregular the time code is, and of which kind",
                           "a burst class asks for another interface or a lighter computer load"),
    Code.CODE_JOINED: Kind("warning", "beats", "the song was joined where the time code was",
                           "arm the take first, then start the recorder ahead of the song"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that the clock watch noticed.

    `t_ns` is monotonic time of the fact (not of its discovery), `clocks` the song position in MIDI
    clocks where it lies in the song, else None; `size` is in the unit of `KINDS[code]`; `machine` is
    the followed machine's name; `evidence` holds the numbers behind the text.
    """

    code: Code
    severity: Severity
    t_ns: int
    clocks: float | None
    size: float
    text: str
    machine: str = ""
    evidence: Mapping[str, float | int | str] = field(default_factory=dict)

    @property
    def unit(self) -> str:
        """The unit of `size`."""
        return KINDS[self.code].unit

    @property
    def remedy(self) -> str:
        """What to try next."""
        return KINDS[self.code].remedy

    def to_dict(self) -> dict[str, object]:
        """Return the finding as plain data for records and JSON."""
        return {
            "code": self.code.value,
            "severity": self.severity,
            "t_ns": self.t_ns,
            "clocks": self.clocks,
            "size": self.size,
            "unit": self.unit,
            "text": self.text,
            "machine": self.machine,
            "evidence": dict(self.evidence),
        }
