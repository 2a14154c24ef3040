"""Mutated Standard MIDI Files: a faithful reading, or an error that names the byte; never anything else.

The files that are mutated are pieces of music21's corpus; the judge of a faithful reading is mido's file
reader, where it can read the mutant at all.
"""

from __future__ import annotations

import io
import random
import time
import tracemalloc
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import mido
import pytest

from runner.errors import PartFileError
from runner.plan.draft import draft_session
from runner.plan.parts import select_part
from runner.plan.smf import read_smf
from runner.plan.smf_file import SmfFile
from runner.session.load import load_session
from runner.session.model import PartSpec

MAX_BYTES = 100_000_000
MAX_CPU_S = 1.0
PART = PartSpec.model_validate({"file": "x.mid", "machine": "any"})

Mutator = Callable[[bytearray, random.Random], None]


def flip_bit(data: bytearray, dice: random.Random) -> None:
    """Turn one bit over."""
    data[dice.randrange(len(data))] ^= 1 << dice.randrange(8)


def overwrite(data: bytearray, dice: random.Random) -> None:
    """Write a byte that often means something."""
    data[dice.randrange(len(data))] = dice.choice(
        (0x00, 0x7F, 0x80, 0xFF, 0xF0, 0xF7, 0xF8, 0x90, 0xC0, 0x2F, 0x51)
    )


def insert(data: bytearray, dice: random.Random) -> None:
    """Put up to eight bytes in."""
    at = dice.randrange(len(data))
    data[at:at] = dice.randbytes(dice.randrange(1, 9))


def delete(data: bytearray, dice: random.Random) -> None:
    """Take up to eight bytes out."""
    at = dice.randrange(len(data))
    del data[at : at + dice.randrange(1, 9)]


def repeat(data: bytearray, dice: random.Random) -> None:
    """Copy a stretch to another place."""
    at, to = dice.randrange(len(data)), dice.randrange(len(data))
    data[to:to] = data[at : at + dice.randrange(1, 200)]


def cut(data: bytearray, dice: random.Random) -> None:
    """End the file early."""
    del data[dice.randrange(15, len(data)) :]


def length(data: bytearray, dice: random.Random) -> None:
    """Write another length into a chunk's head."""
    at = data.find(b"MTrk", dice.randrange(len(data)))
    if at >= 0:
        data[at + 4 : at + 8] = dice.choice((0, 1, 255, 65_535, 2**31 - 1, 2**32 - 1)).to_bytes(4, "big")


def header(data: bytearray, dice: random.Random) -> None:
    """Change the header's type, count of tracks or division."""
    data[dice.randrange(8, 14)] = dice.randrange(256)


def quantity(data: bytearray, dice: random.Random) -> None:
    """Write a variable-length quantity of any size over what is there."""
    at = dice.randrange(22, len(data))
    size = dice.randrange(1, 6)
    data[at : at + size] = bytes(
        [0x80 | dice.randrange(128) for _ in range(size - 1)] + [dice.randrange(128)]
    )


MUTATORS: tuple[Mutator, ...] = (
    flip_bit,
    overwrite,
    insert,
    delete,
    repeat,
    cut,
    length,
    header,
    quantity,
)


def mutant(originals: list[bytes], dice: random.Random) -> bytes:
    """Return one of the files with one to four changes."""
    data = bytearray(dice.choice(originals))
    for _ in range(dice.choice((1, 1, 1, 2, 4))):
        if len(data) > 40:
            dice.choice(MUTATORS)(data, dice)
    return bytes(data)


def ours(smf: SmfFile) -> Counter[tuple[int, int, bytes]]:
    """Return the channel messages by track and tick."""
    columns = zip(smf.track, smf.ticks, smf.status, smf.data1, smf.data2, strict=True)
    return Counter((n, t, bytes((s, a) if 0xC0 <= s < 0xE0 else (s, a, b))) for n, t, s, a, b in columns)


def theirs(data: bytes) -> Counter[tuple[int, int, bytes]] | None:
    """Return the same as mido reads it, None if it cannot or if its rules differ from the standard's.

    mido reads on behind an end of track within a chunk, which the standard puts last, and loses the delta
    time of metas that it does not know.
    """
    try:
        tracks = mido.MidiFile(file=io.BytesIO(data)).tracks
    except Exception:
        return None
    found: Counter[tuple[int, int, bytes]] = Counter()
    for number, track in enumerate(tracks, 1):
        tick = 0
        for place, message in enumerate(track):
            tick += message.time
            if message.type == "end_of_track" and place < len(track) - 1:
                return None
            if message.type == "unknown_meta" and message.time == 0:
                return None
            if not message.is_meta and message.type != "sysex":
                found[number, tick, bytes(message.bin())] += 1
    return found


