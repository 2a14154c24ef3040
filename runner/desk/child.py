"""Entry of the desk process; the keeper gives it descriptors by number and the job as JSON."""

from __future__ import annotations

import argparse
import os
import signal
import socket

from runner.desk.accepted import AcceptedFile
from runner.desk.desk import Desk
from runner.desk.job import Job
from runner.desk.spool import RecordSpool


def main(argv: list[str] | None = None) -> int:
    """Run the desk process; returns the exit code of the run."""
    parser = argparse.ArgumentParser(prog="runner.desk")
    for name in ("link", "records", "spool", "accepted", "report", "control", "lifeline"):
        parser.add_argument(f"--{name}", type=int, required=True)
    parser.add_argument("--job", required=True)
    given = parser.parse_args(argv)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the keeper hears Ctrl-C and decides
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    os.set_blocking(given.report, False)
    desk = Desk(
        Job.from_json(given.job),
        socket.socket(fileno=given.link),
        RecordSpool(given.records, given.spool),
        AcceptedFile(given.accepted),
        given.report,
    )
    return int(desk.run(given.lifeline, given.control))
