"""Drills as files: YAML in and out with every problem explained, other formats in and out.

Begin with `load.py` (a file becomes a `Drill`), `keys.py` (a row for each key of the format) and `write.py`
(a `Drill` becomes a file). Import: `foreign.py` chooses the reader, `musicxml_in.py` and `midi_in.py` read,
`arrange.py` makes the drill with a place on the strings for each note, `phrase_maker.py` its phrases; `duet.py` sets
a melody over a bass, and `arrange_duet.py` finds its key. Export: a module a format (`tab.py`, `midi_out.py`,
`musicxml_out.py`); those in notes share `notated.py` (bars, staves, ties, beams).
May import what stands before it, and never the session or the screens.
"""
