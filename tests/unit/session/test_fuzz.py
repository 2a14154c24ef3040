"""Mutated and hostile session files: refused with a line or read, never a traceback, bounded cost.

The quick suite runs a share of the mutations and the hostile files that are cheap; the campaign runs
thousands of mutations, and every hostile file in a process of its own, where it measures CPU time and memory.
"""

from __future__ import annotations

import json
import resource
import runpy
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from runner.errors import PartFileError, SessionError
from runner.plan.smf import read_smf
from runner.plan.smf_file import SmfFile
from runner.plan.take_over import files_wanted, with_files
from runner.session.load import LoadedSession, load_session
from runner.session.model import Session
from runner.session.times import song_time

ROOT = Path(__file__).parents[3]
CORPUS = ROOT / "tests" / "corpus" / "sessions"
SEEDS = [
    path.read_bytes().decode("utf-8")
    for path in [*sorted((CORPUS / "good").glob("*.yaml")), *sorted((ROOT / "configs").glob("*.yaml"))]
]
PARTS = {
    f"parts/{path.name}": read_smf(path.read_bytes(), path.name)
    for path in sorted((ROOT / "configs" / "parts").glob("*.mid"))
}
HOSTILE = runpy.run_path(str(Path(__file__).with_name("hostile.py")))["HOSTILE"]
MOST_CPU_S = 2.0
MOST_MEMORY_MB = 200
JARGON = (
    "pydantic",
    "validation error",
    "input_value",
    "Traceback",
    "NoneType",
    "<class",
    "Fraction(",
    "ctx",
    "object at",
)

TOKENS = [
    "",
    "0",
    "-1",
    "1e9",
    "99999999999999999999",
    ".nan",
    "null",
    "true",
    "on",
    "~",
    "[]",
    "{}",
    "[[]]",
    "''",
    '"\\0"',
    "*a",
    "&a 1",
    "!!str x",
    "<<: *a",
    "? x",
    "- ",
    ": ",
    "#",
    "|",
    ">",
    "%YAML 1.1",
    "---",
    "...",
    "\t",
    "\n",
    "\r",
    "\x00",
    "\x85",
    "\u2028",
    "\ufeff",
    "é",
    "🌊",
    "bar 0",
    "bar -3",
    "bar 1/2",
    "bar 1 beat 0",
    "bar 1 beat 1/0",
    "1/0 bars",
    "1 1/3 beats before end",
    "end",
    "5 bars after start",
    "0 bars",
    "20001 bars",
    "999999 s",
    "-0 ms",
    "1e3 ms",
    "F7",
    "7D 80",
    "0/0",
    "128/1",
    "4/0",
    "0/4",
    "1+1/2",
    "999",
    "4",
    "3.9999999999999999",
    "0x7f",
    "0o17",
    "17:3",
    "front",
    "bass",
    "refrain",
    "start",
]
KEYS = [
    "at",
    "machine",
    "tempo",
    "length",
    "lead",
    "pre-roll",
    "cues",
    "song",
    "songs",
    "port",
    "sections",
    "meter",
    "over",
    "follows",
]


@st.composite
def mutated(draw: st.DrawFn) -> str:
    """Return a good session with one to six mutations."""
    text = draw(st.sampled_from(SEEDS))
    for _ in range(draw(st.integers(1, 6))):
        text = _mutate(draw, text)
    return text


def _mutate(draw: st.DrawFn, text: str) -> str:
    kind = draw(st.integers(0, 9))
    at = draw(st.integers(0, len(text)))
    lines = text.splitlines(keepends=True) or [""]
    row = draw(st.integers(0, len(lines) - 1))
    token = draw(st.sampled_from(TOKENS))
    if kind == 0:  # put something in
        return text[:at] + token + text[at:]
    if kind == 1:  # take something out
        return text[:at] + text[at + draw(st.integers(1, 30)) :]
    if kind == 2:  # one character becomes another
        return text[:at] + draw(st.characters(exclude_categories=())) + text[at + 1 :]
    if kind == 3:  # a line less
        return "".join(lines[:row] + lines[row + 1 :])
    if kind == 4:  # a line twice, or somewhere else
        other = draw(st.integers(0, len(lines)))
        return "".join([*lines[:other], lines[row], *lines[other:]])
    if kind == 5:  # another indentation
        return "".join([*lines[:row], " " * draw(st.integers(0, 7)) + lines[row].lstrip(), *lines[row + 1 :]])
    if kind == 6:  # another value for a key
        head, colon, _ = lines[row].partition(": ")
        return "".join([*lines[:row], head + colon + token + "\n", *lines[row + 1 :]])
    if kind == 7:  # another value inside a mapping in braces
        pieces = lines[row].split(", ")
        piece = draw(st.integers(0, len(pieces) - 1))
        pieces[piece] = pieces[piece].partition(": ")[0] + ": " + token
        return "".join([*lines[:row], ", ".join(pieces), *lines[row + 1 :]])
    if kind == 8:  # a key becomes another
        key = draw(st.sampled_from(KEYS))
        return text.replace(key, draw(st.sampled_from([*KEYS, token])), draw(st.integers(1, 3)))
    return text[:at]  # the file breaks off


