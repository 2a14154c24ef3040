"""A recorder that records on, runs on, or knows less than it is asked; none of it is said of a good one."""

from __future__ import annotations

from recorder_takes import MS, RecorderTakes

from runner.music.machine_control import Command, Field, Mmc, refusal_field
from runner.ports.recorder import Recorder, RecorderSettings


class Stubborn(Recorder):
    """A recorder that does not hear some commands, and refuses to answer some questions."""

    deaf_to: frozenset[int] = frozenset()
    mute_about: frozenset[int] = frozenset()

    def _command(self, command: Command, t_ns: int) -> None:
        if command.code not in self.deaf_to:
            super()._command(command, t_ns)

    def _field(self, name: int, t_ns: int) -> bytes:
        return refusal_field(name) if name in self.mute_about else super()._field(name, t_ns)


def codes(deaf_to: frozenset[int] = frozenset(), mute_about: frozenset[int] = frozenset()) -> list[str]:
    """Return what is told of a take with such a recorder."""
    recorder = Stubborn(RecorderSettings(start_ns=300 * MS))
    recorder.deaf_to, recorder.mute_about = deaf_to, mute_about
    return RecorderTakes(recorder).take().codes


def test_one_that_records_on() -> None:
    """Record Exit (RP-013, 07) goes unheard: it says that it still records."""
    assert "recorder-still-recording" in codes(frozenset({Mmc.RECORD_EXIT}))


def test_one_that_records_on_is_not_said_of_a_good_one() -> None:
    """Nor of one that does not stop, which is another thing."""
    assert codes() == []
    assert "recorder-still-recording" not in codes(frozenset({Mmc.STOP}))


def test_one_that_runs_on() -> None:
    """Stop (RP-013, 01) goes unheard: it still moves seconds later."""
    assert "recorder-not-stopped" in codes(frozenset({Mmc.STOP}))


def test_one_that_runs_on_is_not_said_of_a_good_one() -> None:
    """Nor of one that only records on."""
    assert "recorder-not-stopped" not in codes(frozenset({Mmc.RECORD_EXIT}))


def test_one_that_knows_less() -> None:
    """Asked for its record status it answers with a response error (RP-013, 42)."""
    assert "recorder-refuses" in codes(mute_about=frozenset({Field.RECORD_STATUS}))


def test_one_that_knows_less_is_not_said_of_a_good_one() -> None:
    """Nor of one that is only deaf to a command."""
    assert "recorder-refuses" not in codes(frozenset({Mmc.RECORD_EXIT}))
