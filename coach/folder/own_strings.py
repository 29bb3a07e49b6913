"""What a microphone heard of the strings, kept with the player's own instrument in the settings."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from coach.folder.settings import load_settings, save_settings
from coach.strings.instrument import Instrument


def keep_strings(path: Path, heard: Instrument, as_own: bool = False) -> bool:
    """Write the stiffness and offsets of all strings of an own instrument; False where nothing is to be kept.

    That is where some string was not heard, or the settings name no instrument with these strings; with `as_own` it
    becomes the player's own where they name none at all. CoachError where the file can't be read or written.
    """
    if not _all_heard(heard):
        return False
    own = load_settings(path).instruments
    at = next((at for at, mine in enumerate(own) if _same(mine, heard)), None)
    if at is None and (own or not as_own):
        return False
    at = at or 0
    save_settings(path, {"instruments": (*own[:at], heard, *own[at + 1 :])})
    return True


def may_become_own(own: Sequence[Instrument], heard: Instrument) -> bool:
    """Whether all strings were heard, and the player has no instrument in the settings to keep that with."""
    return _all_heard(heard) and not own


def _all_heard(heard: Instrument) -> bool:
    return all(string.measured_cents is not None for string in heard.strings)


def _same(mine: Instrument, heard: Instrument) -> bool:
    """Whether it is this instrument, in this tuning."""
    notes = [string.midi for string in heard.strings]
    return mine.name == heard.name and [string.midi for string in mine.strings] == notes
