"""`takewright tell`: orders to a daemon, and what it answers."""

from __future__ import annotations

import json
import os
import socket
import threading
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from fake_desk import ROLLING, FakeDesk

from runner.desk.actions import NAME_IF_WANTED, PLAIN, WITH_NAME, Outcome
from runner.desk.client import ControlClient, find_socket
from runner.desk.talk import Say, frame_of
from runner.errors import NoDaemonError, UsageError
from runner.framing import pack_frame
from runner.music import parse_moment
from runner.music.loops import parse_loop
from runner.music.rehearsal import Rehearsal

Call = Callable[..., Any]

ROLLS = {"roll": Outcome(True, "Ropewalk rolls"), "song Net Loft": Outcome(True, "")}


@pytest.fixture(autouse=True)
def _nobody_else(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No daemon of this computer is found by chance: it might be told to stop."""
    monkeypatch.setattr(find_socket, "__defaults__", (tmp_path / "sys-of-nobody",))
    monkeypatch.delenv("TAKEWRIGHT_SOCKET", raising=False)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "run"))


def test_done(call: Call, tmp_path: Path) -> None:
    """What is done is told in the daemon's words; the rest of the line is the name."""
    with FakeDesk(tmp_path / "s", ROLLS) as desk:
        assert (call("tell", "roll", "--socket", desk.path).code) == 0
        said = call("tell", "song", "Net", "Loft", "--socket", desk.path)
    assert (said.code, said.out) == (0, "done\n")
    assert [(order.word, order.name, order.origin) for order in desk.orders] == [
        ("roll", "", "tell"),
        ("song", "Net Loft", "tell"),
    ]


def test_refused(call: Call, tmp_path: Path) -> None:
    """A refusal gives the reason and exit code 1."""
    with FakeDesk(tmp_path / "s", ROLLS) as desk:
        said = call("tell", "stop", "--socket", desk.path)
    assert (said.code, said.out, said.err) == (1, "", "refused: not now, nothing rolls\n")


def test_json(call: Call, tmp_path: Path) -> None:
    """With --json one object says what was asked and what became of it."""
    with FakeDesk(tmp_path / "s", ROLLS) as desk:
        said = [call("tell", word, "--json", "--socket", desk.path) for word in ("roll", "stop")]
    assert [item.code for item in said] == [0, 1]
    assert json.loads(said[0].out) == {"order": "roll", "done": True, "text": "Ropewalk rolls"}
    assert json.loads(said[1].out)["done"] is False


def test_status(call: Call, tmp_path: Path) -> None:
    """`tell status` prints what the daemon does, without troubling it."""
    with FakeDesk(tmp_path / "s") as desk:
        said = call("tell", "status", "--socket", desk.path)
        data = json.loads(call("tell", "status", "--json", "--socket", desk.path).out)
    assert "song    Ropewalk  (3 of 8)" in said.out
    assert (data["state"], data["at"]) == ("rolling", ROLLING.at)
    assert desk.orders == []


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["rol"], "did you mean roll?"),
        (["staus"], "did you mean status?"),
        (["frobnicate"], "it is one of status, roll, stop,"),
        (["song"], "song needs a name"),
        (["stop", "now"], "stop stands alone"),
        ([""], "no order"),
    ],
)
def test_no_such_order(call: Call, tmp_path: Path, words: list[str], text: str) -> None:
    """What is no order is a wrong use, told without asking the daemon."""
    said = call("tell", *words, "--socket", tmp_path / "nobody")
    assert said.code == 2
    assert text in said.err and "takewright tell --help" in said.err


def test_help_names_every_order(call: Call) -> None:
    """The help lists each word that the desk knows."""
    words = call("tell", "--help").out.split()
    assert {*PLAIN, *WITH_NAME, *NAME_IF_WANTED, "status"} - {"roll", "place"} <= set(words)
    assert {"roll", "place"} <= set(words)


def test_no_daemon(call: Call, tmp_path: Path) -> None:
    """Without a daemon the exit code is 3, and the text says how to start one."""
    assert call("tell", "stop").code == 3
    said = call("tell", "stop", "--socket", tmp_path / "nobody")
    assert said.code == 3
    assert "no daemon runs at" in said.err and "takewright run" in said.err
    said = call("tell", "stop", "--session", "shows/quay.yaml")
    assert "takewright run shows/quay.yaml" in said.err and said.code == 3