def judge(data: bytes) -> str:
    """Read a mutant all the way to its part and draft; return what became of it."""
    try:
        smf = read_smf(data, "mutant.mid")
    except PartFileError as error:
        # an error must point into the file; the sample is shown by pytest if it does not
        return (
            "refused" if error.offset is not None and 0 <= error.offset <= len(data) else f"no place: {error}"
        )
    part = select_part(smf, PART)
    played = sum(1 for status in part.status if 0x90 <= status < 0xA0)
    written = sum(track.notes for track in smf.tracks)
    if played != written:
        return f"{played} notes played of {written}"
    if len(smf):
        load_session(draft_session(smf, "mutant.mid"))
    expected = theirs(data)
    if expected is None:
        return "read"
    # what we say was left out or is odd about tracks and lengths, mido does not see the same way
    if any(
        word in notice.message for notice in smf.notices for word in ("behind", "tracks", "empty", "no end")
    ):
        return "read"
    return "agreed" if expected == ours(smf) else "read otherwise than mido"


def run(originals: list[bytes], seeds: range) -> Counter[str]:
    """Judge one mutant for each seed."""
    return Counter(judge(mutant(originals, random.Random(seed))) for seed in seeds)


def originals_of(files: list[Path]) -> list[bytes]:
    """Return the smaller files, which are also the quicker ones."""
    found = [data for file in files if len(data := file.read_bytes()) < 6_000]
    assert len(found) >= 10
    return found


def test_500_mutants_are_read_faithfully_or_refused(corpus_files_with_tempo: list[Path]) -> None:
    """Every mutant is refused with the byte, or read; where mido reads it too, both read the same."""
    results = run(originals_of(corpus_files_with_tempo), range(500))
    assert set(results) <= {"refused", "read", "agreed"}
    assert min(results["refused"], results["agreed"]) > 50


@pytest.mark.campaign
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("block", range(8))
def test_20000_mutants_are_read_faithfully_or_refused(
    corpus_files_with_tempo: list[Path], block: int
) -> None:
    """The same, 20,000 times."""
    results = run(
        originals_of(corpus_files_with_tempo), range(1_000 + block * 2_500, 1_000 + (block + 1) * 2_500)
    )
    assert set(results) <= {"refused", "read", "agreed"}
    assert min(results["refused"], results["agreed"]) > 250


@pytest.mark.campaign
@pytest.mark.timeout(600)
def test_mutants_take_little_memory_and_time(corpus_files: list[Path]) -> None:
    """No mutant of any piece takes 100 MB or a second of this process's time to read."""
    originals = [file.read_bytes() for file in corpus_files]
    slowest = largest = 0.0
    for seed in range(3_000):
        data = mutant(originals, random.Random(seed))
        tracemalloc.start()
        begun = time.process_time()
        judge_only(data)
        slowest = max(slowest, time.process_time() - begun)
        largest = max(largest, tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert largest < MAX_BYTES
    assert slowest < MAX_CPU_S


def judge_only(data: bytes) -> None:
    """Read a mutant and forget it."""
    try:
        read_smf(data)
    except PartFileError:
        return


HEAD = bytes.fromhex("4D546864 00000006 0000 0001 0060 4D54726B")
FLOODS = {
    "shortest events": b"\x00\xc0\x01" + b"\x00\x01" * 8_000_000,
    "shortest metas": b"\x00\xff\x60\x00" * 4_000_000,
    "empty texts": b"\x00\xff\x01\x00" * 4_000_000,
    "empty sysex": b"\x00\xf0\x00" * 5_000_000,
    "one long text": b"\x00\xff\x01\x87\xa1\xa0\x00" + b"\xe9" * 0xE85000,
    "one long sysex": b"\x00\xf0\x87\xa1\xa0\x00" + b"\x01" * 0xE85000,
}


@pytest.mark.campaign
@pytest.mark.timeout(300)
@pytest.mark.parametrize("flood", FLOODS)
def test_floods_are_bounded(flood: str) -> None:
    """A file as large as is accepted, of the smallest or the longest events, stays under 100 MB."""
    body = FLOODS[flood]
    data = HEAD + len(body).to_bytes(4, "big") + body
    tracemalloc.start()
    try:
        judge_only(data)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < MAX_BYTES


@pytest.mark.parametrize("flood", ["shortest events", "shortest metas", "empty texts", "empty sysex"])
def test_floods_are_refused_before_their_end(flood: str) -> None:
    """Too many events are refused in the first third of the file, at the byte where they become too many."""
    data = HEAD + len(FLOODS[flood]).to_bytes(4, "big") + FLOODS[flood]
    with pytest.raises(PartFileError, match="more than") as caught:
        read_smf(data)
    assert caught.value.offset is not None
    assert caught.value.offset < len(data) / 3


def test_file_over_the_limit_is_refused_unread() -> None:
    """More than 16 MiB is refused before anything is taken apart."""
    with pytest.raises(PartFileError, match="may have at most 16,777,216") as caught:
        read_smf(HEAD + bytes(16 * 1024 * 1024), "flood.mid")
    assert caught.value.offset == 16 * 1024 * 1024
