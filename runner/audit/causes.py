"""Why it may have happened: causes of a finding, weighed by what else the take shows at that time.

Pure. A weight says how well the evidence fits, 0 to 1: direct evidence (the port was gone) outweighs
coincidence (other ports were late too), which outweighs what is merely usual.
"""

from __future__ import annotations

from runner.audit.cause_codes import CAUSES
from runner.audit.facts import DIN_BYTE_NS, Facts
from runner.audit.findings import Cause

DIRECT, COINCIDENT, USUAL = 0.95, 0.8, 0.3


def cause(code: str, why: str, weight: float = USUAL, text: str = "") -> Cause:
    """Return a cause of the table `CAUSES`, in its words unless others are given."""
    return Cause(text or CAUSES[code].meaning, why, weight, code)


def ranked(causes: list[Cause | None]) -> tuple[Cause, ...]:
    """Return the causes that there are, strongest first; of equals, in the order given; each code once."""
    best: dict[str, Cause] = {}
    for each in sorted((each for each in causes if each is not None), key=lambda c: -c.weight):
        best.setdefault(each.code, each)
    return tuple(best.values())


def port_gone(facts: Facts, port: str, t_ns: int) -> Cause | None:
    """The port vanished at that time: a cable, a hub, or the machine's power."""
    event = facts.gone_near(port, t_ns)
    if event is not None:
        away = abs(event.t_ns - t_ns) / 1e6
        return cause("unplugged", f"port {port} was found gone from the system {away:.0f} ms away", DIRECT)
    if port and port == facts.declared.source:
        for told in facts.of_kind("finding"):
            if told.detail.get("code") == "active-sensing-lost" and abs(told.t_ns - t_ns) <= 10**9:
                return cause("unplugged", "active sensing fell silent at the same time", 0.9)
    return None


def port_refused(facts: Facts, port: str, t_ns: int) -> Cause | None:
    """The port refused what was sent."""
    if facts.near("send_failed", t_ns, port) is None:
        return None
    return cause("port-refused", f"port {port} refused a message then", 0.85)


def port_held(facts: Facts, port: str, t_ns: int) -> Cause | None:
    """A port (this one or another) held the engine up while it took a message."""
    event = facts.near("slow_send", t_ns)
    if event is None:
        return None
    why = f"port {event.port} held the engine for {event.amount / 1000:.1f} ms then"
    return cause("slow-port", why, DIRECT if event.port == port else 0.9)


def computer_late(facts: Facts, port: str, t_ns: int) -> Cause | None:
    """Other ports were late at the same time, so it is not this port but this computer."""
    other = facts.late_near(t_ns, but_port=port)
    if other is None:
        return None
    return cause("computer", f"clocks on port {other.port} were late at the same time", COINCIDENT)


def own_lateness(facts: Facts, t_ns: int) -> Cause | None:
    """Our own sends were late when input was strange: this computer stood still."""
    late = facts.late_near(t_ns)
    if late is None:
        return None
    why = f"our own clocks on port {late.port} were {late.size_ns / 1e6:.1f} ms late at the same time"
    return cause("computer", why, COINCIDENT)


def wire_load(facts: Facts, port: str, direction: str, t_ns: int) -> Cause | None:
    """So much passed the same wire about then that a clock had to wait or was dropped."""
    span = 20_000_000
    middles = (t_ns, t_ns - span, t_ns + span)
    size = max(facts.bytes_between(port, direction, middle - span, middle + span) for middle in middles)
    share = size * DIN_BYTE_NS / (2 * span)
    if share < 0.5:
        return None
    way = "came in on" if direction == "in" else "went out on"
    why = f"{size} bytes {way} port {port} within 40 ms, {share:.0%} of what a DIN cable carries"
    return cause("wire-load", why, 0.75 if share < 1 else 0.85)


def usual(code: str, why: str = "the usual cause; no other evidence", weight: float = USUAL) -> Cause:
    """What it is most often, for want of evidence."""
    return cause(code, why, weight)
