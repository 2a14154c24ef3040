"""Session files of the largest size allowed, each made to cost as much time or memory as it can."""

from __future__ import annotations

from collections.abc import Callable

from runner.session.yaml_tree import MAX_VALUES

SIZE = (1 << 20) - 4096
HEAD = """session: Slack Water
format: 1
ports: {front: {match: "Front*"}}
machines: {bass: {port: front, channel: 2}}
"""
SONG = HEAD + "songs:\n  - song: Ropewalk\n    tempo: 120\n    length: 64 bars\n"


def repeat(piece: str, size: int = SIZE) -> str:
    """Return a piece as often as fits into a size."""
    return piece * (size // len(piece))


def numbered(template: str, size: int = SIZE) -> str:
    """Return lines of a template with a counter in it, up to a size or almost `MAX_VALUES` values."""
    lines: list[str] = []
    length = 0
    values = (
        template.count(":") + template.count("- {") + template.count(", " if ":" not in template else "\0")
    )
    most = (MAX_VALUES - 300) * size // SIZE // values
    while length < size - len(template) - 8 and len(lines) < most:
        lines.append(template.replace("%", str(len(lines))))
        length += len(lines[-1])
    return "".join(lines)


def bomb(width: int, levels: int) -> str:
    """Return lists of aliases of lists of aliases."""
    lines = ["a0: &a0 [" + ", ".join(["x"] * width) + "]"]
    for level in range(1, levels):
        lines.append(f"a{level}: &a{level} [" + ", ".join([f"*a{level - 1}"] * width) + "]")
    return HEAD + "\n".join(lines)


CUE = "      - {at: bar %, machine: bass, control: 74, value: 90}\n"
HOSTILE: dict[str, Callable[[], str]] = {
    "one long word": lambda: repeat("x"),
    "one long line of words": lambda: repeat("x "),
    "one long key": lambda: repeat("x") + ": 1",
    "one long number": lambda: "session: " + repeat("9"),
    "one long hex number": lambda: "session: 0x" + repeat("f"),
    "long exponent": lambda: "session: 1e" + repeat("9"),
    "one long quoted text": lambda: 'session: "' + repeat("\\n") + '"',
    "one long folded text": lambda: "session: >\n" + repeat("  x\n\n"),
    "one comment": lambda: "#" + repeat("x"),
    "many comments": lambda: repeat("#\n"),
    "empty lines": lambda: repeat("\n"),
    "spaces": lambda: repeat(" "),
    "open lists": lambda: repeat("["),
    "open mappings": lambda: repeat("{"),
    "open mappings with keys": lambda: repeat("{a: "),
    "dashes": lambda: repeat("- "),
    "question marks": lambda: repeat("? "),
    "colons": lambda: repeat(": "),
    "block nesting": lambda: "".join(" " * depth + "a:\n" for depth in range(1400)),
    "values in a list": lambda: "x: [" + repeat("1,", 99_000) + "]",
    "empty mappings in a list": lambda: HEAD + "songs: [" + repeat("{},", 140_000) + "]",
    "cues without anything": lambda: SONG + "    cues: [" + repeat("{},", 59_000) + "]",
    "cues with one key": lambda: SONG + "    cues: [" + repeat("{a},", 39_000) + "]",
    "cues that are text": lambda: SONG + "    cues: [" + repeat("a,", 39_000) + "]",
    "good cues": lambda: SONG.replace("64 bars", "20000 bars") + "    cues:\n" + numbered(CUE, SIZE - 800),
    "cues beyond the song": lambda: (
        SONG + "    cues:\n" + numbered(CUE.replace("bar %", "bar 9%"), SIZE - 800)
    ),
    "cues for unknown machines": lambda: (
        SONG + "    cues:\n" + numbered(CUE.replace("bass", "ba%").replace("bar %", "bar 1"))
    ),
    "cues far before": lambda: (
        SONG + "    cues:\n" + numbered(CUE.replace("bar %", "%/7 beats before start"))
    ),
    "cues of unknown sections": lambda: SONG + "    cues:\n" + numbered(CUE.replace("bar %", "verse%")),
    "unknown keys": lambda: numbered("k%: 1\n"),
    "ports": lambda: "ports:\n" + numbered(" p%: {match: x}\n"),
    "machines": lambda: (
        HEAD.replace("machines: {bass: {port: front, channel: 2}}", "machines:\n")
        + numbered(" m%: {port: front, channel: 1, follows: [clock]}\n", SIZE - 200)
    ),
    "sections": lambda: SONG + "    sections:\n" + numbered("      s%: 5\n"),
    "sections and moments": lambda: (
        SONG
        + "    sections:\n"
        + numbered("      s%: 5\n", SIZE // 2)
        + "    cues:\n"
        + numbered(CUE.replace("bar %", "2 beats after s%"), SIZE // 2 - 400)
    ),
    "tempo changes": lambda: (
        SONG.replace("64 bars", "20000 bars")
        + "    tempo-changes:\n"
        + numbered("      - {at: bar 1%, tempo: 1%.5, over: 1/3 beat}\n".replace("1%.5", "97.123"))
    ),
    "ramps in order": lambda: (
        SONG.replace("64 bars", "20000 bars")
        + "    tempo-changes:\n"
        + numbered("      - {at: % bars after bar 1, tempo: 97.123, over: 1/3 beat}\n")
    ),
    "meter changes": lambda: (
        SONG.replace("64 bars", "20000 bars")
        + "    meter-changes:\n"
        + numbered("      - {at: % bars after bar 2, meter: 3/4}\n")
    ),
    "songs": lambda: HEAD + "songs:\n" + numbered(" - {song: s%, tempo: 99.9, length: 20000 bars}\n", 40_000),
    "long songs with long leads": lambda: (
        HEAD
        + "songs:\n"
        + numbered(" - {song: s%, tempo: 4, length: 20000 bars, lead: 99 beats, tail: 99 bars}\n", 60_000)
    ),
    "order": lambda: SONG + "order: [" + repeat("Ropewalk, ", 900_000) + "]",
    "order of unknown songs": lambda: SONG + "order: [" + numbered("Rope%, ", 900_000) + "]",
    "alias bomb": lambda: bomb(10, 12),
    "wide alias bomb": lambda: bomb(9_000, 2),
    "alias of cues": lambda: (
        SONG
        + "    cues: &c [{at: bar 1, machine: bass, stop: true}]\n"
        + "".join(f"  - {{song: s{n}, tempo: 9, length: 1 bar, cues: *c}}\n" for n in range(490))
    ),
    "anchors": lambda: "x: [" + numbered("&a% 1, ") + "]",
    "tags": lambda: "x: [" + repeat("!!str 1, ") + "]",
    "duplicate keys": lambda: repeat("a: 1\n"),
    "merge keys": lambda: repeat("<<: 1\n"),
    "escapes": lambda: 'session: "' + repeat("\\U0001F30A") + '"',
    "long hex": lambda: (
        SONG + '    cues: [{at: bar 1, machine: bass, sysex: "' + repeat("7F ", 900_000) + '"}]'
    ),
    "many raw bytes": lambda: (
        SONG + '    cues: [{at: bar 1, machine: bass, raw: "' + repeat("F6 ", 190_000) + '"}]'
    ),
    "long moment": lambda: SONG + "    cues: [{at: " + repeat("1 before ", 900_000) + ", machine: bass}]",
    "long span": lambda: SONG + "    lead: " + repeat("1", 900_000) + " s\n",
    "long meter": lambda: SONG + "    meter: " + repeat("1+", 900_000) + "1/4\n",
    "long days": lambda: (
        SONG + 'schedule: [{at: "19:30", roll: Ropewalk, days: "' + repeat("mon,", 900_000) + '"}]'
    ),
    "deep settings": lambda: "ports: {a: {simulate: master, settings: {a: " + "[" * 28 + "]" * 28 + "}}}",
}
