"""Strings and what rings on them: pitch, instruments, nodes, the light touch, tuning, the search for places.

Begin with `node.py` and `instrument.py` (open strings, scale). `touch.py` is the model of the finger, `tuning.py` that
of beats, `fingering.py` finds the nodes for a melody over a bass line. `fretboard.py` lays out the one drawing of a
fretboard. May import ground only.
"""
