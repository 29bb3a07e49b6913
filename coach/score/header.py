"""Reads the blocks of a drill file that stand beside its phrases: instrument, tempo, click, assignment, order.

Every reader takes the node and the report, and gives None or a default after an error.
"""

from __future__ import annotations

from fractions import Fraction

from coach.ground.digits import whole_number
from coach.music.drill import Assignment, ClickPattern, Phrase, Tempo
from coach.music.rhythm import MAX_BPM, MIN_BPM, Meter
from coach.score import keys, values
from coach.score.music import split_guess
from coach.score.reading import Locator, Reading
from coach.score.source import Node, Report, Scalar, Sequence, nearest
from coach.strings.instrument import A4_HZ_RANGE, SCALE_MM_RANGE, STIFFNESS_RANGE, STRINGS_RANGE, Instrument
from coach.strings.ready_made import ready_made
from coach.strings.units import midi_from_note


def instrument_of(node: Node | None, report: Report) -> Instrument | None:
    """The instrument: a block of its strings and scale, or a ready-made one's name."""
    if isinstance(node, Scalar):
        name = values.text_of(node, "instrument", report, keys.MAX_NAME)
        try:
            return ready_made(name) if name else None
        except ValueError as error:
            report.error(node, *split_guess(str(error)), "instrument")
            return None
    block = values.block(
        node, "instrument", "instrument", report, "{strings: [G2, D2, A1, E1], scale_mm: 864}"
    )
    if block is None:
        return None
    before = len(report.problems)
    notes = values.scalars(block.get("strings"), "instrument.strings", report, "[G2, D2, A1, E1]")
    if notes and len(notes) > STRINGS_RANGE[1]:
        message = f"{len(notes)} strings is outside {STRINGS_RANGE[0]} to {STRINGS_RANGE[1]} strings"
        report.error(block.get("strings"), message, "", "instrument.strings")
        return None
    pitches = []
    for note in notes or ():
        try:
            pitches.append(midi_from_note(note.text))
        except ValueError as error:
            report.error(note, *split_guess(str(error)), "instrument.strings")
    scale = values.number(block.get("scale_mm"), "instrument.scale_mm", SCALE_MM_RANGE, " mm", report)
    a4_hz = values.number(block.get("a4_hz"), "instrument.a4_hz", A4_HZ_RANGE, " Hz", report)
    name = values.id_of(block.get("name"), "instrument.name", report) if block.get("name") else ""
    stiffness = stiffness_of(block.get("stiffness"), report)
    if len(report.problems) > before or notes is None or scale is None:
        return None
    if len(pitches) > 1 and pitches == sorted(set(pitches)):
        report.warn(
            block.get("strings"),
            "these strings go upward; the highest string is written first, as tab is read",
            "turn the list around",
            "instrument.strings",
        )
    try:
        return Instrument.of([note.text for note in notes], scale, a4_hz or 440.0, name, stiffness)
    except ValueError as error:
        report.error(block.get("strings") or block, *split_guess(str(error)), "instrument.strings")
        return None


def stiffness_of(node: Node | None, report: Report) -> float | list[float]:
    """One stiffness for all strings, or one for each; 0 where it is left out."""
    if isinstance(node, Sequence):
        read = [
            values.number(item, "instrument.stiffness", STIFFNESS_RANGE, "", report) for item in node.items
        ]
        return [value or 0.0 for value in read]
    return values.number(node, "instrument.stiffness", STIFFNESS_RANGE, "", report) or 0.0


def tempo_of(node: Node | None, meter: Meter | None, report: Report) -> Tempo | None:
    """Start and goal; the tempo beat is the meter's counted beat unless it is given."""
    block = values.block(node, "tempo", "tempo", report, "{start: 50, goal: 80}")
    if block is None:
        return None
    bpm = (MIN_BPM, MAX_BPM)
    start = values.integer(block.get("start"), "tempo.start", bpm, " bpm", report)
    goal = values.integer(block.get("goal"), "tempo.goal", bpm, " bpm", report)
    beat = values.fraction(block.get("beat"), "tempo.beat", report)
    if start is None or goal is None:
        return None
    if goal < start:
        report.error(
            block.get("goal"),
            f"the goal, {goal} bpm, is below the start, {start} bpm",
            "swapped?",
            "tempo.goal",
        )
    return Tempo(start, goal, beat or (meter.beat_whole if meter else Fraction(1, 4)))


