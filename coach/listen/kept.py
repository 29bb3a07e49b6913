"""What was learnt of each instrument's sound, kept in the practice folder: measures, never sound.

A file an instrument, `progress/ear/NAME.json`, named by its open strings and, where it has one, its name. It may be
deleted at any time; the ear then learns anew.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

from coach.ground.codec import UnfitError, plain_of, value_of
from coach.ground.digits import rounded
from coach.ground.frozen import frozen
from coach.ground.own_files import make_own_folder, read_own, write_own
from coach.ground.problem import CoachError, reason_of
from coach.listen.ear import Ear
from coach.listen.open_string import MeasuredString
from coach.strings.instrument import Instrument

MOST_BYTES = 20_000_000
SINCE_TUNED_CENTS = 10.0
"""How far a string that a microphone heard while it was tuned may have gone since."""


def new_ear(instrument: Instrument) -> Ear:
    """An ear that knows the strings alone: as they were last measured while tuning, else as the instrument says."""
    heard_hz = [instrument.measured_hz(string) for string in range(len(instrument.strings))]
    measured = [
        MeasuredString(hz, instrument.stiffness(string), SINCE_TUNED_CENTS, 0) if hz else None
        for string, hz in enumerate(heard_hz)
    ]
    return Ear.of(instrument, measured)


@frozen
class EarShelf:
    """The files of one practice folder."""

    folder: Path

    def path(self, instrument: Instrument) -> Path:
        strings = "-".join(string.name for string in instrument.strings)
        capo = f"-capo-{instrument.capo}" if instrument.capo else ""
        name = re.sub(r"[^0-9A-Za-z#-]+", "-", f"{instrument.name}-{strings}{capo}").strip("-")
        return self.folder / f"{name[:100]}.json"

    def load(self, instrument: Instrument) -> Ear:
        """What is known of an instrument, of one without a file only its strings; CoachError where it can't be read."""
        path = self.path(instrument)
        try:
            ear = value_of(Ear, json.loads(read_own(path, MOST_BYTES)))
            if len(ear.strings) != len(instrument.strings):
                raise UnfitError(f"{len(ear.strings)} strings, expected {len(instrument.strings)}")
        except FileNotFoundError:
            return new_ear(instrument)
        except (OSError, ValueError) as error:
            reason = reason_of(error) if isinstance(error, OSError) else str(error)
            raise CoachError(
                f"what the coach had learnt about your strings can't be read ({reason}): it learns anew",
                str(path),
            ) from None
        # The strings are the instrument's: they may have been measured since.
        return replace(ear, strings=new_ear(instrument).strings)

    def save(self, instrument: Instrument, ear: Ear) -> None:
        """Keep what is known of an instrument; CoachError where the disk refuses it."""
        path = self.path(instrument)
        text = json.dumps(rounded(plain_of(ear)), separators=(",", ":"))
        try:
            make_own_folder(self.folder)
            write_own(path, [text.encode()])
        except OSError as error:
            raise CoachError(
                f"what the coach has learnt about your strings can't be saved: {reason_of(error)}", str(path)
            ) from None
