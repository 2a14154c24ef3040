"""A session whose clock is a simulated recorder's time code, for takes in virtual time."""

from __future__ import annotations

SESSION = """
session: Lantern Quay, time code rules
format: 1
ports:
  tape: {{simulate: recorder, settings: {{time-code: true, frame-rate: {number}{more}}}}}
  box: {{simulate: drum-machine, settings: {{follows-position: true}}}}
  rack: {{simulate: drum-machine}}
  keys: {{simulate: synthesizer}}
machines:
  deck: {{port: tape, device-id: 1, kind: recorder, frame-rate: {rate}}}
  drums: {{port: box, channel: 10, follows: [clock, transport, position], starts: bar-1}}
  sequencer: {{port: rack, channel: 2, follows: [clock, transport], starts: pre-roll}}
  organ: {{port: keys, channel: 1}}
clock: {{source: time-code, port: tape, on-dropout: {{freewheel: 2 beats, then: {then}}}}}
songs:
  - song: Fog Signal
    tempo: 120
    length: 6 bars
    lead: 1 s
    pre-roll: 1 bar
    time-code: "01:00:00:00"
    tempo-changes: [{{at: bar 4, tempo: 150}}]
    cues:
      - {{at: start, machine: organ, program: 5}}
      - {{at: bar 2, machine: organ, program: 9}}
order: [Fog Signal]
"""
RATES = {"24": 24.0, "25": 25.0, "29.97-drop": 29.97, "30": 30.0}
