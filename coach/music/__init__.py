"""A drill as music: meter, tempo, phrases and events, what a repetition covers, its clicks, its playability.

Begin with `drill.py` (the types), `excerpt.py` (which part of a drill) and `passages.py` (what that plays).
Times are exact fractions (`rhythm.py`); `clicktrack.py` places the clicks; `playability.py` is what `coach
check` warns of. May import ground and strings.
"""
