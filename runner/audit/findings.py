"""The values that an audit gives: a finding, and a cause of it. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from runner.audit.meanings import MEANINGS, Meaning
from runner.errors import Severity

__all__ = ["MATTERS", "MEANINGS", "SEVERITY_ORDER", "Cause", "Finding", "Meaning", "what_matters"]

MATTERS = 3  #: findings told in full, with cause and remedy; the rest get a line

SEVERITY_ORDER: Mapping[str, int] = {"error": 0, "warning": 1, "note": 2}


@dataclass(frozen=True, slots=True)
class Cause:
    """A possible cause: what, why it is thought so, and how strongly (0 to 1; the list is sorted by it)."""

    text: str
    why: str
    weight: float
    code: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return {"code": self.code, "text": self.text, "why": self.why, "weight": round(self.weight, 3)}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that an audit has to say. `t_ns` is from the anchor; `causes` are ranked.

    `part_of` is the code of the finding whose consequence this one is, empty if it stands for itself.
    `evidence["places"]`, where it is there, lists the single occurrences: {"at", "t_ns", "count"}.
    """

    code: str
    severity: Severity
    t_ns: int | None
    text: str
    at: str | None = None
    machine: str = ""
    port: str = ""
    count: int = 1
    evidence: Mapping[str, Any] = field(default_factory=dict)
    causes: tuple[Cause, ...] = ()
    part_of: str = ""
    advice: str = ""  #: what to try, where this take shows that the usual remedy is done already

    @property
    def remedy(self) -> str:
        """What to try."""
        if self.advice:
            return self.advice
        meaning = MEANINGS.get(self.code)
        return meaning.remedy if meaning else ""

    def to_dict(self) -> dict[str, Any]:
        """Return plain data, as in take.json."""
        return {
            "code": self.code,
            "severity": self.severity,
            "at": self.at,
            "t_ns": self.t_ns,
            "machine": self.machine,
            "port": self.port,
            "count": self.count,
            "text": self.text,
            "evidence": dict(self.evidence),
            "causes": [cause.to_dict() for cause in self.causes],
            "try": self.remedy,
            "part_of": self.part_of,
        }


def what_matters(
    findings: Sequence[Mapping[str, Any]],
) -> tuple[list[Mapping[str, Any]], list[Mapping[str, Any]]]:
    """Return (the findings that matter most, the rest), both in the order given.

    What is only a consequence of another finding is in the rest: it is mended with that one.
    """
    chief = [index for index, finding in enumerate(findings) if not finding.get("part_of")][:MATTERS]
    rest = [finding for index, finding in enumerate(findings) if index not in chief]
    return [findings[index] for index in chief], rest