def read(text: str | bytes) -> LoadedSession | None:
    """Load a text; return the session if it is good, and check what is said if it is not."""
    try:
        return load_session(text, "f.yaml")
    except SessionError as error:
        check_problems(error)
    return None


def check_problems(error: SessionError) -> None:
    """Each problem has a place, and plain words."""
    problems = error.problems
    assert 1 <= len(problems) <= 101
    for problem in problems:
        assert problem.line >= 1, problem
        assert problem.column >= 1, problem
        assert problem.message, problem
        said = f"{problem.message} {problem.hint}"
        assert len(str(problem)) < 2_000
        assert not any(word in said for word in JARGON), problem


def read_part(name: str) -> SmfFile | PartFileError:
    """Return a file beside the example sessions, or why it cannot be had."""
    return PARTS.get(name) or PartFileError("is not there", file=name)


def filled(loaded: LoadedSession) -> Session | None:
    """Fill in what songs take from files; return the session if that is good."""
    try:
        return with_files(loaded, {name: read_part(name) for name in files_wanted(loaded)}).session
    except SessionError as error:
        check_problems(error)
    return None


def check(text: str) -> None:
    """Read a text; a session that is accepted must have times that can be worked out."""
    loaded = read(text)
    session = None if loaded is None else filled(loaded)
    if session is None:
        return
    for song in session.songs:
        song_time(song)
        assert song.length.amount * song.meter.quarters_per_bar <= 100_000
    for machine in session.machines.values():
        assert machine.port in session.ports


@given(mutated())
@settings(max_examples=300, derandomize=True, deadline=None, suppress_health_check=list(HealthCheck))
def test_mutated_sessions_are_read_or_refused_with_a_line(text: str) -> None:
    """300 mutated sessions give a session or problems with lines in plain words, and no other exception."""
    check(text)


@pytest.mark.campaign
@pytest.mark.timeout(1200)
def test_five_thousand_mutated_sessions() -> None:
    """5,000 mutated sessions likewise, none over 2 s of CPU time, the process never 200 MB larger."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    worst = 0.0
    count = 0

    @given(mutated())
    @settings(max_examples=5_000, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    def campaign(text: str) -> None:
        nonlocal worst, count
        began = time.process_time()
        check(text)
        worst = max(worst, time.process_time() - began)
        count += 1

    campaign()
    assert count >= 5_000
    assert worst < MOST_CPU_S
    assert (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024 < MOST_MEMORY_MB


@given(st.binary(max_size=300))
@settings(max_examples=150, derandomize=True, deadline=None)
def test_random_bytes_are_refused_with_a_line(data: bytes) -> None:
    """Any bytes at all are refused with a line."""
    assert read(data) is None


@given(st.text(alphabet=st.sampled_from("[]{}:,-?*&!|>'\"#% \n\ta1"), max_size=60))
@settings(max_examples=300, derandomize=True, deadline=None)
def test_random_punctuation_is_refused_with_a_line(text: str) -> None:
    """YAML's own marks in any order are refused with a line."""
    assert read(text) is None


CHEAP = [
    "one long word",
    "one long key",
    "one long number",
    "long exponent",
    "open lists",
    "open mappings with keys",
    "dashes",
    "question marks",
    "block nesting",
    "alias bomb",
    "wide alias bomb",
    "long moment",
    "long span",
    "long meter",
    "deep settings",
    "songs",
    "alias of cues",
    "long songs with long leads",
]


@pytest.mark.parametrize("name", CHEAP)
def test_hostile_file_is_answered(name: str) -> None:
    """A file made to be expensive is read or refused with a line."""
    check(HOSTILE[name]())


MEASURE = """
import json, sys, time
sys.path.insert(0, {folder!r})
from hostile import HOSTILE
from runner.errors import SessionError
from runner.session.load import load_session
text = HOSTILE[{name!r}]()
began = time.process_time()
try:
    load_session(text)
    line = 1
except SessionError as error:
    line = min(problem.line for problem in error.problems)
spent = time.process_time() - began
# the kernel lets a child begin with its parent's ru_maxrss; VmHWM is of this program alone
status = open("/proc/self/status").read()
peak_kb = int(next(row for row in status.splitlines() if row.startswith("VmHWM")).split()[1])
print(json.dumps([line, spent, peak_kb / 1024]))
"""


@pytest.mark.campaign
@pytest.mark.parametrize("name", sorted(HOSTILE))
def test_hostile_file_costs_little(name: str) -> None:
    """The most expensive files that fit the bounds take under 2 s of CPU time and 200 MB of memory in all."""
    program = MEASURE.format(folder=str(Path(__file__).parent), name=name)
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60
    )
    line, cpu_s, memory_mb = json.loads(done.stdout)
    assert line >= 1
    assert cpu_s < MOST_CPU_S
    assert memory_mb < MOST_MEMORY_MB
