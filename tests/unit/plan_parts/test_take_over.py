"""`from FILE`: tempos, meters, length and sections of a song that a part file says."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import mido
import pytest
from smf_rows import meta, note

from runner.desk.prepare import prepare, read_session
from runner.errors import PartFileError, SessionError
from runner.music.meter import Meter
from runner.plan.smf_file import SmfFile
from runner.plan.take_over import files_wanted, with_files
from runner.session.load import LoadedSession, load_session
from runner.session.times import SongTimeError, song_time

Build = Callable[..., SmfFile]
HEAD = """session: Fog Signal
format: 1
ports: {front: {create: front}}
machines: {bass: {port: front, channel: 2}}
songs:
  - song: Fog Signal
"""
ALL = "tempo: from fog.mid, length: from fog.mid, sections: from fog.mid"


def session(song: str, more: str = "") -> LoadedSession:
    lines = "".join(f"    {each.strip()}\n" for each in song.split(", "))
    return load_session(HEAD + lines + more, "fog.yaml")


def fog(build: Build) -> SmfFile:
    """Six-eight, then three-four at bar 3; four tempos, one between two beats; markers and a cue point."""
    rows = [
        (0, meta("set_tempo", tempo=600_000)), (0, meta("time_signature", numerator=6, denominator=8)),
        (0, meta("marker", text="bank")), (300, meta("set_tempo", tempo=500_000)),
        (576, meta("time_signature", numerator=3, denominator=4)), (576, meta("cue_marker", text="horn")),
        (607, meta("set_tempo", tempo=517_241)), (864, meta("set_tempo", tempo=500_000)),
        (870, meta("marker", text="astray")), (1152, meta("marker", text="coda")),
        *note(0, 40, 1, length=1100),
    ]  # fmt: skip
    return build(rows, end=1152, file="fog.mid")


def problems(loaded: LoadedSession, files: dict[str, SmfFile | PartFileError]) -> list[str]:
    with pytest.raises(SessionError) as caught:
        with_files(loaded, files)
    return [str(problem).removeprefix("fog.yaml:") for problem in caught.value.problems]


def test_everything_is_taken_exactly(build: Build) -> None:
    """Tempos at their ticks, meters by bars, length and sections: times agree with mido's own reckoning."""
    filled = with_files(session(ALL), {"fog.mid": fog(build)})
    song = filled.session.songs[0]
    time = song_time(song)
    assert (song.tempo, song.meter, song.bar_count) == (100, Meter(6, 8), 4)
    assert song.section_bars == {"bank": 1, "horn": 3}
    assert [(change.at.base.bar, change.meter) for change in song.meter_changes] == [(3, Meter(3, 4))]
    # mido.tick2second on each stretch of one tempo: 96 ticks a quarter note
    seconds = (
        mido.tick2second(300, 96, 600_000)
        + mido.tick2second(307, 96, 500_000)
        + mido.tick2second(257, 96, 517_241)
        + mido.tick2second(100, 96, 500_000)
    )
    assert time.tempo.ns_at(Fraction(964, 96)) == pytest.approx(seconds * 1e9, abs=1)
    told = [(notice.severity, notice.message) for notice in filled.notices]
    assert [severity for severity, _ in told] == ["warning", "note"]
    assert "'astray' is at bar 4 beat 1 1/16, within a bar" in told[0][1]
    assert "coda behind the song's last bar, 4" in told[1][1]


def test_what_the_song_says_itself_is_not_touched(build: Build) -> None:
    """A meter or tempo changes of its own stand instead of the file's; own sections and length as well."""
    smf = fog(build)
    own = "tempo: from fog.mid, length: 5 bars, sections: {here: 2}, meter: 3/4"
    song = with_files(session(own), {"fog.mid": smf}).session.songs[0]
    assert (song.meter, song.meter_changes, song.bar_count) == (Meter(3, 4), [], 5)
    assert song.section_bars == {"here": 2}
    assert len(song.tempo_changes) == 3
    loaded = load_session(
        HEAD + "    tempo: from fog.mid\n    length: from fog.mid\n"
        "    tempo-changes: [{at: bar 2, tempo: 90}]\n"
    )
    song = with_files(loaded, {"fog.mid": smf}).session.songs[0]
    assert song.tempo == 100
    assert [(str(change.at), change.tempo) for change in song.tempo_changes] == [("bar 2", 90)]


def test_length_and_sections_go_without_the_tempo(build: Build) -> None:
    """With a tempo of its own the song's own meter counts the file's bars: 12 quarter notes are 3 of 4/4."""
    loaded = session("tempo: 90, length: from fog.mid, sections: from fog.mid")
    assert files_wanted(loaded) == ["fog.mid"]
    song = with_files(loaded, {"fog.mid": fog(build)}).session.songs[0]
    assert (song.tempo, song.meter, song.bar_count) == (90, Meter(4, 4), 3)
    assert song.section_bars == {"bank": 1}


