"""Where daemon and clients look for the control socket."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.desk.socket_path import places_to_look, slug, socket_path

USER = {"XDG_RUNTIME_DIR": "/run/user/1000"}


@pytest.mark.parametrize(
    ("env", "path"),
    [
        ({}, "/tmp/takewright-1000/lantern-quay.sock"),
        (USER, "/run/user/1000/takewright/lantern-quay.sock"),
        ({"XDG_RUNTIME_DIR": "relative"}, "/tmp/takewright-1000/lantern-quay.sock"),
        ({**USER, "RUNTIME_DIRECTORY": "/run/takewright"}, "/run/takewright/control.sock"),
        # systemd.exec(5), RuntimeDirectory=: several directories are separated by colons
        ({"RUNTIME_DIRECTORY": "/run/takewright/quay:/run/other"}, "/run/takewright/quay/control.sock"),
        ({**USER, "RUNTIME_DIRECTORY": "/run/takewright", "TAKEWRIGHT_SOCKET": "/a/b"}, "/a/b"),
    ],
)
def test_the_rule(env: dict[str, str], path: str) -> None:
    """The variable comes first, then the service's directory, then the user's, then one below /tmp."""
    assert socket_path("shows/Lantern Quay.yaml", env, 1000) == Path(path)


def test_names_become_short_file_names() -> None:
    """Accents go, other letters become hyphens, and nothing at all becomes a name."""
    assert slug("Büro & Hafen (2)") == "buro-hafen-2"
    assert slug("港") == slug("") == "session"


@settings(deadline=None)
@given(st.text())
def test_any_name_gives_a_safe_file_name(text: str) -> None:
    """No name leaves its folder or grows too long for a socket's path."""
    assert 1 <= len(slug(text)) <= 40
    assert all(letter.isascii() and (letter.isalnum() or letter == "-") for letter in slug(text))
    assert slug(slug(text)) == slug(text)


def test_a_session_s_places_are_among_all_places(tmp_path: Path) -> None:
    """What is found for a session is found without it, too, and the daemon's own place is looked at."""
    env = {"XDG_RUNTIME_DIR": str(tmp_path / "user")}
    places = [
        socket_path("quay.yaml", env, 1),
        tmp_path / "takewright/quay/control.sock",
        tmp_path / "takewright/quay.sock",
        tmp_path / "takewright-quay/control.sock",
    ]
    for path in places:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    other = tmp_path / "takewright/control.sock"
    other.touch()

    def found(session: str | None) -> set[Path]:
        return {
            path for folder, name in places_to_look(session, env, 1, tmp_path) for path in folder.glob(name)
        }

    assert found("shows/Quay.yaml") == set(places)
    assert found(None) == {*places, other}
