"""A take of a loop, a hold or several songs knows where it was at each moment."""

from __future__ import annotations

from fractions import Fraction

from runner.takes.declared import Declared
from runner.takes.legs import LegFacts, LegText, PlayedLegs
from runner.takes.model import Event

BAR_NS = 2_000_000_000  #: four quarters at 120 (0.5 s each)
ROPEWALK = Declared(
    tempo_map=((0.0, 120.0, 0.0),),
    meters=((1, "4/4"),),
    end_quarters=32.0,
    clocks={"front": (0, None)},
    legs=(
        LegFacts("Ropewalk", 0.0, 16.0),
        LegFacts("Ropewalk", 8.0, 16.0, 0),
        LegFacts("Fog Signal", 0.0, 12.0),
    ),
    others={"Fog Signal": Declared(tempo_map=((0.0, 60.0, 0.0),), meters=((1, "3/4"),), end_quarters=12.0)},
)


def entered(t_ns: int, leg: int, passes: int = 1) -> Event:
    """Return the record of a leg's entry."""
    return Event(t_ns, "state", detail={"state": "leg", "leg": leg, "pass": passes})


def test_a_time_in_the_third_pass_of_a_loop_is_in_the_loop_s_bars() -> None:
    """Bars 3 and 4 go round: 11 bars after the start we are in bar 4 once more."""
    events = [entered(0, 0), entered(4 * BAR_NS, 1), entered(6 * BAR_NS, 1, 2), entered(8 * BAR_NS, 1, 3)]
    legs = PlayedLegs.of_take(events, ROPEWALK, "Ropewalk")
    assert legs is not None
    assert legs.at(BAR_NS) == "bar 2 beat 1"
    assert legs.at(9 * BAR_NS) == "bar 4 beat 1"
    assert legs.at(4 * BAR_NS) == "bar 3 beat 1"


def test_another_song_of_the_roll_is_named_and_counts_its_own_bars() -> None:
    """Fog Signal is in three at 60: four seconds into it is bar 2 beat 2."""
    legs = PlayedLegs.of_take([entered(0, 0), entered(4 * BAR_NS, 2)], ROPEWALK, "Ropewalk")
    assert legs is not None
    assert legs.at(4 * BAR_NS + 4_000_000_000) == "Fog Signal, bar 2 beat 2"


def test_a_plain_roll_needs_no_legs() -> None:
    """One stretch, once: the tempo map alone tells the position."""
    plain = Declared(tempo_map=((0.0, 120.0, 0.0),), legs=(LegFacts("Ropewalk", 0.0, 32.0),))
    assert PlayedLegs.of_take([entered(0, 0)], plain, "Ropewalk") is None


def test_the_declaration_survives_its_way_through_the_header() -> None:
    """Legs, further songs and open-ended clocks are read back as they were written."""
    assert Declared.from_dict(ROPEWALK.to_dict()) == ROPEWALK
    assert ROPEWALK.steady_bpm is None


def test_while_it_is_written_each_record_gets_the_song_of_its_time() -> None:
    """A leg is told ahead of its time; positions change over when it begins."""
    times = {name: time for name, time in ROPEWALK.song_times("Ropewalk").items() if time is not None}
    text = LegText("Ropewalk", ROPEWALK.legs, times)
    text.entered(2, 1000)
    text.go_to(999)
    assert text(Fraction(7)) == "bar 2 beat 4"
    assert text.due(1000)
    text.go_to(1000)
    assert text(Fraction(7)) == "Fog Signal, bar 3 beat 2"
