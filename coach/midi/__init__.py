"""MIDI in and out: ports, the click and clock that go out, the pedal that comes in.

Begin with `rig.py` (all MIDI of one session), `sender.py` (what sends on time, in a process of its own) and `pedal.py`
(what a press means).
May import ground, music, rating and sound.
"""
