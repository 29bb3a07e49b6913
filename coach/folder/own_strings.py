"""What a microphone heard of the strings, kept with the player's own instrument in the settings."""

from __future__ import annotations

from pathlib import Path

from coach.folder.settings import load_settings, save_settings
from coach.strings.instrument import Instrument


def keep_strings(path: Path, heard: Instrument) -> bool:
    """Write the stiffness and offsets of all strings of an own instrument; False where nothing is to be kept.

    That is where some string was not heard, or the settings name no instrument with these strings. CoachError where the
    file can't be read or written.
    """
    if any(string.measured_cents is None for string in heard.strings):
        return False
    own = load_settings(path).instruments
    at = next((at for at, mine in enumerate(own) if _same(mine, heard)), None)
    if at is None:
        return False
    save_settings(path, {"instruments": (*own[:at], heard, *own[at + 1 :])})
    return True


def _same(mine: Instrument, heard: Instrument) -> bool:
    """Whether it is this instrument, in this tuning."""
    notes = [string.midi for string in heard.strings]
    return mine.name == heard.name and [string.midi for string in mine.strings] == notes
