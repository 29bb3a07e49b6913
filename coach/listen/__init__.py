"""What a microphone says: how each event of a repetition went, what the open strings are, how two strings beat.

Begin with `ear.py` (learn from clean repetitions, judge another), `heard.py` (what a judgement is), `open_string.py`
(a string's frequency and stiffness from one pluck) and `beats.py` (two strings to be tuned). `sound_file.py` reads a
file, `takes.py` and `start.py` find the passage in it. Nothing is transcribed: the passage is known, and the question
is whether it was played. The theory is in docs/listening.md. What is kept: `kept.py` (measures of an instrument),
`record.py` (how often the player agreed).
"""
