"""Real music for the reference tests: pieces of music21's corpus, exported to Standard MIDI Files.

The files are written once a run into a temporary folder, which all its workers share. Nearly all of the
pieces have one tempo; for tests of tempo they also come with tempo changes at random places, from a
fixed seed.
"""

from __future__ import annotations

import fcntl
import os
import random
from collections.abc import Sequence
from pathlib import Path

import mido
import pytest
from music21 import corpus
from music21.midi.translate import music21ObjectToMidiFile

_CHORALES = """
    165.6 66.6 125.6 145-a 244.10 248.17 93.7 178.7 157.5 244.17
    245.5 20.7 248.28 146.8 99.6 197.7-a 158.4 112.5 324 286
"""
CORPUS_PIECES = (
    *(f"bach/bwv{number}" for number in _CHORALES.split()),
    "luca/gloria",
    "trecento/PMFC_12_1-Kyrie Rondello.xml",
    "liliuokalani/aloha_oe",
    "leadSheet/fosterBrownHair",
    "schoenberg/opus19/movement6",
    "joplin/maple_leaf_rag",
)
#: dance tunes of one voice, quickly exported
_TUNES = """
    AfterTheHareReel AspinwallHornpipe BelleOfClaremontHornpipe BlackEyedLassieReelThe
    BonniestLassInAyerStrathspey CampMeetingHornpipe CherishTheLadiesJig ConnaughtMansRambleJig
    CurtLawrencesHornpipe DiamondReel DuxburyHornpipe ExilesLamentJig FiveLeavedCloverReel FrazersJig
    GoldenTressesHornpipe HalfPennyReel HighwayToDublinJig HuntingTheHareJig JackSmithsFavoriteReel
    JohnnyHandsJig KissMeJoeReel LadyJaneGraysReel LePetresHornpipe LiverpoolJacksReel MagicSlipperReel
    MasonsApronReel
"""
SHORT_PIECES = tuple(_TUNES.split())
TEMPO_CHANGES_A_PIECE = 12


def _exported(folder: Path, pieces: Sequence[str], corpus_path: str = "") -> list[Path]:
    """Return the pieces as files in `folder`; whoever comes first writes them, others wait for that."""
    files = [
        folder / f"{index:02d}-{piece.replace('/', '-').replace(' ', '_')}.mid"
        for index, piece in enumerate(pieces)
    ]
    folder.mkdir(exist_ok=True)
    with open(folder / "lock", "w", encoding="ascii") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        for file, piece in zip(files, pieces, strict=True):
            if not file.exists():
                part = file.with_suffix(".part")
                part.write_bytes(music21ObjectToMidiFile(corpus.parse(corpus_path + piece)).writestr())
                part.rename(file)
    return files


@pytest.fixture(scope="session")
def shared_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The run's temporary folder, which is one level up from that of each of several workers."""
    own = tmp_path_factory.getbasetemp()
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


@pytest.fixture(scope="session")
def corpus_files(shared_folder: Path) -> list[Path]:
    """26 pieces of music21's corpus as Standard MIDI Files."""
    return _exported(shared_folder / "corpus", CORPUS_PIECES)


@pytest.fixture(scope="session")
def short_files_with_tempo(shared_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """26 dance tunes of music21's corpus, with tempo changes at seeded random ticks."""
    plain = _exported(shared_folder / "corpus-short", SHORT_PIECES, "ryansMammoth/")
    folder = tmp_path_factory.mktemp("corpus-short-tempo")
    files = []
    for piece, file in zip(SHORT_PIECES, plain, strict=True):
        midi = mido.MidiFile(file)
        _scatter_tempos(midi, random.Random(piece))
        files.append(folder / file.name)
        midi.save(files[-1])
    return files


@pytest.fixture(scope="session")
def corpus_files_with_tempo(corpus_files: list[Path], tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The same pieces, with tempo changes at seeded random ticks in the first track."""
    folder = tmp_path_factory.mktemp("corpus-tempo")
    files = []
    for file in corpus_files:
        midi = mido.MidiFile(file)
        _scatter_tempos(midi, random.Random(file.name))
        files.append(folder / file.name)
        midi.save(files[-1])
    return files


def _scatter_tempos(midi: mido.MidiFile, dice: random.Random) -> None:
    """Add tempo changes (24 to 250 BPM) to the first track of `midi`, at ticks where there was none."""
    end = max(sum(message.time for message in track) for track in midi.tracks)
    timed: list[tuple[int, mido.MetaMessage]] = []
    at = 0
    for message in midi.tracks[0]:
        at += message.time
        if message.type != "end_of_track":
            timed.append((at, message))
    for tick in dice.sample(range(1, end), TEMPO_CHANGES_A_PIECE):
        timed.append((tick, mido.MetaMessage("set_tempo", tempo=dice.randint(240_000, 2_500_000))))
    timed.sort(key=lambda pair: pair[0])
    track = mido.MidiTrack()
    previous = 0
    for tick, message in timed:
        track.append(message.copy(time=tick - previous))
        previous = tick
    track.append(mido.MetaMessage("end_of_track", time=max(0, end - previous)))
    midi.tracks[0] = track
