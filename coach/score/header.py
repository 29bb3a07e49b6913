"""Builds what stands beside the phrases of a drill from the keys read: tempo, click, assignment."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from fractions import Fraction

from coach.ground.fields import Values, did_you_mean, shorten
from coach.ground.plain import listed
from coach.ground.source import Report
from coach.music.drill import AskedPart, Assignment, ClickPattern, Phrase, Tempo
from coach.music.rhythm import MAX_BPM, Meter
from coach.strings.instrument import Instrument
from coach.words.names import place_name


def tempo_of(tempo: Values | None, meter: Meter | None, report: Report) -> Tempo | None:
    """Start and goal; the tempo beat is the meter's counted beat unless it is given."""
    if tempo is None:
        return None
    start, goal = tempo.get("start"), tempo.get("goal")
    if start is None or goal is None:
        return None
    if goal < start:
        message = f"the goal, {goal} bpm, is below the start, {start} bpm"
        report.error(tempo.spot("goal"), message, "swapped?", "tempo.goal")
    return Tempo(start, goal, tempo.get("beat") or (meter.beat_whole if meter else Fraction(1, 4)))


def click_of(click: Values | None) -> ClickPattern:
    """The click pattern, the plain one where it is left out."""
    if click is None:
        return ClickPattern()
    silent, every = click.get("silent", (0, 0))
    return ClickPattern(
        click.get("subdivision", 1), click.get("placing", "beat"), silent, every, click.get("accent", True)
    )


def asked_names(phrases: Iterable[Phrase], instrument: Instrument | None) -> list[str]:
    """What a part of an assignment can name: the phrases by id, then the nodes as people call them."""
    phrases = tuple(phrases)
    notes = (note for phrase in phrases for event in phrase.events for note in event.notes)
    touched = dict.fromkeys((note.string, note.node) for note in notes)
    names = (place_name(instrument.node_key(string, node)) for string, node in touched if instrument and node)
    return [*(phrase.id for phrase in phrases), *dict.fromkeys(names)]


def assignment_of(
    assignment: Values | None, tempo: Tempo | None, names: Sequence[str], report: Report
) -> Assignment | None:
    """The assignment block, None where there is none; `names` are what its parts may name."""
    if assignment is None:
        return None
    goal = assignment.get("goal")
    if goal and tempo and goal < tempo.start_bpm:
        message = f"the goal, {goal} bpm, is below the drill's start, {tempo.start_bpm} bpm"
        report.error(assignment.spot("goal"), message, "", "assignment.goal")
    parts = assignment.get("parts", ())
    for part in parts:
        if message := part_fault(part, names, tempo):
            report.error(assignment.spot("parts"), message, part_guess(part, names), "assignment.parts")
    texts = {name: assignment.get(name, "") for name in ("student", "teacher", "note", "id")}
    return Assignment(goal_bpm=goal, due=assignment.get("due"), parts=parts, **texts)


def part_fault(part: AskedPart, names: Sequence[str], tempo: Tempo | None) -> str:
    """What is wrong with a part of an assignment; empty where nothing is."""
    if part.name not in names:
        return f"'{shorten(part.name)}' is neither a phrase's id nor a node of this drill"
    if part.goal_bpm is None or tempo is None:
        return ""
    if not tempo.start_bpm <= part.goal_bpm <= MAX_BPM:
        return f"{part.goal_bpm} is outside {tempo.start_bpm} (the drill's start) to {MAX_BPM} bpm"
    return ""


def part_guess(part: AskedPart, names: Sequence[str]) -> str:
    """The likely slip of a part that is wrong."""
    if part.name in names:
        return ""
    near = difflib.get_close_matches(part.name, names, n=1)
    return did_you_mean(near[0]) if near else f"known: {listed(names, 8)}"