def test_the_only_daemon_is_found(call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a word about which, it is the only one that lives; of several, one must be named."""
    folder = tmp_path / "run" / "takewright"
    folder.mkdir(parents=True)
    dead = socket.socket(socket.AF_UNIX)
    dead.bind(str(folder / "dead.sock"))
    dead.close()
    with FakeDesk(folder / "quay.sock", ROLLS) as desk:
        assert call("tell", "roll").code == 0
        with FakeDesk(folder / "night.sock", ROLLS) as other:
            said = call("tell", "roll")
            assert said.code == 2 and "quay.sock" in said.err and "night.sock" in said.err
            assert call("tell", "roll", "--session", "shows/Quay.yaml").code == 0
            monkeypatch.setenv("TAKEWRIGHT_SOCKET", str(other.path))
            assert call("tell", "roll").code == 0
    assert (len(desk.orders), len(other.orders)) == (2, 1)


def test_a_service_s_socket_is_found(tmp_path: Path) -> None:
    """A daemon that systemd runs is found in the system's runtime directory."""
    env = {"XDG_RUNTIME_DIR": str(tmp_path)}
    folder = tmp_path / "sys" / "takewright"
    folder.mkdir(parents=True)
    with FakeDesk(folder / "control.sock"):
        assert find_socket("", "", env, os.getuid(), tmp_path / "sys") == folder / "control.sock"
        with pytest.raises(NoDaemonError, match=r"no daemon of quay.yaml"):
            find_socket("", "quay.yaml", env, os.getuid(), tmp_path / "sys")
        (folder / "quay").mkdir()
        with FakeDesk(folder / "quay" / "control.sock"):
            found = find_socket("", "quay.yaml", env, os.getuid(), tmp_path / "sys")
            assert found == folder / "quay" / "control.sock"
            with pytest.raises(UsageError, match="several daemons"):
                find_socket("", "", env, os.getuid(), tmp_path / "sys")


def test_another_user_s_daemon_is_not_found_by_chance(tmp_path: Path) -> None:
    """A socket in a folder that somebody else made below /tmp is not talked to unless it is named."""
    folder = tmp_path / "takewright"
    folder.mkdir()
    env = {"XDG_RUNTIME_DIR": str(tmp_path)}
    stranger = os.getuid() + 1
    with FakeDesk(folder / "quay.sock") as desk:
        if os.getuid() == 0:
            os.chown(folder, stranger, -1)
            stranger = 0
        with pytest.raises(NoDaemonError):
            find_socket("", "", env, stranger or os.getuid(), tmp_path / "none")
        assert find_socket(str(desk.path), "", env, stranger, tmp_path / "none") == desk.path


@pytest.mark.parametrize(
    ("says", "text"),
    [
        (frame_of(Say.HELLO, {"protocol": 2}), "speaks protocol 2"),
        (frame_of(Say.REFUSAL, {"text": "there are 64 clients already"}), "refuses: there are 64 clients"),
        (b"HTTP/1.1 400 Bad Request\r\n", "is no daemon of ours"),
        (pack_frame(Say.HELLO, b"\xff"), "is no daemon of ours"),
        (b"", "does not answer within 0.05 s"),
    ],
)
def test_what_is_no_daemon_of_ours(tmp_path: Path, says: bytes, text: str) -> None:
    """Whoever else listens there, or does not answer, is told in words and never waited for without end."""
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(tmp_path / "s"))
        listener.listen()

        def answer() -> None:
            connection, _ = listener.accept()
            with connection:
                connection.sendall(says)
                connection.recv(1)

        thread = threading.Thread(target=answer)
        thread.start()
        with pytest.raises(NoDaemonError, match=text):
            ControlClient(tmp_path / "s", timeout_s=10 if says else 0.05)
        thread.join(10)


def test_a_daemon_that_ends_is_told(tmp_path: Path) -> None:
    """A daemon that goes away in mid-talk ends the talk with words."""
    with FakeDesk(tmp_path / "s") as desk:
        client = ControlClient(desk.path)
        assert client.hello["session"] == ROLLING.session
    with client, pytest.raises(NoDaemonError, match="has ended"):
        client.order("stop")


def test_a_rehearsal_goes_with_roll(call: Call, tmp_path: Path) -> None:
    """The options of `run` say how; the daemon gets what was written, exactly."""
    words = ["--from", "refrain", "--to", "bar 33", "--loop", "bar 21 to bar 25, 3 times", "--tempo", "87.5"]
    words += ["--mute", "bass", "--solo", "organ", "--sustained"]
    with FakeDesk(tmp_path / "s", lambda order: Outcome(True, str(order))) as desk:
        said = call("tell", "roll", "Net", "Loft", *words, "--socket", desk.path)
    assert said.code == 0
    assert said.out == (
        "roll Net Loft, from refrain, sustained, up to bar 33, bar 21 to bar 25, 3 times, at 87.5 %, "
        "without bass, only organ\n"
    )
    assert desk.orders[0].rehearsal == Rehearsal(
        parse_moment("refrain"),
        parse_moment("bar 33"),
        (parse_loop("bar 21 to bar 25, 3 times"),),
        Fraction(7, 8),
        ("bass",),
        ("organ",),
        sustained=True,
    )


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["stop", "--tempo", "80"], "goes with roll"),
        (["status", "--from", "bar 3"], "goes with roll"),
        (["roll", "--tempo", "9"], "10 to 400"),
        (["roll", "--sustained"], "give both"),
    ],
)
def test_a_rehearsal_that_makes_no_sense(call: Call, tmp_path: Path, words: list[str], text: str) -> None:
    """It is wrong use, and no daemon is asked."""
    with FakeDesk(tmp_path / "s") as desk:
        said = call("tell", *words, "--socket", desk.path)
    assert said.code == 2
    assert text in said.err
    assert desk.orders == []


@pytest.mark.parametrize(
    ("rehearsal", "text"),
    [
        ({"from": "bar 3 beat 0"}, "beat"),
        ({"form": "bar 3"}, "'form'"),
        ({"loops": "bar 3 to bar 4"}, "loops must be a list"),
        ({"loops": ["bar 3"]}, "not a loop"),
        ({"mute": [3]}, "mute must be a list"),
        ({"tempo": 80}, "tempo must be a text"),
        ({"sustained": True}, "give both"),
        ({"solo": ["a"] * 17}, "at most 16"),
    ],
)
def test_another_programs_bad_rehearsal_is_refused(
    tmp_path: Path, rehearsal: dict[str, Any], text: str
) -> None:
    """The answer says what is wrong, the connection lives on, and the desk never sees it."""
    with FakeDesk(tmp_path / "s", ROLLS) as desk, ControlClient(desk.path) as client:
        outcome = client.order("roll", "Ropewalk", rehearsal=rehearsal)
        assert not outcome.done
        assert text in outcome.text
        assert client.order("roll").done
        assert [str(order) for order in desk.orders] == ["roll"]
