"""Why it may have happened: causes of a finding, weighed by what else the take shows at that time.

Pure. A weight says how well the evidence fits, 0 to 1: direct evidence (the port was gone) outweighs
coincidence (other ports were late too), which outweighs what is merely usual.
"""

from __future__ import annotations

from runner.audit.facts import DIN_BYTE_NS, NEAR_NS, Facts
from runner.audit.findings import Cause

DIRECT, COINCIDENT, USUAL = 0.95, 0.8, 0.3


def ranked(causes: list[Cause | None]) -> tuple[Cause, ...]:
    """Return the causes that there are, strongest first; of equals, in the order given; each code once."""
    best: dict[str, Cause] = {}
    for cause in sorted((cause for cause in causes if cause is not None), key=lambda c: -c.weight):
        best.setdefault(cause.code, cause)
    return tuple(best.values())


def port_gone(facts: Facts, port: str, t_ns: int) -> Cause | None:
    """The port vanished at that time: a cable, a hub, or the machine's power."""
    for event in facts.of_kind("presence"):
        name = event.port or str(event.detail.get("port", ""))
        if name == port and event.detail.get("present") is False and abs(event.t_ns - t_ns) <= 2 * NEAR_NS:
            gap = abs(event.t_ns - t_ns) / 1e6
            why = f"port {port} vanished from the system {gap:.0f} ms away from it"
            return Cause(
                "the cable was unplugged, or the machine or hub lost power", why, DIRECT, "unplugged"
            )
    return None


def port_refused(facts: Facts, port: str, t_ns: int) -> Cause | None:
    """The port refused what was sent."""
    event = facts.near("send_failed", t_ns, port)
    if event is None:
        return None
    text = "the interface or its driver refused data"
    return Cause(text, f"port {port} refused a message then", 0.85, "port-refused")


def port_held(facts: Facts, port: str, t_ns: int) -> Cause | None:
    """A port (this one or another) held the engine up while it took a message."""
    event = facts.near("slow_send", t_ns)
    if event is None:
        return None
    own = event.port == port
    why = f"port {event.port} held the engine for {event.amount / 1000:.1f} ms then"
    return Cause("a port's driver blocked the engine", why, DIRECT if own else 0.9, "slow-port")


def computer_late(facts: Facts, port: str, t_ns: int) -> Cause | None:
    """Other ports were late at the same time, so it is not this port but this computer."""
    other = facts.late_elsewhere(port, t_ns)
    if other is None:
        return None
    why = f"clocks on port {other.port} were late at the same time"
    return Cause("this computer did not run the engine in time", why, COINCIDENT, "computer")


def own_lateness(facts: Facts, t_ns: int) -> Cause | None:
    """Our own sends were late when input was strange: this computer stood still."""
    for figures in facts.clock.tracks:
        if figures.direction != "out":
            continue
        late = [t for t in figures.late_times(facts.limits.clock_ns) if abs(t - t_ns) <= NEAR_NS]
        if late:
            why = f"our own clocks on port {figures.port} were late at the same time"
            return Cause("this computer did not run the engine in time", why, COINCIDENT, "computer")
    return None


def wire_load(facts: Facts, port: str, direction: str, t_ns: int) -> Cause | None:
    """So much passed the same wire just before that a clock had to wait or was dropped."""
    span = 20_000_000
    size = facts.bytes_between(port, direction, t_ns - span, t_ns + span)
    share = size * DIN_BYTE_NS / (2 * span)
    if share < 0.5:
        return None
    way = "came in on" if direction == "in" else "went out on"
    why = f"{size} bytes {way} port {port} within 40 ms, {share:.0%} of what a DIN cable carries"
    return Cause("too much data on the same wire", why, 0.75 if share < 1 else 0.85, "wire-load")


def usual(text: str, why: str, code: str, weight: float = USUAL) -> Cause:
    """What it is most often, for want of evidence."""
    return Cause(text, why, weight, code)
