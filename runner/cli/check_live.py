"""`takewright check SESSION --live`: ports, machines' answers, loops, rights, governor, disk, clock."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from runner.cli.wording import wrapped

if TYPE_CHECKING:
    from runner.cli.bench_computer import Computer
    from runner.cli.check_wire import Wires
    from runner.desk.prepare import Prepared
    from runner.session.model import Session

Sign = Literal["ok", "note", "warning", "missing"]
SLOW_WRITE_S = 0.5  #: for 64 KiB to the medium; the log is brought there twice a second
_WRITE_BYTES = 64 * 1024
_LOOP_SPREAD_MS = 2.0  #: the way round takes the same time each time, but for what the computer adds
_SIGNS = {"ok": "ok       ", "note": "note     ", "warning": "warning  ", "missing": "missing  "}


@dataclass(frozen=True, slots=True)
class Row:
    """One thing that was looked at: how it stands, in words, and what to do about it."""

    sign: Sign
    what: str
    text: str
    remedy: str = ""

    def __str__(self) -> str:
        head = _SIGNS[self.sign]
        lines = [wrapped(f"{self.what}: {self.text}", head, " " * len(head))]
        if self.remedy:
            lines.append(wrapped(self.remedy, " " * len(head) + "-> ", " " * (len(head) + 3)))
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return asdict(self)


def look(prepared: Prepared) -> list[Row]:
    """Look at everything; a daemon that has the ports is asked for what it sees of them."""
    rows = daemon_rows(prepared.file)
    if not rows:
        from runner.cli.check_wire import ask_wires
        from runner.desk.prepare import port_config

        session = prepared.session
        configs = {name: port_config(name, spec) for name, spec in session.ports.items()}
        loops = {name: spec.loops_to for name, spec in session.ports.items() if spec.loops_to}
        rows = wire_rows(session, ask_wires(configs, loops))
    return rows + computer_rows() + disk_rows(prepared.file.parent / prepared.session.takes.folder)


# ---------------------------------------------------------------------- the rig


def daemon_rows(session_file: Path) -> list[Row]:
    """Return what the daemon of a session says of its rig; nothing if none runs."""
    from runner.desk.client import ControlClient, find_socket
    from runner.errors import NoDaemonError

    told = "a daemon runs for this session and has the ports; machines and loops are not asked"
    try:
        with ControlClient(find_socket("", str(session_file), os.environ, os.getuid())) as client:
            rows = [Row("note", "daemon", told, "its own check at any time: takewright tell check")]
            for port in client.status().ports:
                sign: Sign = "ok" if port.present else "missing" if port.required else "warning"
                rows.append(
                    Row(sign, f"port {port.name}", port.text or ("there" if port.present else "gone"))
                )
            outcome = client.order("check", origin="check --live")
            rows.append(Row("ok" if outcome.done else "warning", "daemon's check", outcome.text))
    except NoDaemonError:
        return []
    return rows


def wire_rows(session: Session, wires: Wires) -> list[Row]:
    """Return what was found on the wires, in the order of the session's ports."""
    needed = {machine.port for machine in session.machines.values() if machine.required}
    needed |= {session.clock.port} if session.clock.port else set()
    optional = session.optional_ports - needed
    rows: list[Row] = []
    for name, spec in session.ports.items():
        problem = wires.problems.get(name, "")
        if problem:
            remedy = "plug it in and switch it on, or correct `match`; takewright ports lists all there are"
            remedy = "" if problem.startswith("no MIDI service") else remedy
            if name in optional:
                rows.append(Row("warning", f"port {name}", f"{problem}; no roll waits for it", remedy))
            else:
                rows.append(Row("missing", f"port {name}", problem, remedy))
            continue
        kind = f"simulated {spec.simulate}" if spec.simulate else "made by us" if spec.create else "there"
        rows.append(Row("ok", f"port {name}", kind))
        rows += _answer_rows(session, name, wires)
    rows += [_loop_row(session, loop.out, wires) for loop in wires.loops]
    return rows


def _answer_rows(session: Session, port: str, wires: Wires) -> list[Row]:
    """Return who answered on a port. Many good machines never do: that is no fault."""
    if port not in wires.answers:
        return []
    machines = ", ".join(name for name, machine in session.machines.items() if machine.port == port)
    what = f"port {port}" + (f" ({machines})" if machines else "")
    rows = [Row("ok", what, f"device {each.device} answers: {each}") for each in wires.answers[port]]
    declared = [name for name, spec in session.machines.items() if spec.port == port and spec.answers]
    if not rows and declared:
        remedy = "switch it on, look at both cables; or take `answers` out of the file"
        return [Row("warning", what, f"{', '.join(declared)} does not answer an identity request", remedy)]
    return rows or [Row("note", what, "nobody answers an identity request; not every machine can")]


