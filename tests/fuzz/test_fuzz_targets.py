"""Whatever bytes come in from outside, nothing but the errors that are meant for it comes out.

The longer search is `fuzz.py`, guided by coverage; what it ever found is kept in tests/corpus/fuzz.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from fuzz_targets import TARGETS, seeds
from hypothesis import given, settings
from hypothesis import strategies as st

CORPUS = Path(__file__).resolve().parents[1] / "corpus" / "fuzz"
KEPT = sorted(path for path in CORPUS.glob("*/*") if path.parent.name in TARGETS)
CHEAP = ("midi", "frames", "packets", "records")
MUTANTS = {"session": 40, "smf": 120, "take": 30}


@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.stem)
def test_what_once_broke_a_target_breaks_it_no_more(path: Path) -> None:
    """An input that the fuzzer kept is taken, or refused with the error that is meant for it."""
    TARGETS[path.parent.name](path.read_bytes())


@pytest.mark.parametrize("name", CHEAP)
@given(data=st.binary(max_size=600))
@settings(max_examples=200)
def test_any_bytes_are_taken_or_refused(name: str, data: bytes) -> None:
    """Random bytes on the wire, in a frame, a packet or the record pipe raise nothing of ours."""
    TARGETS[name](data)


@pytest.mark.parametrize("name", TARGETS)
def test_good_input_passes(name: str) -> None:
    """The inputs that the search begins with are good ones, or every mutant of them would be worthless."""
    assert seeds(name)
    for data in seeds(name):
        TARGETS[name](data)


@pytest.mark.parametrize("name", MUTANTS)
def test_mutants_of_good_files_are_taken_or_refused(name: str) -> None:
    """Good files with bytes turned, cut out, doubled and swapped raise only what is meant for them."""
    for seed in range(MUTANTS[name]):
        TARGETS[name](mutant(name, seed))


@pytest.mark.campaign
@pytest.mark.parametrize("first", range(1000, 6000, 500))
@pytest.mark.parametrize("name", MUTANTS)
def test_many_mutants_are_taken_or_refused(name: str, first: int) -> None:
    """The same at length."""
    for seed in range(first, first + 500):
        TARGETS[name](mutant(name, seed))


def mutant(name: str, seed: int) -> bytes:
    """Return a good input with a few faults, by its seed."""
    dice = random.Random(seed)
    good = seeds(name)
    data = bytearray(dice.choice(good))
    for _ in range(dice.randint(1, 6)):
        at = dice.randrange(len(data) + 1)
        end = min(len(data), at + dice.randint(1, 12))
        what = dice.randrange(5)
        if what == 0 and at < len(data):
            data[at] ^= 1 << dice.randrange(8)
        elif what == 1:
            del data[at:end]
        elif what == 2:
            data[at:at] = data[at:end]
        elif what == 3:
            data[at:end] = dice.randbytes(dice.randint(0, 8))
        else:
            other = dice.choice(good)
            start = dice.randrange(len(other))
            data[at:end] = other[start : start + dice.randint(1, 40)]
    return bytes(data)
