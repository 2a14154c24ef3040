"""`takewright watch`: once, line by line, and live on a terminal."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from fake_desk import ROLLING, FakeDesk

Call = Callable[..., Any]

WATCH = [sys.executable, "-m", "runner.cli", "watch"]


def test_once(call: Call, tmp_path: Path) -> None:
    """`--once` prints the status in words, with --json as one object; exit code 0."""
    with FakeDesk(tmp_path / "s") as desk:
        said = call("watch", "--once", "--socket", desk.path)
        data = json.loads(call("watch", "--once", "--json", "--socket", desk.path).out)
    assert said.code == 0
    assert "at      bar 17 beat 3, refrain, 1:12 left" in said.out
    assert data == json.loads(json.dumps(ROLLING.to_dict()))


def test_no_daemon(call: Call, tmp_path: Path) -> None:
    """Without a daemon it says so and exits with 3."""
    said = call("watch", "--socket", tmp_path / "nobody")
    assert said.code == 3 and "no daemon runs at" in said.err


def lines_of(path: Path, *options: str) -> subprocess.Popen[str]:
    """Start `watch` where there is no terminal."""
    command = [*WATCH, "--socket", str(path), *options]
    return subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def test_lines_where_there_is_no_terminal(tmp_path: Path) -> None:
    """Each change is a line with its time; the daemon's end ends it, and is no error."""
    with FakeDesk(tmp_path / "s") as desk:
        watch = lines_of(desk.path)
        assert watch.stdout is not None
        first = watch.stdout.readline()
        assert re.match(r"\d\d:\d\d:\d\d  rolling  Ropewalk", first)
        for _ in ROLLING.alarms:
            watch.stdout.readline()
        desk.publish(replace(ROLLING, at="bar 18 beat 1"))
        desk.publish(replace(ROLLING, state="tail", at="bar 65 beat 1"))
        assert "  tail  Ropewalk" in watch.stdout.readline()
    out, err = watch.communicate(timeout=30)
    assert (watch.returncode, out) == (0, "")
    assert "has ended" in err


def test_json_lines(tmp_path: Path) -> None:
    """With --json each status is a line of its own."""
    with FakeDesk(tmp_path / "s") as desk:
        watch = lines_of(desk.path, "--json")
        assert watch.stdout is not None
        assert json.loads(watch.stdout.readline())["at"] == ROLLING.at
        desk.publish(replace(ROLLING, at="bar 18 beat 1"))
        places = [json.loads(watch.stdout.readline())["at"] for _ in range(2)]
    watch.communicate(timeout=30)
    assert "bar 18 beat 1" in places


_STYLES = re.compile("\x1b\\[[0-9;]*m")  # SGR, ECMA-48 section 8.3.117


class Terminal:
    """A command on a terminal of its own, and what it has shown."""

    def __init__(self, command: list[str], rows: int = 24, columns: int = 80) -> None:
        self.master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("4H", rows, columns, 0, 0))
        self.before = termios.tcgetattr(slave)
        env = {**os.environ, "TERM": "xterm-256color", "COLUMNS": "", "LINES": ""}
        env = {key: value for key, value in env.items() if value}
        self.process = subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave, env=env)
        self.slave = slave
        self.raw = b""
        self.text = ""  #: without styles

    def read_until(self, there: Callable[[str], bool]) -> str:
        """Read what is shown until it is as wanted; fails after 20 s without anything new."""
        while not there(self.text):
            ready, _, _ = select.select([self.master], [], [], 20)
            assert ready, self.text[-2000:]
            self.raw += os.read(self.master, 65_536)
            self.text = _STYLES.sub("", self.raw.decode("utf-8", "replace"))
        return self.text

    def type(self, keys: str) -> None:
        """Press keys."""
        os.write(self.master, keys.encode())

    def close(self) -> None:
        """Let go of the terminal."""
        os.close(self.slave)
        os.close(self.master)


def test_live_on_a_terminal(tmp_path: Path) -> None:
    """The view follows the daemon, survives its death and return, and leaves the terminal as it was."""
    with FakeDesk(tmp_path / "s") as desk:
        terminal = Terminal([*WATCH, "--socket", str(desk.path)])
        terminal.read_until(lambda text: "bar 17 beat 3" in text and "leaves this view" in text)
        desk.publish(replace(ROLLING, at="bar 18 beat 1", song="Tide Table"))
        terminal.read_until(lambda text: "bar 18 beat 1" in text and "Tide Table" in text)
    terminal.read_until(lambda text: "NO DAEMON" in text.upper() and "The daemon is gone" in text)
    with FakeDesk(tmp_path / "s", status=replace(ROLLING, song="Slack Water")):
        terminal.read_until(lambda text: "Slack Water" in text)
        terminal.type("xq")
        terminal.read_until(lambda text: "\x1b[?1049l" in text)
        assert terminal.process.wait(30) == 0
    assert "\x1b[?1049h" in terminal.text
    assert termios.tcgetattr(terminal.slave) == terminal.before
    terminal.close()


def test_ctrl_c_leaves_the_view(tmp_path: Path) -> None:
    """Ctrl-C ends the view with the exit code of an interruption, without a traceback."""
    with FakeDesk(tmp_path / "s") as desk:
        terminal = Terminal(["setsid", "--ctty", "--wait", *WATCH, "--socket", str(desk.path)])
        terminal.read_until(lambda text: "bar 17 beat 3" in text)
        terminal.type("\x03")
        terminal.read_until(lambda text: "\x1b[?1049l" in text)
        assert terminal.process.wait(30) == 130
    assert "Traceback" not in terminal.text
    terminal.close()
