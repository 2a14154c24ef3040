"""The reference page of findings and causes, made from the program's own tables.

``python -m runner.audit.reference > docs/finding-codes.md``. A test holds the page against the code.
"""

from __future__ import annotations

from dataclasses import fields

from runner.audit.cause_codes import CAUSES
from runner.audit.findings import SEVERITY_ORDER
from runner.audit.meanings import MEANINGS, Meaning
from runner.audit.verdict import Limits
from runner.sync.findings import KINDS as WATCH_KINDS

_WATCH = frozenset(code.value for code in WATCH_KINDS)

HEAD = """# Finding codes

This page is made from the program's own code. It lists all that an audit can find, and what it can name as a
cause. Codes are stable: they are stored in takes, and never change their meaning.

A finding has a severity: an `error` makes a take failed, a `warning` makes it flawed, a `note` changes
nothing. What is given here is the usual one; a finding that explains worse ones is as severe as they are. Its
causes are ranked by how well the evidence in the take fits. `part_of` names the finding that explains it.

Nothing is judged by a number that is not a limit of the session (`limits:`), kept with the take:

"""

_LIMITS = {
    "clock_ns": (
        "clock",
        "0.32 ms",
        "one byte on a DIN cable: 31.25 kbaud, 10 bits (MIDI 1.0 Detailed "
        "Specification 4.2.1, p. 1). Less cannot be seen on the wire",
    ),
    "lateness_ns": (
        "lateness",
        "1 ms",
        "a frame of full-speed USB (USB 2.0, 5.3); the strictest figure in the "
        "literature for variation (Wessel and Wright, 2001)",
    ),
    "cue_ns": (
        "cue",
        "6 ms",
        "the smallest displacement that is noticed in a regular run faster than 240 ms "
        "(Friberg and Sundberg, J. Acoust. Soc. Am. 98, 1995, 2524)",
    ),
    "wire_wait_ns": ("wire-wait", "1 ms", "as for lateness"),
    "missing_clocks": (
        "missing-clocks",
        "0",
        "a follower that loses one stays behind for the rest of the song",
    ),
    "extra_clocks": ("extra-clocks", "0", "a follower that gets one too many stays ahead"),
    "tempo_percent": (
        "tempo-percent",
        "0.1",
        "a fifteenth of the least difference that is noticed (1.5 %: Drake "
        "and Botte, Percept. Psychophys. 54, 1993); it adds up to 240 ms in four minutes",
    ),
}


def page() -> str:
    """Return the page as Markdown."""
    lines = [HEAD.rstrip("\n"), "", "| limit | default | why |", "|---|---|---|"]
    for field in fields(Limits):
        name, default, why = _LIMITS[field.name]
        lines.append(f"| `{name}` | {default} | {why} |")
    lines += [
        "",
        "Two bounds are the standard's own: 1 ms from Start to its first clock, and 330 ms of silence",
    ]
    lines += ["after active sensing was seen (MIDI 1.0, pp. 30 and 33).", ""]
    own = {code: meaning for code, meaning in MEANINGS.items() if code not in _WATCH}
    watch = {code: meaning for code, meaning in MEANINGS.items() if code in _WATCH}
    lines += ["## Takes, messages, ports and machines", "", *_findings(own)]
    lines += ["## The followed clock", "", *_findings(watch), "## Causes", ""]
    lines += ["| cause | whose | what | told by |", "|---|---|---|---|"]
    for code, cause in sorted(CAUSES.items()):
        lines.append(f"| `{code}` | {cause.whose} | {cause.meaning} | {cause.told_by} |")
    return "\n".join(lines) + "\n"


def _findings(table: dict[str, Meaning]) -> list[str]:
    lines: list[str] = []
    for code, meaning in sorted(table.items(), key=lambda row: (SEVERITY_ORDER[row[1].severity], row[0])):
        lines += [f"### {code}", "", f"{meaning.severity}: {meaning.meaning}.", ""]
        lines.append(f"- evidence: {meaning.evidence}")
        if meaning.causes:
            lines.append("- causes: " + ", ".join(f"`{cause}`" for cause in meaning.causes))
        lines += [f"- try: {meaning.remedy}", ""]
    return lines


if __name__ == "__main__":
    print(page(), end="")
