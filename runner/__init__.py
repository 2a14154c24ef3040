"""Takewright: runs the takes of a MIDI rig and keeps the record of each."""
