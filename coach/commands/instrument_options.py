"""The options that describe an instrument, for the commands that compute with one."""

from __future__ import annotations

import re
from collections.abc import Sequence

from coach.commands.common import places_of
from coach.commands.options import Arguments, Options, Within, errors_of, number
from coach.folder.settings import load_settings
from coach.ground.digits import whole_number
from coach.ground.problem import UsageError
from coach.strings.instrument import CAPO_RANGE, Instrument
from coach.strings.node import DEFAULT_PARTIAL, HIGHEST_PARTIAL, LOWEST_PARTIAL
from coach.strings.own import on_own
from coach.strings.ready_made import READY_MADE, ready_made, usual_scale_mm
from coach.strings.units import A4_HZ, length_from
from coach.words.names import tuning_name

USUAL = "bass"


def add_instrument(options: Options) -> None:
    """`--instrument`, `--strings`, `--scale-mm`, `--set-back-mm`, `--capo`, `--a4`, `--stiffness`."""
    options.text(
        "--instrument NAME",
        "an instrument of your own by its name in the settings, open notes as in G2,D2,A1,E1, or a ready-made "
        f"one: {', '.join(READY_MADE)} (default: the first of your own, else {USUAL})",
    )
    options.text("--strings G2,D2,A1,E1", "open notes, highest string first, instead of the instrument's")
    options.text(
        "--scale-mm MM",
        "scale in mm, or in inches as 34in; for fanned frets one for each string (default: the instrument's)",
    )
    options.text(
        "--set-back-mm MM", "set-back of the saddles behind the scale: one for all, or one for each string"
    )
    options.whole("--capo FRET", Within(*CAPO_RANGE), "a capo at this fret; 0 is none")
    options.number("--a4 HZ", Within(unit="Hz"), f"reference pitch in Hz (default: {A4_HZ:g})")
    options.text("--stiffness B", "stiffness of the strings, such as 0.0003: one for all, or one for each")


def add_upto(options: Options) -> None:
    """`--upto`."""
    options.whole(
        "--upto PARTIAL",
        Within(LOWEST_PARTIAL, HIGHEST_PARTIAL),
        f"highest partial (default: {DEFAULT_PARTIAL})",
        default=DEFAULT_PARTIAL,
    )


def add_finger(options: Options) -> None:
    """`--finger-mm`."""
    options.number(
        "--finger-mm MM",
        Within(unit="mm"),
        "width of the finger on the string (default: 8 at a scale of 864, in proportion at others)",
    )


def instrument_from(arguments: Arguments) -> Instrument:
    """The instrument that the options describe, the player's own where none does; UsageError with what is allowed.

    CoachError where the settings can't be read.
    """
    own = own_of(arguments)
    if arguments.instrument is None:
        base = own[0] if own else ready_made(USUAL)
    else:
        base = named_instrument(arguments.instrument, own)
    text = arguments.stiffness
    scales_mm = None if arguments.scale_mm is None else lengths(arguments.scale_mm, "--scale-mm")
    back_mm = None if arguments.set_back_mm is None else lengths(arguments.set_back_mm, "--set-back-mm")
    try:
        if arguments.strings is not None:
            notes = arguments.strings.replace(",", " ").split()
            # Where the instrument can't be tuned so, one of the usual length for these notes.
            tuned = Instrument.of(notes, usual_scale_mm(notes), base.a4_hz, base.name, fretted=base.fretted)
            base = on_own(tuned, [base])
        return Instrument.of(
            [string.name for string in base.strings],
            base.scales_mm if scales_mm is None else scales_mm,
            base.a4_hz if arguments.a4 is None else arguments.a4,
            base.name,
            [string.stiffness_b for string in base.strings]
            if text is None
            else [number(part, "--stiffness") for part in (text or "0").replace(",", " ").split()],
            base.fretted,
            base.set_backs_mm if back_mm is None else back_mm,
            base.capo if arguments.capo is None else arguments.capo,
            [string.measured_cents if text is None else None for string in base.strings],
        )
    except ValueError as error:
        place = "--strings" if "string" in str(error) or "note" in str(error) else "the instrument"
        raise UsageError(str(error), place) from None


def own_of(arguments: Arguments) -> tuple[Instrument, ...]:
    """The player's own instruments, the one at hand first."""
    return load_settings(places_of(arguments).settings).instruments


def named_instrument(text: str, own: Sequence[Instrument]) -> Instrument:
    """The player's own instrument of this name, else a ready-made one, or one with these open notes: `G2,D2,A1,E1`."""
    with errors_of("--instrument"):
        if "," in text or any(letter.isdecimal() for letter in text[:3]):
            notes = [note.strip() for note in text.split(",")]
            return on_own(Instrument.of(notes, usual_scale_mm(notes)), own)
        return next((mine for mine in own if mine.name == text), None) or ready_made(text)


def lengths(text: str, option: str) -> list[float]:
    """Lengths in mm typed for an option, with commas between them; UsageError when one is none."""
    if re.fullmatch(r"\d{3,},\d{1,2}", text):
        raise UsageError(f"'{text}' is not a length", option, guess=f"{text.replace(',', '.')}?")
    with errors_of(option):
        return [length_from(part) for part in text.split(",")]


def string_index(instrument: Instrument, text: str, option: str) -> int:
    """The string that a player names: its number (1 the highest), its letter where unique, or its open note."""
    wanted = text.strip()
    spelled = wanted[:1].upper() + wanted[1:]
    strings = instrument.strings
    if 1 <= (whole_number(wanted) or 0) <= len(strings):
        return int(wanted) - 1
    if (index := instrument.strings_by_name.get(spelled)) is not None:
        return index
    there = ", ".join(f"{number}={string.name}" for number, string in enumerate(strings, start=1))
    several = spelled in [string.letter for string in strings]
    raise UsageError(
        f"there {'are several strings' if several else 'is no string'} '{wanted}'; the strings are {there}",
        option,
        guess="write the octave or the number" if several else "",
    )


def described(instrument: Instrument) -> str:
    """One line that names the instrument: `G2 D2 A1 E1, 864 mm, A4 = 440 Hz`."""
    stiff = sorted({string.stiffness_b for string in instrument.strings} - {0.0})
    named = f"{instrument.name}: " if instrument.name else ""
    text = f"{named}{tuning_name(instrument)}, A4 = {instrument.a4_hz:g} Hz"
    return f"{text}, B = {' to '.join(f'{b:g}' for b in (stiff[:1] + stiff[1:][-1:]))}" if stiff else text
