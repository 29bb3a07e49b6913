"""Sound out: rendering is pure, the device's count of samples is the only clock.

Begin with `player.py` (what a session asks of whatever plays), `timeline.py` (where everything of a
repetition falls) and `render.py` (clicks and tones as PCM). `engine.py` plays on a sound card, and
keeps the same time without one. `capture.py` is the microphone beside it, and `tended.py` looks after
both. May import ground, strings and music.
"""
