"""Finding the system port that a session means."""

from __future__ import annotations

import pytest

from runner.errors import ExitCode, PortError
from runner.ports.names import SystemPort, match_port, matches, near_matches

# The form of the names is that of ALSA's sequencer as python-rtmidi lists it: client:port and two numbers.
RIG = [
    SystemPort("Midi Through:Midi Through Port-0 14:0", "out", "alsa"),
    SystemPort("Front USB:Front USB MIDI 1 24:0", "out", "alsa"),
    SystemPort("Front USB:Front USB MIDI 2 24:1", "out", "alsa"),
    SystemPort("Foot Switch [left]:Foot Switch [left] MIDI 1 28:0", "in", "alsa"),
    SystemPort("Front USB:Front USB MIDI 1 24:0", "in", "alsa"),
]


@pytest.mark.parametrize(
    ("pattern", "fits"),
    [
        ("Front USB*MIDI 1*", True),
        ("front usb*midi 1*", True),
        ("*MIDI 1", True),  # the numbers at the end may be left out
        ("Front USB:Front USB MIDI 1 24:0", True),
        ("Front USB:Front USB MIDI ? 24:[0-3]", True),
        ("Front USB", False),
        ("USB*", False),
    ],
)
def test_a_glob_is_held_against_the_whole_name(pattern: str, fits: bool) -> None:
    """A glob must cover the name, case aside, with or without the numbers at its end."""
    assert matches(pattern, RIG[1]) is fits


def test_brackets_in_a_name_written_out_are_plain_text() -> None:
    """A name that contains brackets matches itself, although brackets mean something in a glob."""
    assert matches("Foot Switch [left]:Foot Switch [left] MIDI 1", RIG[3])


def test_the_numbers_of_another_service_stay() -> None:
    """Only ALSA's numbers are left out: the name of a JACK port may end so by itself."""
    assert SystemPort("desk:out 1:2", "in", "jack").lasting_name == "desk:out 1:2"
    assert RIG[0].lasting_name == "Midi Through:Midi Through Port-0"


def test_the_direction_counts() -> None:
    """Of two ports with one name, the one of the direction asked for is taken."""
    assert match_port("front", "Front*MIDI 1*", "in", RIG) == RIG[4]
    assert match_port("front", "Front*MIDI 1*", "out", RIG) == RIG[1]


def test_an_ambiguous_glob_names_the_candidates() -> None:
    """When several ports match, none is taken and the text names them and what to do."""
    with pytest.raises(PortError) as caught:
        match_port("front", "Front USB*", "out", RIG)
    text = str(caught.value)
    assert text.startswith("port front: 2 outputs of the system match 'Front USB*'")
    assert "Front USB MIDI 1 24:0" in text
    assert "Front USB MIDI 2 24:1" in text
    assert "write more" in text


def test_a_name_in_full_wins_over_one_that_it_is_the_beginning_of() -> None:
    """A glob that is the exact name of one port is not ambiguous because another matches it too."""
    ports = [SystemPort("quay:bus", "out", "jack"), SystemPort("QUAY:BUS", "out", "jack")]
    ports.append(SystemPort("quay:bu?", "out", "jack"))
    assert match_port("bus", "quay:bu?", "out", ports) == ports[2]


def test_a_missing_port_names_near_ones() -> None:
    """A misspelt name gives an error of exit code 3 that names the ports most like it, and no others."""
    with pytest.raises(PortError) as caught:
        match_port("front", "Frnt USB MIDI 2*", "out", RIG)
    text = str(caught.value)
    assert caught.value.exit_code is ExitCode.RIG_MISSING
    assert (
        "no output of the system matches 'Frnt USB MIDI 2*'; near: 'Front USB:Front USB MIDI 2 24:1'" in text
    )
    assert "Through" not in text


def test_a_missing_port_with_nothing_near_names_all() -> None:
    """When nothing is like the name, the text says what there is."""
    with pytest.raises(PortError, match="there are: 'Foot Switch"):
        match_port("front", "Zzyx*", "in", RIG)


def test_a_system_without_ports_is_told() -> None:
    """With no port of that direction the text asks for the obvious."""
    with pytest.raises(PortError, match=r"has no MIDI input at all.*plugged in"):
        match_port("front", "*", "in", RIG[:2])


def test_no_more_names_than_can_be_read() -> None:
    """Of a great many candidates six are named and the others counted."""
    many = [SystemPort(f"quay:{number}", "in", "jack") for number in range(40)]
    with pytest.raises(PortError, match="and 34 more"):
        match_port("front", "quay*", "in", many)


def test_a_glob_of_nothing_but_stars_is_near_to_nothing() -> None:
    """Stars alone give no ground for a guess."""
    assert near_matches("**?", ["Front"]) == []
