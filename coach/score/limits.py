"""How large a drill may be, and what its names look like: a small file must not unfold into hours of work."""

from __future__ import annotations

import re

from coach.music.drill import TOGETHER

FORMAT_VERSION = 1
MAX_BYTES = 1_000_000
MAX_BARS = 2000
MAX_BAR_NUMBER = 9999
MAX_PHRASES = 200
MAX_LAYERS = 8
MAX_EVENTS_IN_BAR = 200
MAX_LINE = 20_000
"""Characters of one layer in one bar."""
MAX_NOTES = 10_000
MAX_BEATS = 10_000
"""Notes and counted beats of all phrases with repeated bars written out, and of the piece with its order too."""
MAX_PIECE_BARS = 5_000
MAX_ORDER = 500
MAX_NAME = 80
MAX_TAGS = 20
MAX_GRADE = 99
MAX_PARTS = 50
MAX_TIMES = 99
OCTAVES_RANGE = (0, 3)
"""How far above its key program 32 of General MIDI may sound."""
ID = re.compile(r"[a-z0-9][a-z0-9-]{0,63}")
LAYER = re.compile(r"[^\W\d_][\w -]{0,29}")
LAYER_RULE = f"a letter, then letters, digits, - and spaces, at most 30, and not `{TOGETHER}`"
