"""The simulated synthesizer, against MIDI 1.0 (pages 13, 24, 33, A-4) and RP-015."""

from __future__ import annotations

import pytest

from runner.ports.synthesizer import BEND_CENTRE, Synthesizer, SynthesizerSettings

MS = 1_000_000


class Desk:
    """Sends hex to a synthesizer, a millisecond apart."""

    def __init__(self, settings: SynthesizerSettings | None = None) -> None:
        self.synth = Synthesizer(settings)
        self.now = 0

    def send(self, *texts: str) -> Synthesizer:
        """Send messages and return the synthesizer."""
        for text in texts:
            self.now += MS
            self.synth.receive(bytes.fromhex(text), self.now)
        return self.synth


def test_a_bank_waits_for_its_program() -> None:
    """Bank select alone changes nothing; the program change takes it, and later ones stay in it (p. 13)."""
    desk = Desk()
    voice = desk.send("B9 00 01", "B9 20 02").voices[9]
    assert (voice.bank, voice.program) == ((0, 0), 0)
    desk.send("C9 05")
    assert (voice.bank, voice.program) == ((1, 2), 5)
    desk.send("C9 07")
    assert (voice.bank, voice.program) == ((1, 2), 7)
    assert desk.synth.complaints.all() == ()


def test_a_torn_bank_select_is_complained_of() -> None:
    """Nothing may come between a bank select and its program change on that channel (p. 13)."""
    desk = Desk()
    desk.send("B9 00 01", "90 3C 40", "B9 20 02", "99 24 40", "C9 05")
    assert desk.synth.complaints.codes() == ["bank-select-torn"]


def test_each_note_on_needs_its_note_off() -> None:
    """A doubled Note On is counted and needs two Note Offs; velocity 0 is one (p. A-4, 10)."""
    desk = Desk()
    synth = desk.send("90 3C 40", "90 3C 50")
    assert synth.doubled == [(1, 60, 2)]
    assert synth.complaints.codes() == ["note-doubled"]
    desk.send("80 3C 40")
    assert synth.sounding == [(1, 60)]
    desk.send("90 3C 00")
    assert synth.sounding == []
    desk.send("80 3C 00")
    assert synth.complaints.codes() == ["note-doubled", "note-off-unmatched"]


def test_the_hold_pedal_holds() -> None:
    """A key let go while the pedal is down sounds until it is up; all notes off spares it (p. 24)."""
    desk = Desk()
    synth = desk.send("90 3C 40", "B0 40 7F", "80 3C 00")
    assert synth.sounding == [(1, 60)]
    desk.send("90 40 40", "B0 7B 00")
    assert synth.sounding == [(1, 60), (1, 64)]
    desk.send("B0 40 00")
    assert synth.sounding == []


def test_all_notes_off_ends_open_notes_and_excuses_their_note_offs() -> None:
    """After controller 123 nothing sounds, and a Note Off that still comes is no fault."""
    desk = Desk()
    synth = desk.send("90 3C 40", "91 30 40", "B0 7B 00")
    assert synth.sounding == [(2, 48)]
    desk.send("80 3C 00", "81 30 00")
    assert synth.complaints.all() == ()


def test_all_sound_off_cuts_but_does_not_replace_note_offs() -> None:
    """Controller 120 silences held and open notes at once; open ones still take their Note Off (p. 20)."""
    desk = Desk()
    synth = desk.send("90 3C 40", "90 3E 40", "B0 40 7F", "80 3E 00", "B0 78 00")
    assert synth.sounding == []
    assert synth.voices[0].open[60] == 1
    desk.send("80 3C 00")
    assert synth.sounding == []
    assert synth.complaints.all() == ()


def test_reset_all_controllers_does_what_the_practice_says() -> None:
    """RP-015: 1 to 0, 11 to 127, 64-67 to 0, parameters null, bend and pressure to rest; others stay."""
    desk = Desk()
    kept = {0: 1, 32: 2, 7: 90, 10: 30, 71: 5, 91: 40}
    desk.send(*(f"B0 {control:02X} {value:02X}" for control, value in kept.items()), "C0 05")
    desk.send(
        "B0 01 40",
        "B0 0B 20",
        "B0 40 7F",
        "B0 43 7F",
        "B0 65 00",
        "B0 64 01",
        "E0 00 00",
        "D0 30",
        "A0 3C 30",
    )
    voice = desk.send("B0 79 00").voices[0]
    assert {control: voice.controllers[control] for control in kept} == kept
    assert voice.program == 5
    expected = {1: 0, 11: 127, 64: 0, 65: 0, 66: 0, 67: 0, 98: 127, 99: 127, 100: 127, 101: 127}
    assert {control: voice.controllers[control] for control in expected} == expected
    assert (voice.bend, voice.pressure, voice.key_pressure) == (BEND_CENTRE, 0, {})


def test_bend_is_lsb_first() -> None:
    """The centre is 00 40 (table II)."""
    assert Desk().send("E0 00 40").voices[0].bend == BEND_CENTRE
    assert Desk().send("E0 7F 7F").voices[0].bend == 16383


@pytest.mark.parametrize(("gap_ms", "codes"), [(19, ["program-late"]), (20, [])])
def test_a_note_too_soon_after_its_program_is_complained_of(gap_ms: int, codes: list[str]) -> None:
    """A note within the time that a program change takes sounds wrong, and is named once."""
    synth = Synthesizer(SynthesizerSettings(settle_ns=20 * MS))
    synth.receive(bytes.fromhex("C0 05"), 0)
    for key in (60, 64):
        synth.receive(bytes((0x90, key, 64)), gap_ms * MS)
    assert synth.complaints.codes() == codes


def test_active_sensing_is_missed_after_330_ms() -> None:
    """Once seen, more than 330 ms of nothing turn all voices off and it is forgotten (p. 33)."""
    synth = Synthesizer()
    synth.receive(b"\x90\x3c\x40", 0)
    assert synth.next_deadline_ns() is None
    synth.receive(b"\xfe", 0)
    synth.due(330 * MS)
    assert synth.sounding == [(1, 60)]
    deadline = synth.next_deadline_ns()
    assert deadline == 330 * MS + 1
    synth.due(deadline)
    assert synth.sounding == []
    assert synth.complaints.codes() == ["sensing-lost"]
    assert synth.next_deadline_ns() is None


def test_system_reset_brings_all_to_rest() -> None:
    """FF silences and forgets everything (p. 33)."""
    synth = Desk().send("90 3C 40", "C0 05", "FF")
    assert synth.sounding == []
    assert synth.voices[0].program == 0


def test_it_listens_on_its_channel() -> None:
    """Set to one channel, messages on others are not heard."""
    synth = Desk(SynthesizerSettings(channel=2)).send("90 3C 40", "91 3E 40")
    assert synth.sounding == [(2, 62)]


def test_the_faults() -> None:
    """A lost Note Off leaves a note sounding, a deaf one hears no more, a slow one complains sooner."""
    stuck = Desk(SynthesizerSettings(lose_note_off_every=2)).send(
        "90 3C 40", "80 3C 00", "90 3E 40", "80 3E 00"
    )
    assert stuck.sounding == [(1, 62)]
    deaf = Desk(SynthesizerSettings(deaf_after=1)).send("90 3C 40", "80 3C 00")
    assert deaf.sounding == [(1, 60)]
    slow = Synthesizer(SynthesizerSettings(settle_ns=0, slow_program_ns=50 * MS))
    slow.receive(b"\xc0\x05", 0)
    slow.receive(b"\x90\x3c\x40", 40 * MS)
    assert slow.complaints.codes() == ["program-late"]
