"""Keeps the findings about one clock until somebody fetches them: bounded, and what is left out counted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from runner.errors import Severity
from runner.sync.findings import KINDS, Code, Finding

MOST_OF_A_KIND = 200


class FindingBook:
    """Findings of one machine's clock. Beyond `MOST_OF_A_KIND` of one code they are only counted."""

    __slots__ = ("_machine", "_out", "_told", "unreported")

    def __init__(self, machine: str) -> None:
        self._machine = machine
        self._out: list[Finding] = []
        self._told: Counter[Code] = Counter()
        self.unreported: Counter[Code] = Counter()  #: findings beyond `MOST_OF_A_KIND`, by code

    def add(
        self, code: Code, t_ns: int, clocks: float | None, size: float, text: str,
        evidence: Mapping[str, float | int | str] | None = None, severity: Severity | None = None,
    ) -> None:  # fmt: skip
        """Write one finding down; arguments as of `Finding`, the severity by default its code's."""
        self._told[code] += 1
        if self._told[code] > MOST_OF_A_KIND:
            self.unreported[code] += 1
            return
        level = KINDS[code].severity if severity is None else severity
        self._out.append(Finding(code, level, t_ns, clocks, size, text, self._machine, dict(evidence or {})))

    def drain(self) -> list[Finding]:
        """Return what was written since the last call, oldest first."""
        out, self._out = self._out, []
        return out
