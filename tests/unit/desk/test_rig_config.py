"""The rig as the engine is told of it: what of the session it must know to say the right thing in a take."""

from __future__ import annotations

from pathlib import Path

from runner.desk.prepare import read_session, rig_of

SESSION = """
session: Lantern Quay, required and not
format: 1
ports:
  front: {match: "Front USB*"}
  aux: {match: "Spare USB*"}
  both: {match: "Both USB*"}
machines:
  drums: {port: front, channel: 10}
  extra: {port: aux, channel: 5, required: false}
  one: {port: both, channel: 1, required: false}
  other: {port: both, channel: 2}
songs:
  - {song: Ropewalk, tempo: 112, meter: 4/4, length: 2 bars}
"""


def test_a_port_is_required_if_one_of_its_machines_is(tmp_path: Path) -> None:
    """The engine writes it into the take; the audit takes an absence from the start for a note then."""
    file = tmp_path / "session.yaml"
    file.write_text(SESSION)
    ports = rig_of(read_session(str(file)).session, wait=True).ports
    assert {port["name"]: port["required"] for port in ports} == {"front": True, "aux": False, "both": True}
    assert all(port["wait"] for port in ports)
