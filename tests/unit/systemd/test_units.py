"""The units: systemd itself says whether they are right, and how exposed the service is."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[3] / "systemd"
UNITS = ("takewright.service", "takewright@.service")
EXPOSURE_LIMIT = 2.0

needs_systemd = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed (Debian: systemd)"
)


def _settings(unit: str) -> dict[str, str]:
    lines = (FOLDER / unit).read_text().splitlines()
    return dict(line.split("=", 1) for line in lines if "=" in line and not line.startswith("#"))


@needs_systemd
@pytest.mark.parametrize("unit", UNITS)
def test_systemd_has_nothing_to_say_against_a_unit(unit: str, tmp_path: Path) -> None:
    """`systemd-analyze verify` is silent, with a program in the place of ours that is there."""
    text = (FOLDER / unit).read_text().replace("/opt/takewright/bin/takewright", sys.executable)
    (tmp_path / unit).write_text(text)
    name = unit.replace("@.", "@evening.")
    if name != unit:
        (tmp_path / name).symlink_to(unit)
    told = subprocess.run(
        ["systemd-analyze", "verify", str(tmp_path / name)], capture_output=True, text=True, check=False
    )
    about_ours = [line for line in (told.stdout + told.stderr).splitlines() if "takewright" in line]
    assert about_ours == []


@needs_systemd
@pytest.mark.parametrize("unit", UNITS)
def test_the_service_is_hardly_exposed(unit: str) -> None:
    """`systemd-analyze security` rates it from 0 (sealed) to 10 (open); 2.0 is our limit."""
    told = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", str(FOLDER / unit)],
        capture_output=True,
        text=True,
        check=False,
    )
    found = re.search(r"exposure level for \S+: ([0-9.]+)", told.stdout)
    assert found, told.stdout + told.stderr
    assert float(found[1]) <= EXPOSURE_LIMIT


@pytest.mark.parametrize("unit", UNITS)
def test_a_unit_leaves_the_clock_its_rights(unit: str) -> None:
    """Real time and locked memory are allowed, the sequencer's device too; nobody runs as root."""
    settings = _settings(unit)
    assert settings["RestrictRealtime"] == "no"
    assert int(settings["LimitRTPRIO"]) >= 70
    assert settings["LimitMEMLOCK"] == "infinity"
    assert settings["DeviceAllow"] == "char-alsa rw"
    assert settings["ProcSubset"] == "all"
    assert settings["User"] == "takewright"
    assert (settings["Type"], settings["NotifyAccess"]) == ("notify", "main")


@pytest.mark.parametrize("unit", UNITS)
def test_a_dead_keeper_leaves_the_engine_time_to_silence_the_rig(unit: str) -> None:
    """The children get a signal that they leave alone, and then have time; not SIGKILL at once.

    systemd.kill(5): KillMode=mixed sends "the subsequent SIGKILL signal ... to all remaining processes", and
    when the main process has died there is nothing before it (seen with systemd 252: 12 ms after the death).
    """
    settings = _settings(unit)
    assert (settings["KillMode"], settings["KillSignal"]) == ("control-group", "SIGINT")
    assert int(settings["TimeoutStopSec"]) >= 20
    assert (settings["WatchdogSignal"], settings["TimeoutAbortSec"]) == ("SIGTERM", "5")


def test_the_template_is_the_unit_but_for_the_sessions_name() -> None:
    """What differs names the instance, so that the two cannot drift apart."""
    one, many = ((FOLDER / unit).read_text().splitlines() for unit in UNITS)
    assert len(one) == len(many)
    differ = [line for line, other in zip(many, one, strict=True) if line != other]
    assert differ
    assert all("%i" in line for line in differ)


def test_the_user_of_the_unit_is_the_one_that_is_made() -> None:
    """sysusers makes it, and puts it into the group that owns the sequencer."""
    lines = (FOLDER / "takewright-sysusers.conf").read_text().splitlines()
    assert [line.split()[:3] for line in lines if not line.startswith("#")] == [
        ["u", "takewright", "-"],
        ["m", "takewright", "audio"],
    ]


def test_the_instructions_install_every_file_on_a_bare_system(tmp_path: Path) -> None:
    """The `install` lines of the README do their work where only the folders of a small Debian 12 are.

    Seen on one made with debootstrap's variant minbase: there is no /etc/sysusers.d.
    """
    for folder in ("etc/systemd/system", "etc/tmpfiles.d"):
        (tmp_path / folder).mkdir(parents=True)
    lines = (FOLDER / "README.md").read_text().splitlines()
    commands = [line for line in lines if line.startswith("install ") and "my-session" not in line]
    for command in commands:
        words = [f"{tmp_path}{word}" if word.startswith("/") else word for word in command.split()]
        subprocess.run(words, cwd=FOLDER, check=True)
    installed = {path.name for path in tmp_path.rglob("*") if path.is_file()}
    assert installed == {*UNITS, "takewright.conf"}
    for pair in ("sysusers", "tmpfiles"):
        there = tmp_path / f"etc/{pair}.d/takewright.conf"
        assert there.read_text() == (FOLDER / f"takewright-{pair}.conf").read_text()
