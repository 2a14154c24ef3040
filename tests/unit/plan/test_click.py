"""The click: where it falls, what it sounds, and in which stretches."""

from __future__ import annotations

from fractions import Fraction

from songs import BAR_NS, BEAT_NS, compiled, sent

from runner.music import Meter, MeterMap, SongTime, TempoMap, parse_span
from runner.plan.click import strokes

MACHINES = "drums: {port: front, channel: 10, follows: [clock, transport]}\n"


def weights(meter: str, every: str | None = None, bars: int = 1) -> list[tuple[str, int]]:
    """Return the strokes of some bars of one meter, positions in quarters."""
    meters = MeterMap(Meter.parse(meter))
    time = SongTime(meters, TempoMap(Fraction(120)))
    span = parse_span(every) if every else None
    return [(str(at), weight) for at, weight in strokes(time, span, Fraction(0), meters.bar_start(bars + 1))]


def test_one_stroke_a_beat_with_the_first_accented() -> None:
    """Four quarters in 4/4, six eighths in 6/8."""
    assert weights("4/4") == [("0", 2), ("1", 0), ("2", 0), ("3", 0)]
    assert [at for at, _ in weights("6/8")] == ["0", "1/2", "1", "3/2", "2", "5/2"]


def test_a_meter_in_groups_is_clicked_in_groups() -> None:
    """6/8 in two (3+3), 7/8 as 2+2+3."""
    assert weights("3+3/8") == [("0", 2), ("3/2", 0)]
    assert weights("2+2+3/8") == [("0", 2), ("1", 0), ("2", 0)]


def test_subdivisions_accent_their_groups() -> None:
    """Asked for every eighth, the beginnings of the groups stand out less than the bar's."""
    assert weights("2+2+3/8", "1 beat") == [
        ("0", 2), ("1/2", 0), ("1", 1), ("3/2", 0), ("2", 1), ("5/2", 0), ("3", 0),
    ]  # fmt: skip
    assert len(weights("4/4", "1/2 beat")) == 8
    assert len(weights("4/4", "1/2 bar")) == 2


def test_a_subdivision_that_does_not_fill_the_bar_begins_anew_with_it() -> None:
    """Every half note in 3/4: two strokes a bar, the bar's first always accented."""
    assert weights("3/4", "2 quarters", bars=2) == [("0", 2), ("2", 0), ("3", 2), ("5", 0)]


def keys(song: object) -> list[tuple[int, int]]:
    """Return (time, key) of all Note Ons on the click's port."""
    found = sent(song, "front")  # type: ignore[arg-type]
    return [(t_ns, int(text.split()[1], 16)) for t_ns, text in found if text.startswith("99")]


def test_the_click_counts_in_and_is_silent_then() -> None:
    """Side stick 37 (GM 1, table 3) on the four beats before bar 1, none after it."""
    song = compiled("pre-roll: 1 bar\nclick: {machine: drums}", machines=MACHINES)
    assert keys(song) == [(-BAR_NS + beat * BEAT_NS, 37) for beat in range(4)]


def test_the_click_goes_on_if_it_is_to() -> None:
    """Throughout: each beat of pre-roll and song, none in the tail; wood blocks as accents."""
    click = "click: {machine: drums, where: throughout, note: 77, accent-note: 76}"
    song = compiled(f"pre-roll: 1 bar\ntail: 1 bar\n{click}", machines=MACHINES)
    found = keys(song)
    assert [t_ns for t_ns, _ in found] == [beat * BEAT_NS for beat in range(-4, 32)]
    assert [key for _, key in found] == [76, 77, 77, 77] * 9


def test_the_click_follows_meter_changes() -> None:
    """After two bars of 4/4 come bars of three."""
    text = "meter-changes: [{at: bar 3, meter: 3/4}]\n"
    text += "click: {machine: drums, where: throughout, accent-note: 76}"
    accents = [t_ns for t_ns, key in keys(compiled(text, machines=MACHINES)) if key == 76]
    assert accents[:4] == [0, BAR_NS, 2 * BAR_NS, 2 * BAR_NS + 3 * BEAT_NS]


def test_an_entry_in_mid_song_is_counted_in() -> None:
    """From bar 5, the bars of the pre-roll are clicked before it, at bar 5's tempo; then silence."""
    text = """
    tempo: 120
    meter: 4/4
    length: 8 bars
    pre-roll: 1 bar
    tempo-changes: [{at: bar 5, tempo: 60}]
    click: {machine: drums}
    """
    song = compiled(text, machines=MACHINES, from_="bar 5")
    assert keys(song) == [(4 * BAR_NS - beat * 2 * BEAT_NS, 37) for beat in (4, 3, 2, 1)]


def test_every_stroke_is_ended() -> None:
    """As many Note Offs as Note Ons, each before the next stroke."""
    song = compiled("pre-roll: 2 bars\nclick: {machine: drums, every: 1/16 beat}", machines=MACHINES)
    texts = [text[:2] for _, text in sent(song, "front") if text[0] in "89"]
    assert texts == ["99", "89"] * (2 * 64)
