"""Screens and widgets: they draw the session's state and send it events, and decide nothing.

Begin with `app.py`, which leads from screen to screen; screens know of it what `root.py` says. A screen is a
`CoachScreen` (`base.py`): action `x` of its scope is its method `do_x`. Pictures are pure functions onto a `Canvas` of
roles (`canvas.py`), and `theme.py` gives roles their colours: a new theme is a palette there, and its name in
`coach.folder.settings.THEMES`. May import every room before it.
"""

import os

# Textual paints at most so many times a second, read when it is imported; a key's effect waits for half of that.
os.environ.setdefault("TEXTUAL_FPS", "240")
