"""Screens and widgets: they draw the session's state and send it events, and decide nothing."""

import os

# Textual paints at most so many times a second, read when it is imported; a key's effect waits for half of that.
os.environ.setdefault("TEXTUAL_FPS", "240")
