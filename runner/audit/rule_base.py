"""What the rules of an audit share. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from runner.audit.facts import Facts
from runner.audit.findings import MEANINGS, Finding
from runner.errors import Severity

MOST_PLACES = 50  #: how many places of one finding are listed

Rule = Callable[[Facts], Iterator[Finding]]


def in_ms(ns: float) -> str:
    """Return ns as text in ms."""
    return f"{ns / 1e6:.2f} ms"


def plural(count: int, thing: str, things: str = "") -> str:
    """Return "1 clock" or "2 clocks"."""
    return f"{count} {thing if count == 1 else things or thing + 's'}"


def was(count: int) -> str:
    """Return "was" or "were"."""
    return "was" if count == 1 else "were"


def finding(code: str, facts: Facts, t_ns: int | None, text: str, **more: object) -> Finding:
    """Return a finding with the usual severity of its code and the song position of its time."""
    severity: Severity = MEANINGS[code].severity
    more.setdefault("severity", severity)
    more.setdefault("at", facts.at(t_ns))
    return Finding(code=code, t_ns=t_ns, text=text, **more)  # type: ignore[arg-type]
