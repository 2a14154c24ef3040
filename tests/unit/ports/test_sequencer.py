"""What the kernel's list of sequencer clients tells of connections.

The text is as Linux 6.1 writes /proc/asound/seq/clients (seen on Debian 12 with a USB device and VirMIDI).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.ports.sequencer import address_of, read_links

CLIENTS = """Client info
  cur  clients : 5
  peak clients : 6
  max  clients : 192

Client   0 : "System" [Kernel]
  Port   0 : "Timer" (Rwe-)
  Port   1 : "Announce" (R-e-)
    Connecting To: 15:0
Client  20 : "Rig MIDI" [Kernel]
  Port   0 : "Rig MIDI MIDI 1" (RWeX)
    Connecting To: 129:0, 131:2[real:0]
    Connected From: 128:0[real:0]
Client 128 : "takewright" [User Legacy]
  Port   0 : "front" (R-e-)
    Connecting To: 20:0
Client 129 : "takewright" [User Legacy]
  Port   0 : "front" (-We-)
    Connected From: 20:0
  Output pool :
    Pool size          : 500
"""


def test_each_connection_is_read_from_its_sender() -> None:
    """Connections are listed under both ends; each is told once, as (from, to)."""
    assert read_links(CLIENTS) == {("0:1", "15:0"), ("20:0", "129:0"), ("20:0", "131:2"), ("128:0", "20:0")}


@pytest.mark.parametrize(
    ("name", "address"),
    [("Rig MIDI:Rig MIDI MIDI 1 20:0", "20:0"), ("quay-box:box", ""), ("", ""), ("odd 1:2:3", "")],
)
def test_an_address_is_what_alsa_puts_at_the_end_of_a_name(name: str, address: str) -> None:
    """JACK's names have none."""
    assert address_of(name) == address


@given(st.text(max_size=300))
def test_any_other_text_holds_no_connection_of_ours(text: str) -> None:
    """Whatever the file says, reading it raises nothing."""
    assert read_links(text) == read_links(text + "\nClient info\n")
