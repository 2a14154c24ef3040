"""The causes that an audit can name: stable codes, whose matter each is, and how it is told from the others.

Pure. The codes appear in takes and their meaning never changes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, NamedTuple

Whose = Literal["computer", "cable", "machine", "master", "session", "person", "medium", "program"]


class CauseMeaning(NamedTuple):
    """What a cause stands for: whose matter it is, in words, and what speaks for it."""

    whose: Whose
    meaning: str
    told_by: str


CAUSES: Mapping[str, CauseMeaning] = {
    "unplugged": CauseMeaning(
        "cable", "the cable was unplugged, or the machine or hub lost power",
        "the port vanished from the system then, or its active sensing fell silent",
    ),
    "port-refused": CauseMeaning(
        "cable", "the interface or its driver refused data", "sends failed while the port was still listed"
    ),
    "wire-load": CauseMeaning(
        "cable", "too much data on the same wire",
        "other bytes filled more than half of a DIN cable at that moment",
    ),
    "link-loss": CauseMeaning(
        "cable", "the cable, interface or merger between the master and this port lost clocks",
        "single clocks missing, with no trace on this computer or wire",
    ),
    "link-bursts": CauseMeaning(
        "cable", "the interface, hub or network on the way holds data back and delivers it together",
        "clocks late in groups, none lost, while this computer was in time",
    ),
    "second-path": CauseMeaning(
        "cable", "the master's clock reaches the port by two ways, or a merger repeats",
        "single clocks came twice",
    ),
    "second-source": CauseMeaning(
        "cable", "a second machine sends clock to the same port", "two clocks mixed"
    ),
    "echo": CauseMeaning(
        "cable", "a machine sends our own clock back", "clocks arrive at a constant time after our own"
    ),
    "bad-wire": CauseMeaning(
        "cable", "a data byte was lost or changed on the wire", "bytes that are no MIDI"
    ),
    "computer": CauseMeaning(
        "computer", "this computer did not run the engine in time",
        "everything was late at once, and no port held the engine up",
    ),
    "slow-port": CauseMeaning(
        "computer", "a port's driver blocked the engine", "the time that the send took"
    ),
    "flood": CauseMeaning("machine", "a machine floods the port", "more input than could be taken"),
    "master-tempo": CauseMeaning(
        "master", "the master's tempo setting is not the song's",
        "off by the same share from the first bar to the last",
    ),
    "master-ramp": CauseMeaning(
        "master", "the master's tempo changes gradually, and the song does not say so",
        "the measured tempo moves steadily away from the song's",
    ),
    "master-step": CauseMeaning(
        "master", "the master's tempo changes at a place, and the song does not say so",
        "two tempos, with one change between them",
    ),
    "master-wow": CauseMeaning(
        "master", "the master's transport sways: varispeed, chase lock or tape",
        "the measured tempo swings about its mean",
    ),
    "master-jump": CauseMeaning(
        "master", "the master restarted or skipped its clock", "the phase jumped and the tempo did not"
    ),
    "master-gone": CauseMeaning(
        "master", "the master was switched off, crashed, or its cable came out without the port vanishing",
        "its clock ended in the song and did not come back",
    ),
    "master-setting": CauseMeaning(
        "master", "the master is not set to send what a follower needs: clock and transport",
        "one of the two came without the other",
    ),
    "stop-lost": CauseMeaning(
        "master", "the master stopped and began anew, and its Stop did not get through",
        "Start came in the song, and what followed is a song's length",
    ),
    "doubled-message": CauseMeaning(
        "cable", "the same message came by two ways", "a second one within a few clocks of the first"
    ),
    "master-locates": CauseMeaning(
        "master", "the master moved its position while it played", "a song position while playing"
    ),
    "master-noise": CauseMeaning(
        "master", "what came as clock cannot be one", "clocks faster than any tempo, or from the past"
    ),
    "short-lead": CauseMeaning(
        "session", "there was too little clock before the song for the follower or machine to settle",
        "the clock that there was before it was needed, against what settling took",
    ),
    "settle-short": CauseMeaning(
        "session", "the program change was planned or sent too close to its moment",
        "the time left, against the machine's `settle`",
    ),
    "mid-song": CauseMeaning(
        "person", "the song was entered in the middle, and what is in force there had no time to settle",
        "Continue, or a start place behind bar 1",
    ),
    "machine-start": CauseMeaning(
        "machine", "the machine itself starts late", "it had clock for long enough, and Start in time"
    ),
    "machine-deaf": CauseMeaning(
        "machine", "the machine heard nothing: switched off, another channel, or its DIN cable out",
        "it sent notes in other takes of the song, and none in this one",
    ),
    "other-settings": CauseMeaning(
        "session", "the session was changed between the takes", "offsets, tempo or pre-roll differ"
    ),
    "broken-off": CauseMeaning("person", "the roll was broken off", "the take ended before its song"),
    "stopped": CauseMeaning("person", "somebody stopped the take", "the reason in the log"),
    "master-stopped": CauseMeaning("master", "the master stopped before the song's end", "its Stop"),
    "keeper-died": CauseMeaning(
        "program", "the daemon's first process, the parent of the others, was killed or died",
        "engine and desk found it gone, and the engine stopped the rig",
    ),
    "power-cut": CauseMeaning(
        "medium", "a power cut, or the program was killed", "the log ends without its end"
    ),
    "disk": CauseMeaning("medium", "the disk took no data", "the writer's own note"),
    "pipe-full": CauseMeaning(
        "computer", "the log's writer did not keep up", "the engine counted what it could not hand over"
    ),
    "log": CauseMeaning(
        "medium", "the record was lost, not the thing itself", "records are missing in the log"
    ),
    "file": CauseMeaning(
        "medium", "a file of the take was lost or damaged", "lines that are no lines of a take"
    ),
    "gap": CauseMeaning("medium", "a killed writer", "a gap in the numbering"),
    "reported": CauseMeaning("program", "the reason that the engine or desk gave", "the log's last state"),
    "engine-died": CauseMeaning("program", "the engine's process died", "another engine went on in the log"),
}  # fmt: skip
