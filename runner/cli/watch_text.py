"""A daemon's status in words, for `watch`, `watch --once` and `tell status`. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime

from rich.cells import cell_len, set_cell_size

from runner.cli.wording import clock_text, plural
from runner.desk.status import NextCue, PortStatus, Status, TakeStatus

STATES = {
    "starting": "starting: the rig is being opened",
    "ready": "ready",
    "waiting": "waiting",
    "armed": "armed: waits for the other machine's start",
    "lead": "lead: clock only",
    "pre-roll": "pre-roll",
    "rolling": "rolling",
    "tail": "tail",
    "closing": "closing the take",
    "trouble": "TROUBLE",
}
GOOD, BAD, SIGN = "ok", "!!", "--"
LABEL_CELLS = 8  #: of the label at the head of a line
WHOLE = 1_000_000  #: cells that no line needs
_SHORTEST_CUT = 5  #: cells of a name that is cut in its middle; a shorter one is cut at its end
_SENTENCES = ("waits", "ports", "alarms")  #: labels of what goes on in the next line


def clean(text: str) -> str:
    """Return text without what a terminal would obey: names may come from other machines."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def cut(text: str, cells: int) -> str:
    """Return text that takes `cells` of a terminal at most, with a mark where something is missing."""
    text = clean(text)
    if cell_len(text) <= cells:
        return text
    return set_cell_size(text, max(0, cells - 1)).rstrip() + "…" if cells > 0 else ""


