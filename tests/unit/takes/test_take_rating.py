"""The rating of a take: a small file beside it that a person's word goes into."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from runner.errors import UsageError
from runner.takes.rating import RATING_FILE, Mark, Rating, add_mark, rate, read_rating


def test_a_take_without_a_rating_has_none(tmp_path: Path) -> None:
    """Of a take that nobody rated, the rating is empty and nothing is written."""
    assert read_rating(tmp_path) == Rating()
    assert list(tmp_path.iterdir()) == []


def test_rate_and_marks_are_kept_together(tmp_path: Path) -> None:
    """A rating leaves the marks as they are, and a mark the rating."""
    add_mark(tmp_path, Mark(1_500_000_000, "bar 2 beat 1", "bass came in early"))
    rate(tmp_path, "keep")
    add_mark(tmp_path, Mark(9_000_000_000, "bar 9 beat 3"))
    rating = read_rating(tmp_path)
    assert rating.kept and rating.rating == "keep"
    assert [mark.at for mark in rating.marks] == ["bar 2 beat 1", "bar 9 beat 3"]
    assert rate(tmp_path, "discard").rating == "discard"
    assert len(read_rating(tmp_path).marks) == 2
    assert not rate(tmp_path, "").rating


def test_the_file_is_plain_json(tmp_path: Path) -> None:
    """rating.json holds the documented keys, and nothing is left beside it."""
    rate(tmp_path, "keep")
    assert json.loads((tmp_path / RATING_FILE).read_bytes()) == {"format": 1, "rating": "keep", "marks": []}
    assert [path.name for path in tmp_path.iterdir()] == [RATING_FILE]


@pytest.mark.parametrize("word", ["kept", "KEEP", "delete", "../x"])
def test_other_words_are_refused(tmp_path: Path, word: str) -> None:
    """A word that is no rating is refused and changes nothing."""
    rate(tmp_path, "keep")
    with pytest.raises(UsageError, match="keep or discard"):
        rate(tmp_path, word)
    assert read_rating(tmp_path).kept


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b"\xff\xfe", b'{"rating": 7, "marks": {}}'])
def test_a_damaged_file_is_no_rating_and_is_not_lost(tmp_path: Path, content: bytes) -> None:
    """What cannot be read counts as no rating; a new rating puts the old bytes aside."""
    (tmp_path / RATING_FILE).write_bytes(content)
    assert read_rating(tmp_path) == Rating()
    rate(tmp_path, "keep")
    assert read_rating(tmp_path).kept
    aside = tmp_path / "rating-damaged.json"
    if content.startswith(b'{"'):  # that one could be read, and held nothing
        assert not aside.exists()
    else:
        assert aside.read_bytes() == content


def test_marks_that_make_no_sense_are_read_as_far_as_they_do(tmp_path: Path) -> None:
    """Odd values in a mark get their defaults; what is no mark is left out."""
    text = '{"rating": "keep", "marks": [{"t_ns": true, "at": 5, "text": "x"}, 3, {"t_ns": 4}]}'
    (tmp_path / RATING_FILE).write_text(text)
    assert read_rating(tmp_path).marks == (Mark(None, "", "x"), Mark(4))


def test_no_take_no_rating(tmp_path: Path) -> None:
    """A folder that is not there is named and not made."""
    with pytest.raises(UsageError, match="no take folder"):
        rate(tmp_path / "take-0099", "keep")
    assert not (tmp_path / "take-0099").exists()
