"""Makes a drill of a score: phrases at its marks, layers from its voices, places for its notes.

A stretch that is played again is the same phrase, and the order of phrases writes the repeats out. What was left out
or changed is told bar by bar.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable

from coach.ground.plain import counted
from coach.ground.problem import CoachError, Problem
from coach.music.drill import Drill, Phrase
from coach.score.ids import drill_id
from coach.score.limits import MAX_BAR_NUMBER, MAX_EVENTS_IN_BAR, MAX_NAME, MAX_NOTES, MAX_ORDER, MAX_PHRASES
from coach.score.load import read_drill
from coach.score.phrase_maker import PhraseMaker
from coach.score.score import Score, ScoreBar, ScoreNote, numbered
from coach.score.sections import sections_of
from coach.score.strands import Choices, instrument_of, keep_silent, layers_of, mark_harmonics
from coach.score.write import write_drill
from coach.strings.units import note_name
from coach.words.names import tuning_name

MAX_NOTES_IN_BAR = 1000
SILENT = "left out: nothing to play here"


def arranged(score: Score, choices: Choices, where: str) -> tuple[Drill, str]:
    """The drill and its text, which the checker passes; CoachError where nothing is left to play."""
    order = chosen_bars(score, choices, where)
    mark_harmonics(score, choices, where)
    instrument = choices.instrument or instrument_of(score)
    keep_silent(score, instrument)
    layer_of = layers_of(score, choices)
    for index in sorted(set(order)):
        _refuse_overfull(score.bars[index], layer_of, where)
    sections = sections_of(score, order, choices.every)
    maker = PhraseMaker(score, instrument, layer_of)
    phrases, played = _phrases(maker, sections)
    if not phrases:
        midis = [note.midi for index in order for note in score.bars[index].notes]
        ends = " to ".join(dict.fromkeys(map(note_name, (min(midis), max(midis)))))
        message = f"none of its notes, {ends}, can be played on {tuning_name(instrument)}"
        raise CoachError(message, where, guess="another --instrument?")
    if len(phrases) > MAX_PHRASES:
        guess = "choose fewer --bars, or more with --every"
        raise CoachError(f"{len(phrases)} phrases; at most {MAX_PHRASES}", where, guess=guess)
    if len(played) > MAX_ORDER:
        score.remark("", f"the order is cut after {MAX_ORDER} phrases")
    title = score.title or "Imported piece"
    drill = Drill(
        id=drill_id(title)[:60],
        title=title[:MAX_NAME],
        instrument=instrument,
        tempo=maker.tempo,
        phrases=phrases,
        order=tuple(played[:MAX_ORDER]) if played != [phrase.id for phrase in phrases] else (),
        composer=score.composer[:MAX_NAME],
    )
    return _settled(drill, score, where)


def chosen_bars(score: Score, choices: Choices, where: str) -> list[int]:
    """The bars to be played, in order; CoachError where they are too few, too many or empty."""
    first, last = choices.bars or (0, MAX_BAR_NUMBER)
    order = [index for index in score.order if first <= int(score.bars[index].number) <= last]
    if not order:
        message = f"no bar is left; the file has bars {score.bars[0].number} to {score.bars[-1].number}"
        raise CoachError(message, where, guess="--bars")
    refused = next((score.bars[index] for index in sorted(order) if score.bars[index].refusal), None)
    if refused is not None:
        message = f"bar {refused.number} has {refused.refusal}"
        raise CoachError(message, where, guess="leave it out with --bars, or choose another part")
    count = sum(len(score.bars[index].notes) for index in order)
    if not count:
        raise CoachError(_nothing_to_play(score, choices, where))
    if count > MAX_NOTES:
        message = f"{count:,} notes with all repeats; at most {MAX_NOTES:,}"
        raise CoachError(message, where, guess="choose fewer --bars")
    return order


def _nothing_to_play(score: Score, choices: Choices, where: str) -> Problem:
    """Why a part has no notes, and which other parts there are."""
    drums = any("without a pitch" in what for what in score.remarked)
    message = "it has only notes without a pitch, as for drums" if drums else "it has no notes"
    message += " in these bars" if choices.bars else ""
    guess = "other --bars, or another file" if choices.bars else "choose another file"
    guess = f"another --part: {numbered(score.parts)}" if len(score.parts) > 1 else guess
    return Problem(message, where, guess=guess)


def _phrases(maker: PhraseMaker, sections: Iterable[list[int]]) -> tuple[tuple[Phrase, ...], list[str]]:
    """The phrases, each once, and the ids of those that the sections play."""
    phrases: dict[tuple[int, ...], Phrase] = {}
    played: list[str] = []
    for section in sections:
        bars = tuple(section)
        if bars not in phrases:
            phrase = maker.phrase(section, {other.id for other in phrases.values()})
            if phrase is None:
                for index in section:
                    maker.score.remark(maker.score.bars[index].number, SILENT)
                continue
            phrases[bars] = next((one for one in phrases.values() if _sort(one) == _sort(phrase)), phrase)
        played.append(phrases[bars].id)
    return tuple({phrase.id: phrase for phrase in phrases.values()}.values()), played


def _sort(phrase: Phrase) -> tuple[str, str]:
    """What two phrases share that are one: their bars and, but for the bars' numbers, the name."""
    return phrase.revision, re.sub(r"^bars? .*$", "", phrase.name)


def _refuse_overfull(bar: ScoreBar, layer_of: Callable[[ScoreNote], str], where: str) -> None:
    notes, events = len(bar.notes), len({(note.onset, layer_of(note)) for note in bar.notes})
    if notes > MAX_NOTES_IN_BAR or events > MAX_EVENTS_IN_BAR:
        message = f"bar {bar.number} has {notes:,} notes in {counted(events, 'event')}; a bar of a drill has at most"
        guess = "leave it out with --bars"
        raise CoachError(f"{message} {MAX_NOTES_IN_BAR:,} in {MAX_EVENTS_IN_BAR}", where, guess=guess)


def _settled(draft: Drill, score: Score, where: str) -> tuple[Drill, str]:
    """The drill as its text says it, which is the last proof that the text is good."""
    text = write_drill(draft, ["Imported; look it over.", *score.joined_remarks()])
    drill, problems = read_drill(text, where)
    if drill is None:
        first_error = next(problem.message for problem in problems if problem.severity == "error")
        message = f"this can't become a drill: {first_error}"
        raise CoachError(message, where, guess="choose other --bars or another --part")
    return drill, text
