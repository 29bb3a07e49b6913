"""A fingering as text tab and as a table of costs, in plain text for commands and screens alike."""

from __future__ import annotations

from collections.abc import Sequence

from coach.strings.fingering import Choice, Fingering
from coach.strings.instrument import Instrument
from coach.strings.reach import FingeringSettings, Place
from coach.strings.units import note_name


def onset_numbers(fingering: Fingering) -> list[int]:
    """For each choice the number, from 1, of its onset: what starts together has one number."""
    numbers: list[int] = []
    for i, choice in enumerate(fingering.choices):
        same = i > 0 and choice.note.onset_s == fingering.choices[i - 1].note.onset_s
        numbers.append(numbers[-1] + (not same) if numbers else 1)
    return numbers


def tab_lines(instrument: Instrument, fingering: Fingering, width: int) -> list[str]:
    """The fingering as text tab, at most `width` columns: onset numbers, then a line a string, highest first.

    A harmonic is written `<3.2>`. Columns are onsets, not time. A new system starts where a line is full, after an
    empty line.
    """
    columns: list[dict[int, str]] = []
    for number, choice in zip(onset_numbers(fingering), fingering.choices, strict=True):
        if number > len(columns):
            columns.append({})
        columns[-1][choice.place.string] = choice.place.text
    labels = [instrument.string_label(string) for string in range(len(instrument.strings))]
    gutter = max(len(label) for label in labels)
    widths = [max(len(str(number)), *map(len, column.values())) for number, column in enumerate(columns, 1)]
    lines: list[str] = []
    first = 0
    while first < len(columns):
        last, used = first, gutter + 2
        while last < len(columns) and (last == first or used + widths[last] + 1 <= width):
            used += widths[last] + 1
            last += 1
        span = range(first, last)
        if lines:
            lines.append("")
        lines.append((" " * (gutter + 2) + " ".join(f"{i + 1:<{widths[i]}}" for i in span)).rstrip())
        for string, label in enumerate(labels):
            cells = "-".join(f"{columns[i].get(string, ''):-<{widths[i]}}" for i in span)
            lines.append(f"{label:<{gutter}}|-{cells}-")
        first = last
    return lines


def cost_lines(instrument: Instrument, fingering: Fingering) -> list[str]:
    """A line a note: where, what it costs and why, and its second best with how much more the whole would cost."""
    lines = ["  #  note at        cents  touch tune move speed reach  cut   all  second best"]
    for number, choice in zip(onset_numbers(fingering), fingering.choices, strict=True):
        cost = choice.cost
        second = ""
        if choice.second is not None:
            second = f"{place_text(instrument, choice.second):<10}+{choice.second_extra_cost:.1f}"
        cents = "" if choice.layer == "bass" else f"{round(choice.place.offset_cents):+d}"
        lines.append(
            f"{number:>3}  {note_name(choice.note.midi):<4} {place_text(instrument, choice.place):<10}"
            f"{cents:>4}  {cost.finger:5.1f}{cost.tune:5.1f}{cost.move:5.1f}{cost.speed:6.1f}"
            f"{cost.reach:6.1f}{cost.cut:5.1f}{cost.total:6.1f}  {second}".rstrip()
        )
    return lines


def warning_lines(instrument: Instrument, fingering: Fingering, settings: FingeringSettings) -> list[str]:
    """What the player should know of a fingering: rings cut short, spans beyond the reach, hurried moves."""
    numbers = onset_numbers(fingering)
    lines = []
    for i, choice in enumerate(fingering.choices):
        at = f"{numbers[i]}: {place_text(instrument, choice.place)}"
        if choice.cuts is not None:
            early = fingering.choices[choice.cuts].note.end_s - choice.note.onset_s
            lines.append(
                f"{at} needs the string {early:.2f} s before note {numbers[choice.cuts]} has rung out"
            )
        if choice.span_mm > settings.reach_mm:
            lines.append(
                f"{at} is {choice.span_mm:.0f} mm from what is held; the reach is {settings.reach_mm:g} mm"
            )
        if choice.cost.speed > 1.0:
            lines.append(
                f"{at} is a move of {choice.move_mm:.0f} mm, faster than {settings.hand_speed_mm_s:g} mm/s"
            )
    return lines


def place_text(instrument: Instrument, place: Place) -> str:
    """A place in words: `D<3.2>`, `A:3`, `A:3<15> p`; p where the plucking hand touches."""
    hand = " p" if place.plucking_hand else ""
    colon = "" if place.fret is None else ":"
    return f"{instrument.string_label(place.string)}{colon}{place.text}{hand}"


def has_plucking_hand(choices: Sequence[Choice]) -> bool:
    """Whether any place is touched by the plucking hand, so that the sign needs its legend."""
    return any(
        choice.place.plucking_hand or (choice.second is not None and choice.second.plucking_hand)
        for choice in choices
    )
