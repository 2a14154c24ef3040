"""`takewright run` as processes of their own, on simulated machines: exit codes, takes, Ctrl-C."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from runner.keeper.keeper import Keeper

pytestmark = pytest.mark.live

PATIENCE_S = 60


def rolled(*words: object, **more: Any) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own, all songs if none is named; return what came of it."""
    what = [] if "--song" in words else ["--roll"]
    command = [sys.executable, "-m", "runner.cli", "run", *what, *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False, **more)


def the_take(folder: Path) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Return take.json and the events of the only take under a folder."""
    (take,) = folder.rglob("take.json")
    events = [json.loads(line) for line in (take.parent / "events.jsonl").read_text().splitlines()]
    return json.loads(take.read_text()), events


def test_a_take_comes_out_clean(short: Path, tmp_path: Path) -> None:
    """Exit 0, the verdict in a line, and every file of a take on disk; MIDI 1.0: 24 clocks a quarter."""
    done = rolled(
        short, "--song", "Tide Table", "--pass", "bass overdub", "--takes-folder", tmp_path / "kept"
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "clean        Tide Table, bass overdub, take 1" in done.stdout
    summary, events = the_take(tmp_path / "kept")
    assert (summary["verdict"], summary["pass"], summary["number"]) == ("clean", "bass overdub", 1)
    assert summary["log"]["complete"] is True
    assert summary["clock"]["missing"] == summary["clock"]["extra"] == 0
    (folder,) = (path.parent for path in (tmp_path / "kept").rglob("take.json"))
    names = {path.name for path in folder.iterdir()}
    assert names >= {"take.json", "events.jsonl", "clock.jsonl", "capture.mid", "plan.json", "session.yaml"}
    beats = [json.loads(line) for line in (folder / "clock.jsonl").read_text().splitlines()]
    ticks = sum(len(beat["times_ns"]) for beat in beats)
    planned = sum(row["bytes"] == "F8" for row in json.loads((folder / "plan.json").read_text()))
    assert summary["clock"]["sent"] == planned == ticks
    song = [beat for beat in beats if beat["port"] == "box" and 0 <= beat["t"] < 2_000_000_000]
    assert [len(beat["times_ns"]) for beat in song] == [24] * 8
    sent = [event["bytes"] for event in events if event["kind"] == "sent"]
    assert sent.count("FA") == sent.count("FC") == 2
    assert (sent.count("90 28 50"), sent.count("80 28 40")) == (1, 1)


def test_from_a_bar_on(short: Path, tmp_path: Path) -> None:
    """`--from`: Song Position Pointer and Continue instead of Start; the recorder that cannot is left out."""
    done = rolled(short, "--song", "Tide Table", "--from", "bar 2", "--takes-folder", tmp_path / "kept")
    assert done.returncode == 0, done.stdout + done.stderr
    _, events = the_take(tmp_path / "kept")
    sent = [(event["machine"], event["bytes"]) for event in events if event["kind"] == "sent"]
    assert ("drums", "F2 10 00") in sent
    assert ("drums", "FB") in sent
    assert not [entry for entry in sent if entry[1] == "FA"]
    assert not [entry for entry in sent if entry[0] == "deck" and entry[1] in ("FA", "FB")]


def test_ctrl_c_stops_silences_closes(short: Path, tmp_path: Path) -> None:
    """SIGINT in mid-song: exit 130, the take interrupted and whole; Stop goes out first, then a Note Off for
    the note that sounds, then controller 123 on each machine's channel (MIDI 1.0 Detailed Specification
    4.2.1, p. 24 and 31: the missing Note Offs first; controller 123 does not stand in for them)."""
    text = (
        short.read_text()
        .replace("length: 2 bars", "length: 80 bars")
        .replace("length: 1 bar}", "length: 70 bars}")
    )
    short.write_text(text)
    command = [
        sys.executable,
        "-m",
        "runner.cli",
        "run",
        "--roll",
        str(short),
        "--takes-folder",
        str(tmp_path / "kept"),
    ]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        wait_for_note(tmp_path / "kept", process)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=PATIENCE_S)
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
    assert process.returncode == 130, out + err
    assert err == ""
    summary, events = the_take(tmp_path / "kept")
    assert summary["verdict"] == "interrupted"
    assert summary["log"]["complete"] is True
    assert summary["ended"] == "stopped by the user"
    assert [finding["code"] for finding in summary["findings"]] == ["stopped-early"]
    cuts = [(event["port"], event["bytes"]) for event in events if event["kind"] == "cut"]
    assert cuts == [
        ("box", "FC"),
        ("tape", "FC"),
        ("rack", "80 28 40"),
        ("box", "B9 7B 00"),
        ("rack", "B0 7B 00"),
    ]


def wait_for_note(folder: Path, process: subprocess.Popen[str]) -> None:
    """Wait until the take's log tells of the note; it is flushed within a second."""
    end = PATIENCE_S * 100
    for _ in range(end):
        for path in folder.rglob("events.jsonl"):
            if "90 28 50" in path.read_text():
                return
        try:
            process.wait(0.02)
        except subprocess.TimeoutExpired:
            continue
        break
    out, err = process.communicate()
    pytest.fail(f"no note was sent: exit code {process.returncode}, {out}{err}")


