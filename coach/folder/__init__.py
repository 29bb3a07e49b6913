"""The practice folder: its settings, checked whole before anything uses them, and the drills at hand.

Begin with `library.py` (drills) and `settings.py` (a row for each setting; sound, listening and MIDI keep
their rows in their own rooms). `actions.py` has a row for each action of the screens, since the settings bind keys to
them.
"""
