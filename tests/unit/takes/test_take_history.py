"""What the song's other takes have to say, read from beside a take."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from runner.takes.history import MOST, histories


def put(root: Path, a_pass: str, number: int, content: Any) -> Path:
    """Write a take.json with an alignment that names its take."""
    folder = root / "Ropewalk" / a_pass / f"take-{number:04d}"
    folder.mkdir(parents=True)
    if content is not None:
        (folder / "take.json").write_text(content if isinstance(content, str) else json.dumps(content))
    return folder


def summary(name: str, **changes: Any) -> dict[str, Any]:
    """Return as much of a take.json as is asked of it."""
    return {
        "take": name,
        "pass": "bass",
        "verdict": "clean",
        "alignment": {"machines": {"drums": {"first_note_clocks": 0.1}}, "settings": {}},
        **changes,
    }


def test_the_songs_other_takes_of_every_pass(tmp_path: Path) -> None:
    """Other passes count too; the take itself, other songs, failed and unreadable ones do not."""
    own = put(tmp_path, "bass", 2, summary("own"))
    put(tmp_path, "bass", 1, summary("first"))
    put(tmp_path, "drums", 1, summary("drums"))
    put(tmp_path, "drums", 2, summary("broke off", verdict="failed"))
    put(tmp_path, "drums", 3, "{")
    put(tmp_path, "drums", 4, "[]")
    put(tmp_path, "drums", 5, None)
    put(tmp_path / "elsewhere", "bass", 1, summary("another song"))
    assert sorted(history.take for history in histories(own)) == ["drums", "first"]


def test_of_very_many_only_some_are_read(tmp_path: Path) -> None:
    """A song with hundreds of takes costs no more than one with forty."""
    own = put(tmp_path, "bass", 999, summary("own"))
    for number in range(1, MOST + 20):
        put(tmp_path, "bass", number, summary(f"take {number}"))
    assert len(histories(own)) == MOST