def click_of(node: Node | None, report: Report) -> ClickPattern:
    """The click pattern, the plain one where it is left out."""
    block = values.block(node, "click", "click", report, "{subdivision: 2}")
    if block is None:
        return ClickPattern()
    subdivision = values.integer(
        block.get("subdivision"), "click.subdivision", keys.SUBDIVISION_RANGE, " clicks to a beat", report
    )
    placing = values.text_of(block.get("placing"), "click.placing", report, keys.MAX_NAME)
    names = {"": "beat", "beat": "beat", "bar": "bar", "offbeat": "off", "off": "off"}
    if placing not in names:
        close = nearest(placing, ["beat", "bar", "offbeat"])
        report.error(
            block.get("placing"),
            f"'{placing}' is no placing; allowed are beat, bar, offbeat",
            f"did you mean {close}?" if close else "",
            "click.placing",
        )
    silent, every = silent_of(block.get("silent"), report)
    accent = values.truth(block.get("accent"), "click.accent", report, True)
    return ClickPattern(subdivision or 1, names.get(placing, "beat"), silent, every, accent)  # type: ignore[arg-type]


def silent_of(node: Node | None, report: Report) -> tuple[int, int]:
    """Bars without a click and of how many: `1 of 4` is (1, 4)."""
    if node is None:
        return 0, 0
    words = node.text.split() if isinstance(node, Scalar) else []
    if len(words) == 3 and words[1] == "of":
        silent, every = whole_number(words[0]) or 0, whole_number(words[2]) or 0
        if 0 < silent < every <= 64:
            return silent, every
    report.error(
        node,
        f"{values.kind_of(node)} is no `N of M`; `1 of 4` leaves the last of each four bars without a click",
        "N is at least 1 and below M, M at most 64",
        "click.silent",
    )
    return 0, 0


def assignment_of(node: Node | None, tempo: Tempo | None, report: Report) -> Assignment | None:
    """The assignment block, None where there is none."""
    block = values.block(node, "assignment", "assignment", report, "{goal: 72, due: 2026-12-24}")
    if block is None:
        return None
    texts = {
        name: values.text_of(block.get(name), f"assignment.{name}", report, limit)
        for name, limit in (
            ("student", keys.MAX_NAME),
            ("teacher", keys.MAX_NAME),
            ("note", keys.MAX_TEXT),
            ("id", keys.MAX_NAME),
        )
    }
    goal = values.integer(block.get("goal"), "assignment.goal", (MIN_BPM, MAX_BPM), " bpm", report)
    if goal and tempo and goal < tempo.start_bpm:
        report.error(
            block.get("goal"),
            f"the goal, {goal} bpm, is below the drill's start, {tempo.start_bpm} bpm",
            "",
            "assignment.goal",
        )
    due = values.day_of(block.get("due"), "assignment.due", report)
    return Assignment(goal_bpm=goal, due=due, **texts)


def piece_order(
    node: Node | None, phrases: list[Phrase], reading: Reading, report: Report
) -> tuple[str, ...]:
    """Phrase ids as the piece plays them, repeats written out; empty where the file gives no order."""
    if node is None:
        return ()
    pieces = node.items if isinstance(node, Sequence) else (node,)
    ids = {phrase.id: phrase.id for phrase in phrases}
    names: dict[str, list[str]] = {}
    for phrase in phrases:
        names.setdefault(phrase.name, []).append(phrase.id)

    def find(name: str) -> str | None:
        if name in ids:
            return name
        found = names.get(name, [])
        return found[0] if len(found) == 1 else None

    order: list[str] = []
    for piece in pieces:
        if not isinstance(piece, Scalar):
            report.error(
                piece,
                f"{values.kind_of(piece)} stands where a phrase's name belongs",
                "as in `intro, theme x2`",
                "order",
            )
            continue
        part, faults = values.order_of(piece.text, find, [*names, *ids])
        locate = Locator(reading.text, piece)
        for offset, message, guess in faults:
            report.error(locate.spot(offset), message, guess, "order")
        order.extend(part)
    if len(order) > keys.MAX_ORDER:
        report.error(node, f"the order has {len(order)} phrases; at most {keys.MAX_ORDER}", "", "order")
        return ()
    sizes = {phrase.id: _sizes(phrase) for phrase in phrases}
    limits = (keys.MAX_PIECE_BARS, keys.MAX_BEATS, keys.MAX_NOTES)
    for what, limit, index in zip(("bars", "beats", "notes"), limits, range(3), strict=True):
        if (found := sum(sizes[name][index] for name in order)) > limit:
            message = f"in this order the piece has {float(found):,.0f} {what}; at most {limit:,}"
            report.error(node, message, "fewer repeats?", "order")
            return ()
    if not order and not report.failed:
        report.error(node, "the order names no phrase", "delete the line", "order")
    missing = [phrase.name for phrase in phrases if phrase.id not in order]
    if missing and order:
        report.warn(node, f"the order leaves out {', '.join(missing)}", "", "order")
    return tuple(order)


def _sizes(phrase: Phrase) -> tuple[int, Fraction, int]:
    """Bars, counted beats and notes."""
    notes = sum(len(event.notes) for bar in phrase.bars for event in bar.events)
    return len(phrase.bars), sum((bar.length for bar in phrase.bars), Fraction(0)), notes
