"""The ports and machines of a session as the plan needs them: numbered in the file's order."""

from __future__ import annotations

from runner.music import FrameRate
from runner.plan.reporting import Reporter
from runner.plan.score import ScoreMachine, ScorePort
from runner.plan.timeline import NO_MACHINE
from runner.plan.wire import link_named
from runner.session.model import Session

ALL_DEVICES = 127


def rig_of(session: Session, report: Reporter) -> tuple[tuple[ScorePort, ...], tuple[ScoreMachine, ...]]:
    """Return ports and machines; what cannot be planned for goes to `report`."""
    numbers = {name: index for index, name in enumerate(session.ports)}
    machines = tuple(
        ScoreMachine(
            index=index,
            name=name,
            port=numbers[spec.port],
            channel=spec.channel,
            offset_ns=spec.offset_ns,
            settle_ns=spec.settle_ns,
            clock=spec.follows_clock,
            transport="transport" in spec.follows,
            position="position" in spec.follows,
            from_pre_roll=spec.starts == "pre-roll",
            start_anyway=spec.without_position == "start-at-bar-1",
            device_id=ALL_DEVICES if spec.device_id is None else spec.device_id,
            recorder=spec.kind == "recorder",
            time_code=FrameRate.parse(spec.frame_rate) if "time-code" in spec.follows else None,
        )
        for index, (name, spec) in enumerate(session.machines.items())
    )
    ports = []
    for index, (name, spec) in enumerate(session.ports.items()):
        there = tuple(machine for machine in machines if machine.port == index)
        led = [machine for machine in there if machine.clock or machine.transport]
        _check_shared(led, report)
        coded = [machine for machine in there if machine.time_code is not None]
        _check_time_code(coded, report)
        ports.append(
            ScorePort(
                index=index,
                name=name,
                link=link_named(session.link_of(name)),
                raw=spec.raw,
                offset_ns=led[0].offset_ns if led else 0,
                clock=any(machine.clock for machine in there),
                machines=there,
                time_code=coded[0].time_code if coded else None,
                time_code_offset_ns=coded[0].offset_ns if coded else 0,
                time_code_machine=coded[0].index if len(coded) == 1 else NO_MACHINE,
            )
        )
    return tuple(ports), machines


def _check_time_code(coded: list[ScoreMachine], report: Reporter) -> None:
    """A port carries one time code, so all who follow it must want the same."""
    for machine in coded[1:]:
        first = coded[0]
        hint = "they share a port and so one time code: use a port for each, or the same value"
        for key, differs in (
            ("frame-rate", machine.time_code is not first.time_code),
            ("offset", machine.offset_ns != first.offset_ns),
        ):
            if differs:
                text = f"must be the same for {first.name} and {machine.name}"
                report.add(("machines", machine.name, key), text, hint=hint)


def _check_shared(led: list[ScoreMachine], report: Reporter) -> None:
    """A port carries one clock and one transport, so all who follow them must want the same."""
    for machine in led[1:]:
        first = led[0]
        hint = "they share a port and so one clock: use a port for each, or the same value"
        if machine.offset_ns != first.offset_ns:
            report.add(
                ("machines", machine.name, "offset"),
                f"must be the same for {first.name} and {machine.name}",
                hint=hint,
            )
        if machine.transport and first.transport and machine.from_pre_roll != first.from_pre_roll:
            report.add(
                ("machines", machine.name, "starts"),
                f"must be the same for {first.name} and {machine.name}",
                hint=hint,
            )
