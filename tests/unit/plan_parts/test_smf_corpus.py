"""Every file of tests/corpus/smf is read, or refused, as its head says."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.errors import PartFileError
from runner.plan.smf import read_smf
from runner.plan.smf_file import SmfFile

CORPUS = sorted((Path(__file__).parents[2] / "corpus" / "smf").glob("*.hex"))


def load(path: Path) -> tuple[dict[str, str], bytes]:
    """Return the expectations and the bytes of a corpus file."""
    head, _, body = path.read_text(encoding="utf-8").partition("---\n")
    lines = [line for line in head.splitlines() if line and not line.startswith("#")]
    return {key: value.strip() for key, _, value in (line.partition(":") for line in lines)}, bytes.fromhex(
        body
    )


def rows(text: str) -> list[str]:
    """Return the items of a list written with commas."""
    return [row.strip() for row in text.split(",") if row.strip()]


def events(smf: SmfFile) -> list[str]:
    """Return the channel messages in the notation of the corpus, track by track."""
    columns = zip(smf.track, smf.ticks, smf.status, smf.data1, smf.data2, strict=True)
    return [
        f"{tick} {track} {s:02X} {a:02X} {b:02X}"
        for track, tick, s, a, b in sorted(columns, key=lambda r: r[0])
    ]


def read_or_offset(data: bytes) -> tuple[list[str], int | None]:
    """Return the messages read and 0, or none and the offset of the error."""
    try:
        return events(read_smf(data)), 0
    except PartFileError as error:
        return [], error.offset


def described(smf: SmfFile) -> dict[str, list[str]]:
    """Return everything that a corpus file may expect."""
    return {
        "events": events(smf),
        "end": [str(smf.end_tick)],
        "tempo": [f"{tempo.tick} {tempo.us_per_quarter}" for tempo in smf.tempos],
        "meter": [f"{meter.tick} {meter.numerator}/{meter.denominator}" for meter in smf.meters],
        "texts": [f"{text.tick} {text.kind} {text.text}" for text in smf.texts],
        "sysex": [
            f"{packet.tick} {'escape' if packet.escape else 'start'} {packet.data.hex().upper()}"
            for packet in smf.sysex
        ],
    }


def test_the_corpus_is_there() -> None:
    """The corpus has both good and bad files, so that the test below tests something."""
    kinds = [load(path)[0]["expect"] for path in CORPUS]
    assert kinds.count("ok") >= 20
    assert kinds.count("error") >= 20


@pytest.mark.parametrize("path", CORPUS, ids=lambda path: path.stem)
def test_file_is_read_as_its_head_says(path: Path) -> None:
    """A good file gives its events, metas and notices; a bad one an error that names the byte."""
    wanted, data = load(path)
    if wanted["expect"] == "error":
        with pytest.raises(PartFileError) as caught:
            read_smf(data, path.name)
        assert caught.value.offset == int(wanted["offset"])
        assert wanted["says"] in str(caught.value)
        assert str(caught.value).startswith(f"{path.name}: byte {wanted['offset']}: ")
        return
    smf = read_smf(data, path.name)
    found = described(smf)
    for key in ("events", "end", "tempo", "meter", "texts", "sysex"):
        assert found[key] == rows(wanted.get(key, "")), key
    if "notice" in wanted:
        assert any(wanted["notice"] in notice.message for notice in smf.notices)
    else:
        assert not smf.notices


@pytest.mark.parametrize("path", CORPUS, ids=lambda path: path.stem)
def test_every_cut_of_a_file_is_read_or_refused(path: Path) -> None:
    """A file cut off after any byte is refused with an offset inside it, or read with no event invented."""
    wanted, data = load(path)
    whole = read_or_offset(data)[0] if wanted["expect"] == "ok" else None
    for length in range(len(data)):
        part, offset = read_or_offset(data[:length])
        assert offset is not None
        assert 0 <= offset <= length
        assert whole is None or set(part) <= set(whole)
