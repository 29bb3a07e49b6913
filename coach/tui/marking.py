"""Marking what failed with few keys: which mark a key makes and how marks look.

Conventions: labels count from 1. The brush is the result that marking gives: choked at first. A key pressed on an
event with several notes goes round: the whole event, each note alone, nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from coach.music.excerpt import Passage, PlacedEvent
from coach.rating.fault import Fault, causes_of
from coach.rating.table import CHOKED, Cause, Result
from coach.session.states import Marks
from coach.strings.instrument import Instrument
from coach.tui.canvas import Role


def pressed(label: int, brush: Result, marks: Iterable[Fault], event: PlacedEvent) -> Fault:
    """The fault to send when the key of an event is pressed; sending a fault that stands takes it back."""
    standing = next((mark for mark in marks if mark.label == label), None)
    if standing is None or standing.result is not brush:
        return Fault(label, brush)
    if brush.by_note and len(event.notes) > 1 and standing.note < len(event.notes):
        return replace(standing, note=standing.note + 1)
    return standing


def brush_on(label: int, brush: Result, marks: Marks) -> Result:
    """What the key of an event gives: what was heard of it, until that is taken back or another brush chosen."""
    heard = next((one.mark for one in marks.suggested if one.label == label and one.heard), None)
    stands = [fault.result for fault in (*marks.offers(), *marks.faults) if fault.label == label]
    return heard if heard in stands and heard and brush is CHOKED else brush


def next_cause(fault: Fault) -> Fault:
    """The same fault with its next cause: not told, then each that its result takes."""
    reasons: tuple[Cause | None, ...] = (None, *causes_of(fault.result))
    return replace(fault, cause=reasons[(reasons.index(fault.cause) + 1) % len(reasons)])


def takes(result: Result, cause: Cause | None) -> bool:
    """Whether a result takes this cause, or any where none is named."""
    return cause in causes_of(result) if cause else bool(causes_of(result))


def signs(marks: Iterable[Fault], passage: Passage, instrument: Instrument) -> dict[int, tuple[str, Role]]:
    """Label to the sign and role that the lane shows: `×`, or `×D` where only that string's note choked."""
    shown: dict[int, tuple[str, Role]] = {}
    for fault in marks:
        sign = fault.result.sign
        if fault.note:
            sign += instrument.string_label(passage.event(fault.label).notes[fault.note - 1].note.string)
        shown[fault.label] = (sign, fault.result.ink)
    return shown
