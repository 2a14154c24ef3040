"""The example sessions and their parts: they load, belong together, and are what their makers make."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import mido
import pytest

from runner.desk.prepare import read_session
from runner.session.load import load_session
from runner.session.model import SongSpec
from runner.session.times import song_time

ROOT = Path(__file__).parents[3]
CONFIGS = ROOT / "configs"
DEMO = ROOT / "runner" / "cli" / "demo_session"
SESSIONS = sorted(CONFIGS.glob("*.yaml"))


def maker() -> ModuleType:
    """Return the module that writes the parts."""
    spec = importlib.util.spec_from_file_location("make_parts", CONFIGS / "make_parts.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def songs() -> list[tuple[str, SongSpec]]:
    """Return all songs of the examples that have parts: not the recorder's, and not the followed one."""
    played = [path for path in SESSIONS if path.stem not in ("recorder", "demo-follow")]
    return [(path.stem, song) for path in played for song in read_session(path).session.songs]


@pytest.mark.parametrize("path", SESSIONS, ids=lambda path: path.stem)
def test_example_loads_without_warnings(path: Path) -> None:
    """An example has neither errors nor warnings, and points editors to the schema."""
    loaded = read_session(path).loaded
    assert [notice for notice in loaded.notices if notice.severity != "note"] == []
    assert loaded.text.startswith("# yaml-language-server: $schema=session.schema.json\n")
    assert loaded.session.session.startswith("Lantern Quay, ")


def test_the_examples_are_there() -> None:
    """There are two demos, a song from a file, a home studio's overdub, a recorder's and a stage set."""
    stems = ["demo", "demo-follow", "from-a-file", "home-overdub", "recorder", "stage-set"]
    assert sorted(path.stem for path in SESSIONS) == stems


def test_the_song_from_a_file_has_what_the_file_says() -> None:
    """Tempos, meters, length and markers of the part are the song's."""
    song = read_session(CONFIGS / "from-a-file.yaml").session.songs[0]
    time = song_time(song)
    assert song.bar_count == 20
    assert dict(time.sections) == {"calm": 1, "swell": 9, "spray": 13}
    bpm = [round(time.tempo.bpm_at(time.meters.bar_start(bar))) for bar in (1, 9, 13, 19, 20)]
    assert bpm == [104, 108, 112, 96, 80]
    assert str(time.meters.meter_of_bar(10)) == "5/4"


def test_packaged_demo_is_the_example() -> None:
    """The demo inside the package is the one that configs/ shows, with the same part."""
    assert (DEMO / "demo.yaml").read_bytes() == (CONFIGS / "demo.yaml").read_bytes()
    for part in sorted((DEMO / "parts").iterdir()):
        assert part.read_bytes() == (CONFIGS / "parts" / part.name).read_bytes()
    for song in load_session((DEMO / "demo.yaml").read_bytes()).session.songs:
        assert all((DEMO / part.file).is_file() for part in song.parts)


def test_demo_is_short_and_needs_no_hardware() -> None:
    """The demo lasts 15 s at most, lead to tail, and all its ports are simulated."""
    session = load_session((CONFIGS / "demo.yaml").read_bytes()).session
    assert all(port.simulate for port in session.ports.values())
    (song,) = session.songs
    time = song_time(song)
    start = time.tempo.ns_at(time.start_quarters) - time.span_ns(song.lead)
    end = time.tempo.ns_at(time.end_quarters + time.span_quarters(song.tail, time.end_quarters))
    assert 8 <= (end - start) / 1e9 <= 15


@pytest.mark.parametrize(("name", "song"), songs(), ids=lambda item: getattr(item, "song", item))
def test_parts_belong_to_their_songs(name: str, song: SongSpec) -> None:
    """Each part's track exists, and its file is as long as the song, in its meters (read by mido)."""
    time = song_time(song)
    assert song.parts
    for part in song.parts:
        file = mido.MidiFile(str(CONFIGS / part.file))
        tracks = {track.name: track for track in file.tracks if track.name}
        assert part.track in tracks
        ticks = sum(message.time for message in tracks[str(part.track)])
        assert ticks == time.end_quarters * file.ticks_per_beat
        meters = [(time.meters.meter_at(0).numerator, time.meters.meter_at(0).denominator)]
        meters += [(meter.numerator, meter.denominator) for _, meter in time.meters.changes]
        written = [
            (message.numerator, message.denominator)
            for message in file.tracks[0]
            if message.type == "time_signature"
        ]
        assert written == meters


def test_committed_parts_are_what_the_maker_writes(tmp_path: Path) -> None:
    """`configs/make_parts.py` writes the committed files, byte for byte."""
    maker().main(tmp_path / "parts", tmp_path / "demo")
    for folder, committed in (("parts", CONFIGS / "parts"), ("demo", DEMO / "parts")):
        written = {path.name: path.read_bytes() for path in (tmp_path / folder).iterdir()}
        assert written == {path.name: path.read_bytes() for path in committed.glob("*.mid")}


def test_maker_refuses_a_bar_that_does_not_add_up(tmp_path: Path) -> None:
    """A slip in an invented line is found when it is written."""
    make = maker()
    song = make.Song("x.mid", 100, ((1, 4, 4),), (make.Line("x", 1, 64, "60 62 64 | 60:4"),))
    with pytest.raises(ValueError, match="bar 1 does not have 4 beats"):
        make.write(song, tmp_path)