def test_a_folder_that_cannot_be_written_is_said_before_the_roll(short: Path, tmp_path: Path) -> None:
    """A file stands where the takes folder should be: an error that names it, and nothing rolls."""
    (tmp_path / "kept").write_text("in the way")
    done = rolled(short, "--takes-folder", tmp_path / "kept")
    assert done.returncode == 1
    assert f"takes folder {tmp_path / 'kept'}" in done.stderr
    assert "there is a file in the way" in done.stderr
    assert "rolling" not in done.stdout


def test_a_missing_port_exits_3_before_the_roll(short: Path, tmp_path: Path) -> None:
    """A port that is not there: its name, what was looked for, how to try it without, and no take."""
    text = short.read_text().replace("{simulate: drum-machine}", '{match: "No Such Thing*"}')
    short.write_text(text)
    nowhere = {**os.environ, "JACK_NO_START_SERVER": "1", "JACK_DEFAULT_SERVER": "takewright-no-such-server"}
    done = rolled(short, "--takes-folder", tmp_path / "kept", env=nowhere)
    assert done.returncode == 3, done.stdout + done.stderr
    assert "takewright: port box: " in done.stderr
    assert "write `simulate: drum-machine` in place of `match: ...`" in done.stderr
    assert "Traceback" not in done.stderr
    assert not list((tmp_path / "kept").rglob("events.jsonl"))


def test_wrong_songs_and_sessions_exit_2(short: Path, bad: Path, tmp_path: Path) -> None:
    """A song that is not there, and a session with errors, are said with near matches and places."""
    done = rolled(short, "--song", "Tide Tabel", "--takes-folder", tmp_path / "kept")
    assert done.returncode == 2
    assert "did you mean Tide Table?" in done.stderr
    done = rolled(bad, "--takes-folder", tmp_path / "kept")
    assert done.returncode == 2
    assert f"{bad}:4:30: machines.drums.chanel: unknown key" in done.stderr
    assert "Traceback" not in done.stderr


def test_words_become_the_job(
    short: Path, tmp_path: Path, call: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What stands on the command line is what the desk is told; paths are made absolute."""
    jobs: list[Any] = []
    made = Keeper.__init__

    def keep(self: Keeper, job: Any, listener: Any) -> None:
        jobs.append(job)
        made(self, job, listener)
        self._pipes.close()

    monkeypatch.setattr(Keeper, "__init__", keep)
    monkeypatch.setattr(Keeper, "run", lambda _self: 130)
    monkeypatch.chdir(tmp_path)
    words = (
        "--song",
        "Tide Table",
        "--takes",
        3,
        "--from",
        "bar 2",
        "--pass",
        "organ",
        "--takes-folder",
        "kept",
    )
    assert call("run", short.name, *words).code == 130
    (job,) = jobs
    assert job.session_file == str(short)
    assert (job.mode, job.song, job.takes, job.pass_name) == ("song", "Tide Table", 3, "organ")
    assert job.rehearsal["from"] == "bar 2"
    assert job.takes_folder == str(tmp_path / "kept")
    assert job.run
    assert call("run", short.name, "--takes", 0).code == 2
    assert call("run").code == 2