def test_what_depends_on_the_file_is_checked_with_it(build: Build) -> None:
    """Cues and changes are judged by the file's bars and sections; names are judged before already."""
    cues = "    cues:\n      - {at: horn, machine: bass, bend: 1}\n      - {at: %s, machine: bass, bend: 1}\n"
    files = {"fog.mid": fog(build)}
    assert with_files(session(ALL, cues % "bar 4"), files)
    assert problems(session(ALL, cues % "bar 9"), files)[0].startswith(
        "12:14: songs[0].cues[1].at: lies after"
    )
    assert "names neither a moment" in problems(session(ALL, cues % "chorus"), files)[0]
    with pytest.raises(SessionError, match="no machine of this name"):
        session(ALL, cues.replace("bass", "bas") % "bar 4")


def test_files_that_cannot_be_used_are_told_at_their_keys(build: Build) -> None:
    """Missing, with a meter within a bar, too slow: line and column of what names the file."""
    missing = PartFileError("cannot be read: No such file or directory", file="fog.mid")
    told = problems(session(ALL), {"fog.mid": missing})
    assert [line.split(": ")[:2] for line in told] == [
        ["7:12", "songs[0].tempo"], ["8:13", "songs[0].length"], ["9:15", "songs[0].sections"]
    ]  # fmt: skip
    crooked = build(
        [(100, meta("time_signature", numerator=3, denominator=4)), *note(0, 40, 1)], file="fog.mid"
    )
    (told,) = problems(session("tempo: from fog.mid, length: 4 bars"), {"fog.mid": crooked})
    assert "within a bar" in told
    assert "write `meter` and `meter-changes`" in told
    own = session("tempo: from fog.mid, length: 4 bars, meter: 4/4")
    assert with_files(own, {"fog.mid": crooked}).session.songs[0].meter == Meter(4, 4)
    slow = build([(96, meta("set_tempo", tempo=16_777_215)), *note(0, 40, 1)], file="fog.mid")
    (told,) = problems(session("tempo: from fog.mid, length: 4 bars"), {"fog.mid": slow})
    assert "a tempo of 3.58 at bar 1 beat 2" in told


def test_sections_from_a_file_cannot_place_meters(build: Build) -> None:
    """Which bar a marker begins depends on the meters, so these cannot wait for the markers."""
    loaded = load_session(
        HEAD + "    tempo: 90\n    length: 8 bars\n    sections: from fog.mid\n"
        "    meter-changes: [{at: horn, meter: 3/4}]\n",
        "fog.yaml",
    )
    assert "write the meter changes as `bar N`" in problems(loaded, {"fog.mid": fog(build)})[0]


def test_a_song_whose_files_were_not_read_has_no_times() -> None:
    """Whoever asks for the times of such a song is told, not given wrong ones."""
    with pytest.raises(SongTimeError, match="before its files are read"):
        song_time(session(ALL).session.songs[0])


@pytest.mark.parametrize("text", ["from", "from  ", "fromage.mid", "'from '"])
def test_a_from_that_names_no_file_is_refused(text: str) -> None:
    """`from` needs a name; a word that only begins like it is no tempo."""
    with pytest.raises(SessionError, match=r"names no file|must be a tempo"):
        load_session(HEAD + f"    tempo: {text}\n    length: 4 bars\n")


def test_the_desk_reads_the_files_that_songs_name(tmp_path: Path, build: Build) -> None:
    """From a session on disk to a compiled song: files are found beside the session and read once."""
    midi = mido.MidiFile(ticks_per_beat=96)
    midi.tracks.append(
        mido.MidiTrack([meta("set_tempo", tempo=400_000), *(message for _, message in note(0, 40, 1))])
    )
    midi.save(tmp_path / "fog.mid")
    path = tmp_path / "fog.yaml"
    text = (
        HEAD
        + "    tempo: from fog.mid\n    length: from fog.mid\n    parts: [{file: fog.mid, machine: bass}]\n"
    )
    path.write_text(text)
    prepared = read_session(path)
    assert set(prepared.files) == {"fog.mid"}
    assert prepared.compile("Fog Signal").time.tempo.bpm_at(0) == 150
    path.write_text(text.replace("tempo: from fog.mid", "tempo: from frog.mid"))
    with pytest.raises(SessionError, match=r"frog\.mid: cannot be read"):
        read_session(path)
    assert prepare(path, load_session(HEAD + "    tempo: 90\n    length: 2 bars\n")).files == {}