def _loop_row(session: Session, out: str, wires: Wires) -> Row:
    loop = next(each for each in wires.loops if each.out == out)
    what, back = f"loop {loop.out} to {loop.into}", len(loop.times_ns)
    if loop.problem:
        return Row("warning", what, loop.problem)
    if not back:
        return Row(
            "warning", what, "nothing comes back", "look for the cable, or take loops-to out of the file"
        )
    took = f"{loop.median_ms:.2f} ms there and back, {loop.spread_ms:.2f} ms apart"
    text = f"{back} of {loop.sent} came back, {took}"
    if back < loop.sent:
        return Row("warning", what, text, "try another cable or interface: messages are lost on this one")
    if loop.spread_ms > _LOOP_SPREAD_MS:
        return Row(
            "warning", what, text, "the way varies: no hub between, a better interface, real-time rights"
        )
    return Row("ok", what, text)


# ---------------------------------------------------------------------- the computer


def computer_rows() -> list[Row]:
    """Return how this computer stands: rights, governor, clock."""
    from runner.cli.bench_computer import read_computer
    from runner.desk.wall_clock import clock_trouble, synchronised

    rows = [*rights_rows(), governor_row(read_computer())]
    now, in_step = datetime.now(UTC), synchronised()
    trouble = clock_trouble(now, in_step)
    if not trouble:
        said = "synchronised" if in_step else "the system does not say whether it is synchronised"
        rows.append(
            Row("ok" if in_step else "note", "clock", f"{now.astimezone():%a %Y-%m-%d %H:%M %Z}, {said}")
        )
    else:
        # a stage without a network is no fault; a clock in the past is
        rows.append(Row("note" if clock_trouble(now, True) == "" else "warning", "clock", trouble))
    return rows


def rights_rows(try_rights: Callable[[], Sequence[str]] | None = None) -> list[Row]:
    """Return whether the engine will get real-time priority and locked memory."""
    warnings = (try_rights or _try_rights)()
    if not warnings:
        return [Row("ok", "rights", "real-time priority and locked memory")]
    return [Row("warning", "rights", *_split(text)) for text in warnings]


def _split(text: str) -> tuple[str, str]:
    """Return a text and its remedy, which stand with a semicolon between."""
    said, _, remedy = text.rpartition("; ")
    return (said, remedy) if said else (text, "")


def _try_rights() -> tuple[str, ...]:
    """Take the engine's rights, and give them back; what was refused is returned."""
    import ctypes
    import sys

    from runner.engine.rights import take_rights

    policy, priority, switch_s = os.sched_getscheduler(0), os.sched_getparam(0), sys.getswitchinterval()
    try:
        return take_rights().warnings
    finally:
        os.sched_setscheduler(0, policy, priority)
        ctypes.CDLL(None).munlockall()
        sys.setswitchinterval(switch_s)


def governor_row(computer: Computer) -> Row:
    """Return whether the cores stay fast."""
    if not computer.governors:
        return Row("note", "governor", "the system does not say how its cores are clocked")
    text = " and ".join(computer.governors)
    if computer.governors == ("performance",):
        return Row("ok", "governor", text)
    remedy = "cpupower frequency-set -g performance; a core that sleeps deep wakes late"
    return Row("warning", "governor", text, remedy)


def disk_rows(folder: Path, clock_s: Callable[[], float] = time.monotonic) -> list[Row]:
    """Return whether takes can be written, how much room there is, and how long the medium takes."""
    import shutil
    import tempfile

    from runner.takes.store import Store

    trouble = Store(folder).check_writable()
    if trouble:
        return [Row("warning", "disk", *_split(trouble))]
    try:
        with tempfile.NamedTemporaryFile(dir=folder, prefix=".probe-") as probe:
            begun_s = clock_s()
            probe.write(bytes(_WRITE_BYTES))
            probe.flush()
            os.fsync(probe.fileno())
            took_s = clock_s() - begun_s
        free = shutil.disk_usage(folder).free
    except OSError as error:
        return [Row("warning", "disk", f"takes folder {folder}: {error.strerror or error}")]
    text = f"{free / 1e9:.1f} GB free in {folder}, 64 KiB written and synced in {took_s * 1e3:.0f} ms"
    if took_s > SLOW_WRITE_S:
        return [
            Row("warning", "disk", text, "a power cut may cost more than a second of log: use a faster card")
        ]
    return [Row("ok", "disk", text)]