def cut_middle(text: str, cells: int) -> str:
    """Return a name in `cells` at most, cut in its middle: the ends of names tell them apart."""
    text = clean(text)
    if cell_len(text) <= cells or cells < _SHORTEST_CUT:
        return cut(text, cells)
    front = set_cell_size(text, cells // 2).rstrip()
    back = text
    while cell_len(back) > cells - 1 - cell_len(front):
        back = back[1:]
    return f"{front}…{back.lstrip()}"


def fitted(names: Sequence[str], cells: int, first: str = "", last: str = "") -> str:
    """Return `first`, names and `last` with commas between, in `cells`: the longest names give way first."""
    kept = [clean(name) for name in names if name]
    room = cells - cell_len(", ".join([*filter(None, (first, last)), *([""] * len(kept))]))
    by_length = sorted(range(len(kept)), key=lambda at: cell_len(kept[at]))
    for done, at in enumerate(by_length):
        kept[at] = cut_middle(kept[at], max(0, room) // (len(kept) - done))
        room -= cell_len(kept[at])
    return cut(", ".join(part for part in (first, *kept, last) if part), cells)


def broken(text: str, cells: int) -> list[str]:
    """Return a sentence as lines of at most `cells`, those after the first a little to the right."""
    lines = textwrap.wrap(clean(text), max(8, cells), subsequent_indent="   ", break_on_hyphens=False)
    return [cut(line, cells) for line in lines]


def state_text(status: Status) -> str:
    """Return the state in words."""
    return STATES.get(status.state, status.state or "unknown state")


def place_text(status: Status) -> str:
    """Return bar and beat without the fraction, which changes too fast to be read; empty before the start."""
    words = status.at.split()
    if len(words) == 5:  # "bar 17 beat 3 7/12"
        words = words[:4]
    if len(words) == 4:
        words[3] = words[3].partition(".")[0]
    return clean(" ".join(words))


def take_text(status: Status, cells: int = WHOLE) -> str:
    """Return the take that rolls: pass and number; the number stays whole."""
    return fitted([status.pass_name], cells, last=f"take {status.take_number}" if status.take_number else "")


def where_text(status: Status, cells: int, left: str = "") -> str:
    """Return bar, beat, section and what is `left`, where the song has begun; the section gives way."""
    return fitted([status.section], cells, place_text(status), left)


def cue_text(cue: NextCue | None, cells: int) -> str:
    """Return the next cue: where, to whom, what, in how long; where it has to be cut, the time stays."""
    if cue is None:
        return ""
    in_s = "" if cue.in_s is None else f", in {clock_text(cue.in_s)}"
    return cut(f"{cue.at}: {cue.machine}: {cue.what}", max(8, cells - len(in_s))) + in_s


def clock_line(status: Status) -> str:
    """Return whose clock rules, its tempo and its health."""
    role = status.clock_role or "unknown"
    if status.clock_role == "follower":
        lock = status.clock_lock or "not heard yet"
        lock = lock if lock in ("locked", "not heard yet") else lock.upper()
        role = f"follows {status.clock_source or 'another machine'}: {lock}"
    parts = [role]
    if status.tempo_bpm is not None:
        parts.append(f"{status.tempo_bpm:.1f} BPM")
    if status.clock_missing:
        parts.append(f"{BAD} {plural(status.clock_missing, 'clock')} missing in this take")
    elif status.at:
        parts.append("no clock missing")
    if not status.realtime and status.state != "starting":
        parts.append(f"{BAD} no real-time priority")
    return clean(", ".join(parts))


def port_text(port: PortStatus) -> str:
    """Return whether a port is there, the reason if it is not."""
    if port.present:
        return f"{GOOD} {clean(port.name)}"
    return clean(f"{BAD} {port.name} MISSING" + (f": {port.text}" if port.text else ""))


def verdict_sign(verdict: str) -> str:
    """Return the sign of a verdict, two cells wide."""
    return {"clean": GOOD, "interrupted": SIGN}.get(verdict, BAD)


def takes_text(take: TakeStatus, cells: int = WHOLE) -> str:
    """Return a finished take, its verdict first; song and pass give way, its number stays whole."""
    verdict = clean(f"{verdict_sign(take.verdict)} {take.verdict:<11} ")
    name = fitted([take.song, take.pass_name], cells - cell_len(verdict), last=f"take {take.number}")
    return verdict + name


def alarm_time(utc: str) -> str:
    """Return the time of day of an alarm on this computer's clock."""
    try:
        return datetime.fromisoformat(utc).astimezone().strftime("%H:%M:%S")
    except ValueError:
        return clean(utc[:19])


def alarm_lines(status: Status) -> list[tuple[str, str]]:
    """Return (severity, text) of what a person should see to, the newest first."""
    lines = [("error", f"the take's record has stopped: {status.log_trouble}")] if status.log_trouble else []
    lines += [
        (alarm.severity, f"{alarm_time(alarm.since_utc)} {alarm.severity}: {alarm.text}")
        for alarm in reversed(status.alarms)
    ]
    return [(severity, clean(text)) for severity, text in lines]


def snapshot(status: Status, width: int) -> list[str]:
    """Return the whole status as lines of at most `width` cells, a label at the head of each."""
    cells = width - LABEL_CELLS
    order = f"  ({status.place} of {status.places})" if status.places else ""
    known = status.left_s is not None and (status.at or status.section)
    left = f"{clock_text(status.left_s or 0.0)} left" if known else ""
    rows = [
        ("session", cut_middle(status.session, cells)),
        ("state", state_text(status) + (", in a hold: go ends it" if status.hold else "")),
        ("waits", f"for {status.waiting_for}" if status.waiting_for else ""),
        ("song", cut_middle(status.song, cells - len(order)) + order),
        ("take", take_text(status, cells)),
        ("at", where_text(status, cells, left)),
        ("cue", cue_text(status.next_cue, cells)),
        ("next", cut_middle(status.next_song, cells)),
        ("clock", clock_line(status)),
        ("muted", ", ".join(status.muted)),
        *[("ports", port_text(port)) for port in status.ports],
        *[("takes", takes_text(take, cells)) for take in status.takes],
        *[
            ("alarms", f"{BAD if severity == 'error' else SIGN} {text}")
            for severity, text in alarm_lines(status)
        ],
    ]
    lines, before = [], ""
    for label, text in rows:
        for line in broken(text, cells) if label in _SENTENCES else filter(None, [text]):
            head = label if label != before else ""
            lines.append(cut(f"{head:<{LABEL_CELLS}}{line}", width))
            before = label
    return lines


def event_line(status: Status) -> str:
    """Return what stands still for a while in one line: a new one is worth printing."""
    parts = [state_text(status)]
    if status.song:
        parts.append(clean(status.song) + (f" ({take_text(status)})" if status.take_number else ""))
    parts += [clean(status.section)] if status.section else []
    parts += ["hold"] if status.hold else []
    parts += [f"clock {status.clock_lock}"] if status.clock_lock else []
    parts += [f"waits for {clean(status.waiting_for)}"] if status.waiting_for else []
    parts += [port_text(port) for port in status.ports if not port.present]
    return "  ".join(parts)


def changes(before: Status | None, status: Status) -> list[str]:
    """Return a line for each thing that is worth one since the status before."""
    lines = [] if before is not None and event_line(before) == event_line(status) else [event_line(status)]
    if before is None:
        return [*lines, *(text for _, text in reversed(alarm_lines(status)))]
    old = {text for _, text in alarm_lines(before)}
    lines += [f"{BAD} {text}" for _, text in reversed(alarm_lines(status)) if text not in old]
    finished = [take for take in reversed(status.takes) if take not in before.takes]
    return lines + [takes_text(take) for take in finished]
