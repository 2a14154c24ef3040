"""MIDI ports, one file per medium."""
