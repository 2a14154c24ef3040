"""What a session sets of simulated machines: told by line, as the machines see it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import pytest

from runner.errors import PortError, SessionError
from runner.ports.drum_machine import DrumSettings
from runner.ports.machines import MACHINE_KINDS, make_machine
from runner.ports.master_machine import MasterSettings
from runner.ports.masters import ClockMaster
from runner.ports.recorder import RecorderSettings
from runner.ports.simulated import LinkFaults
from runner.ports.synthesizer import SynthesizerSettings
from runner.session.load import load_session
from runner.session.simulated import LINK_SETTINGS, SETTINGS, Setting

MODELS = {
    "drum-machine": DrumSettings,
    "synthesizer": SynthesizerSettings,
    "recorder": RecorderSettings,
    "master": MasterSettings,
}
#: for each sort, values of that sort and of others
SAMPLES: tuple[Any, ...] = (
    True, False, 0, 1, 2, 17, 127, 200_000, 2_000_000, -1, -200_000.0, 0.25, 2.5, 1.0, "1", "1.5", "-3",
    "20 ms", "1.5 s", "3 bars", "true", "", "nan", [1, 2], [], [1.5], ["x"], [-1],
    {"3": 1.1}, {"3": 20}, {"x": 1}, {"3": "y"}, {},
)  # fmt: skip


def session(settings: str, kind: str = "drum-machine", where: str = "settings") -> str:
    return (
        "session: Slack Water\nformat: 1\nports:\n"
        f"  box: {{simulate: {kind}, {where}: {settings}}}\n"
        "machines: {drums: {port: box}}\n"
        "songs: [{song: Ropewalk, tempo: 120, length: 2 bars}]\n"
    )


def test_the_table_names_what_the_machines_have() -> None:
    """Every kind, every field of its settings by the key that a session writes, and its sort."""
    assert set(SETTINGS) == {*MACHINE_KINDS, "sink"}
    assert SETTINGS["sink"] == {}
    for kind, model in MODELS.items():
        defaults = model()
        found: dict[str, str] = {}
        for each in fields(model):
            default = getattr(defaults, each.name)
            key = each.name.removesuffix("_ns").replace("_", "-")
            sorts = {bool: "flag", int: "count", float: "number", frozenset: "counts"}
            is_map = isinstance(default, Mapping)
            found[key] = (
                "factors" if is_map else "time" if each.name.endswith("_ns") else sorts[type(default)]
            )
        assert {key: setting.sort for key, setting in SETTINGS[kind].items()} == found


@pytest.mark.parametrize("kind", MODELS)
def test_the_table_and_the_machine_refuse_the_same_values(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the machine would refuse as its port opens, the table refuses, and nothing else."""
    monkeypatch.setattr(ClockMaster, "__init__", lambda *_: None)  # a million clocks are not to be worked out
    monkeypatch.setattr(ClockMaster, "stream", lambda _: iter(()))
    for key, setting in SETTINGS[kind].items():
        for value in (*SAMPLES, *_ends(setting)):
            try:
                make_machine(kind, {key: value}, port="box", now_ns=0)
                refused = False
            except PortError:
                refused = True
            told = setting.problem(value)
            assert bool(told) == refused, (key, value, told)


def test_the_way_to_a_machine_has_its_own_faults() -> None:
    """The keys of the link's faults are those that the port reads, and each is a time."""
    keys = {field.name.removesuffix("_ns").replace("_", "-") for field in fields(LinkFaults)}
    assert {key: setting.sort for key, setting in LINK_SETTINGS.items()} == dict.fromkeys(keys, "time")
    load_session(session("{unplug-after: 2 s, late-start-clocks: 3}", where="faults"))
    with pytest.raises(SessionError, match="unplug-after"):
        load_session(session("{unplug-aftr: 2 s}", where="faults"))


def _ends(setting: Setting) -> list[float]:
    step = 1 if setting.sort == "count" else 0.125
    if setting.sort not in ("count", "number") or setting.high == float("inf"):
        return []
    whole = int if setting.sort == "count" else float
    return [whole(end) for end in (setting.low, setting.high, setting.low - step, setting.high + step)]


def test_a_misspelt_setting_is_told_by_line_with_a_near_match() -> None:
    """Line and column of the key, and the nearest one that the machine has."""
    with pytest.raises(SessionError) as caught:
        load_session(session("{late-start-clock: 3, channel: 17, locate: soon}"), "quay.yaml")
    texts = [str(problem) for problem in caught.value.problems]
    assert texts == [
        "quay.yaml:4:44: ports.box.settings.late-start-clock: a simulated drum-machine has no such setting, "
        "got 3 (did you mean late-start-clocks?)",
        "quay.yaml:4:74: ports.box.settings.channel: must be from 1 to 16, got 17",
        "quay.yaml:4:86: ports.box.settings.locate: must be a time such as 120 ms, got soon",
    ]


def test_faults_are_checked_like_settings_and_a_sink_has_neither() -> None:
    """`faults` have the same keys; a sink takes all and has nothing to set."""
    with pytest.raises(SessionError, match="has no such setting"):
        load_session(session("{deaf: 3}", "synthesizer", "faults"))
    with pytest.raises(SessionError, match="a simulated sink has no such setting"):
        load_session(session("{channel: 3}", "sink"))
    assert load_session(session("{settle_ns: 20 ms, slow-program: 5 ms}", "synthesizer")).notices == []
