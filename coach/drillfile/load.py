"""Reads a drill file: YAML text to a `Drill`, with every problem and every place in the text.

Conventions as in `coach.core.drill`; the format is described in docs/drill-format.md. All problems of a file are
collected before anything is raised. A repeated bar (`times`) is written out: its copies share their places.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path

from coach.core.drill import TOGETHER, Assignment, Bar, ClickPattern, Drill, Event, Note, Phrase, Tempo
from coach.core.instruments import ready_made
from coach.core.problem import CoachError, Problem
from coach.core.rhythm import MAX_BPM, MIN_BPM, Meter, count_text
from coach.core.strings import A4_HZ_RANGE, SCALE_MM_RANGE, STIFFNESS_RANGE, Instrument
from coach.core.units import midi_from_note
from coach.drillfile import keys, values
from coach.drillfile.ids import drill_id, phrase_id
from coach.drillfile.music import Placement, Resolver, _split_guess, default_holds
from coach.drillfile.notation import NotationError, looks_like_events, read_beats, read_events
from coach.drillfile.source import (
    Mapping,
    Node,
    Report,
    Scalar,
    Sequence,
    Spot,
    compose,
    nearest,
    read_text,
    split_lines,
)


@dataclass(frozen=True, slots=True)
class Repair:
    """A sure repair: put `wanted` in place of the characters `start` to `stop` of the text."""

    start: int
    stop: int
    wanted: str


@dataclass
class Reading:
    """What a drill file's text holds: the drill where there are no errors, every problem, every place."""

    text: str
    drill: Drill | None = None
    problems: list[Problem] = field(default_factory=list)
    events: dict[tuple[int, int, str, Fraction], Spot] = field(default_factory=dict)
    """Place of an event by phrase index, bar index (repeats written out), layer and beat."""
    phrases: list[Spot] = field(default_factory=list)
    repairs: list[Repair] = field(default_factory=list)
    root: Mapping | None = None


def load_drill(path: Path | str) -> Drill:
    """The drill in a file; CoachError with every error found where there is none."""
    drill, problems = read_drill(read_text(path), str(path))
    if drill is None:
        raise CoachError([problem for problem in problems if problem.severity == "error"])
    return drill


def read_drill(text: str, where: str) -> tuple[Drill | None, list[Problem]]:
    """The drill in a text, None where it has errors, and every problem: errors and warnings, in the text's order."""
    reading = read_reading(text, where)
    return reading.drill, reading.problems


def read_reading(text: str, where: str) -> Reading:
    """As `read_drill`, with the places of events and the sure repairs."""
    report = Report(where, split_lines(text))
    reading = Reading(text)
    root = compose(text, report)
    if isinstance(root, Mapping):
        reading.root = root
        if _version_fits(root, report):
            reader = _Reader(report, reading)
            drill = reader.drill(root, where)
            if drill is not None and not report.failed:
                reading.drill = drill
    elif root is not None:
        report.error(
            root,
            "a drill is a block of keys, and this is " + values.kind_of(root),
            "it starts with `drill: 1`",
        )
    reading.problems = sorted(report.problems, key=lambda problem: (problem.line, problem.column))
    if len(reading.problems) > 200:
        more = len(reading.problems) - 200
        reading.problems = [*reading.problems[:200], Problem(f"and {more} more problems", where)]
    return reading


def _version_fits(root: Mapping, report: Report) -> bool:
    node = root.get("drill")
    if node is None:
        return True
    found = node.text.strip() if isinstance(node, Scalar) else ""
    if found == str(keys.FORMAT_VERSION):
        return True
    if found.isdecimal() and int(found) > keys.FORMAT_VERSION:
        report.error(
            node,
            f"this drill is written in version {found} of the format; this program reads version "
            f"{keys.FORMAT_VERSION}",
            "a newer version of the program can read it",
            "drill",
        )
        return False
    report.error(
        node, f"{values.kind_of(node)} is no version of the format; it is 1", "write `drill: 1`", "drill"
    )
    return True


@dataclass
class _Draft:
    """An event before holds are known."""

    bar: int
    layer: str
    beat: Fraction
    onset: Fraction
    """In whole notes from the phrase's start."""
    notes: tuple[Note, ...]
    hold: Fraction | None
    """In whole notes."""
    spot: Spot
    hold_spot: Spot


@dataclass
class _BarDraft:
    meter: Meter
    length: Fraction
    start: Fraction
    """In whole notes from the phrase's start."""
    ratios: tuple[Fraction, Fraction]
    cue: str = ""
    dynamics: str = ""


@dataclass
class _Reader:
    report: Report
    reading: Reading
    resolver: Resolver | None = None
    layer_spots: dict[str, Spot] = field(default_factory=dict)
    layer_uses: dict[str, int] = field(default_factory=dict)
    bars_read: int = 0

    def drill(self, root: Mapping, where: str) -> Drill | None:
        report = self.report
        values.check_keys(root, "", keys.DRILL, report)
        title = values.text_of(root.get("title"), "title", report, keys.MAX_NAME)
        given_id = values.id_of(root.get("id"), "id", report) if root.get("id") else ""
        instrument = self.instrument(root.get("instrument"))
        if instrument is not None:
            self.resolver = Resolver(instrument)
        meter = values.meter_of(root.get("meter"), "meter", report)
        tempo = self.tempo(root.get("tempo"), meter)
        click = self.click(root.get("click"))
        count_in = values.integer(root.get("count_in"), "count_in", keys.COUNT_IN_RANGE, " bars", report)
        assignment = self.assignment(root.get("assignment"), tempo)
        tags = values.scalars(root.get("tags"), "tags", report, "[first look, two strings]") or []
        phrases = self.phrases(root.get("phrases"), meter)
        self.check_layer_names()
        order = self.order(root.get("order"), phrases)
        about = values.text_of(root.get("about"), "about", report)
        composer = values.text_of(root.get("composer"), "composer", report, keys.MAX_NAME)
        if report.failed or instrument is None or tempo is None:
            return None
        return Drill(
            id=given_id or drill_id(title),
            title=title,
            instrument=instrument,
            tempo=tempo,
            phrases=tuple(phrases),
            order=order,
            about=about,
            click=click,
            count_in_bars=count_in or 1,
            assignment=assignment,
            composer=composer,
            tags=tuple(tag.text for tag in tags),
            path=where,
        )

    def instrument(self, node: Node | None) -> Instrument | None:
        report = self.report
        if isinstance(node, Scalar):
            name = values.text_of(node, "instrument", report, keys.MAX_NAME)
            try:
                return ready_made(name) if name else None
            except ValueError as error:
                report.error(node, *_split_guess(str(error)), "instrument")
                return None
        block = values.block(
            node, "instrument", "instrument", report, "{strings: [G2, D2, A1, E1], scale_mm: 864}"
        )
        if block is None:
            return None
        before = len(report.problems)
        notes = values.scalars(block.get("strings"), "instrument.strings", report, "[G2, D2, A1, E1]")
        pitches = []
        for note in notes or ():
            try:
                pitches.append(midi_from_note(note.text))
            except ValueError as error:
                report.error(note, *_split_guess(str(error)), "instrument.strings")
        scale = values.number(block.get("scale_mm"), "instrument.scale_mm", SCALE_MM_RANGE, " mm", report)
        a4_hz = values.number(block.get("a4_hz"), "instrument.a4_hz", A4_HZ_RANGE, " Hz", report)
        name = values.id_of(block.get("name"), "instrument.name", report) if block.get("name") else ""
        stiffness = self.stiffness(block.get("stiffness"))
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
            report.error(block.get("strings") or block, *_split_guess(str(error)), "instrument.strings")
            return None

    def stiffness(self, node: Node | None) -> float | list[float]:
        if isinstance(node, Sequence):
            read = [
                values.number(item, "instrument.stiffness", STIFFNESS_RANGE, "", self.report)
                for item in node.items
            ]
            return [value or 0.0 for value in read]
        return values.number(node, "instrument.stiffness", STIFFNESS_RANGE, "", self.report) or 0.0

    def tempo(self, node: Node | None, meter: Meter | None) -> Tempo | None:
        report = self.report
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

    def click(self, node: Node | None) -> ClickPattern:
        report = self.report
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
        silent, every = self.silent(block.get("silent"))
        accent = values.truth(block.get("accent"), "click.accent", report, True)
        return ClickPattern(subdivision or 1, names.get(placing, "beat"), silent, every, accent)  # type: ignore[arg-type]

    def silent(self, node: Node | None) -> tuple[int, int]:
        if node is None:
            return 0, 0
        words = node.text.split() if isinstance(node, Scalar) else []
        if len(words) == 3 and words[1] == "of" and words[0].isdecimal() and words[2].isdecimal():
            silent, every = int(words[0]), int(words[2])
            if 0 < silent < every <= 64:
                return silent, every
        self.report.error(
            node,
            f"{values.kind_of(node)} is no `N of M`; `1 of 4` leaves the last of each four bars without a click",
            "N is at least 1 and below M, M at most 64",
            "click.silent",
        )
        return 0, 0

    def assignment(self, node: Node | None, tempo: Tempo | None) -> Assignment | None:
        report = self.report
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

    def phrases(self, node: Node | None, meter: Meter | None) -> list[Phrase]:
        report = self.report
        if node is None:
            return []
        if not isinstance(node, Sequence) or not node.items:
            report.error(
                node,
                f"{values.kind_of(node)} stands where the list of phrases belongs",
                "as in `- name: opening`",
                "phrases",
            )
            return []
        if len(node.items) > keys.MAX_PHRASES:
            report.error(
                node, f"{len(node.items)} phrases; a drill has at most {keys.MAX_PHRASES}", "", "phrases"
            )
            return []
        taken: dict[str, Node] = {}
        for index, item in enumerate(node.items):
            given = item.get("id") if isinstance(item, Mapping) else None
            found = values.id_of(given, f"phrases[{index}].id", report) if given else ""
            if found and found in taken:
                report.error(
                    given,
                    f"the id `{found}` is taken by the phrase on line {taken[found].line}",
                    "",
                    f"phrases[{index}].id",
                )
            elif found:
                taken[found] = item
        ids = set(taken)
        phrases = []
        for index, item in enumerate(node.items):
            phrase = self.phrase(item, index, meter, ids)
            if phrase is not None:
                ids.add(phrase.id)
                phrases.append(phrase)
        return phrases

    def phrase(self, node: Node, index: int, meter: Meter | None, ids: set[str]) -> Phrase | None:
        report, where = self.report, f"phrases[{index}]"
        block = values.block(node, where, "phrases", report, "- name: opening")
        self.reading.phrases.append(Spot(node.line, node.column))
        if block is None:
            return None
        name = values.text_of(block.get("name"), f"{where}.name", report, keys.MAX_NAME)
        given = block.get("id")
        found = given.text.strip() if isinstance(given, Scalar) else ""
        own_meter = (
            values.meter_of(block.get("meter"), f"{where}.meter", report) if block.get("meter") else None
        )
        cue = values.text_of(block.get("cue"), f"{where}.cue", report)
        made = found or phrase_id(name, index + 1, ids)
        bars, layers = self.bars(block.get("bars"), where, index, own_meter or meter or Meter.of(4, 4))
        return Phrase(made, name or made, tuple(bars), tuple(layers), cue)

    def bars(self, node: Node | None, where: str, phrase: int, meter: Meter) -> tuple[list[Bar], list[str]]:
        report = self.report
        if node is None:
            return [], []
        if not isinstance(node, Sequence) or not node.items:
            report.error(
                node,
                f"{values.kind_of(node)} stands where the list of bars belongs",
                "as in `- bass: 1 E:0`",
                f"{where}.bars",
            )
            return [], []
        drafts: list[_Draft] = []
        bars: list[_BarDraft] = []
        ratio = Fraction(1)
        start = Fraction(0)
        layers: dict[str, None] = {}
        for index, item in enumerate(node.items):
            place = f"{where}.bars[{index}]"
            if not isinstance(item, Mapping):
                report.error(
                    item, f"{values.kind_of(item)} stands where a bar belongs", "as in `- bass: 1 E:0`", place
                )
                continue
            meter = values.meter_of(item.get("meter"), f"{place}.meter", report) or meter
            change = values.percents(item.get("tempo"), f"{place}.tempo", report)
            ratios = change or (ratio, ratio)
            ratio = ratios[1]
            length = self.length(item.get("pickup"), f"{place}.pickup", meter, index)
            cue = values.text_of(item.get("cue"), f"{place}.cue", report)
            dynamics = values.text_of(item.get("dynamics"), f"{place}.dynamics", report, keys.MAX_NAME)
            times = (
                values.integer(item.get("times"), f"{place}.times", (1, keys.MAX_TIMES), " times", report)
                or 1
            )
            self.bars_read += times
            if self.bars_read > keys.MAX_BARS:
                report.error(
                    item, f"this is bar {self.bars_read}; a drill has at most {keys.MAX_BARS} bars", "", place
                )
                return [], []
            draft = _BarDraft(meter, length, start, ratios, cue, dynamics)
            inside = self.layer_events(item, place, draft, len(bars))
            for _ in range(times):
                shift = start - draft.start
                drafts.extend(replace(event, bar=len(bars), onset=event.onset + shift) for event in inside)
                bars.append(replace(draft, start=start))
                start += length * meter.beat_whole
            for event in inside:
                layers.setdefault(event.layer)
            if len(layers) > keys.MAX_LAYERS:
                report.error(
                    item, f"{len(layers)} layers in one phrase; at most {keys.MAX_LAYERS}", "", place
                )
                return [], []
        return self.finished(bars, drafts, list(layers), phrase, start), list(layers)

    def length(self, node: Node | None, where: str, meter: Meter, index: int) -> Fraction:
        full = Fraction(meter.beats)
        if node is None:
            return full
        if index:
            self.report.error(
                node, "only a phrase's first bar can be a pick-up", "start a new phrase here?", where
            )
            return full
        found = node.text.strip() if isinstance(node, Scalar) else ""
        try:
            length = read_beats(found)
        except ValueError as error:
            self.report.error(node, str(error), "a pick-up is a number of beats", where)
            return full
        if length >= full:
            self.report.error(
                node, f"a pick-up of {found} beats is no shorter than a bar of {meter}", "leave it out", where
            )
            return full
        return length

    def layer_events(self, bar: Mapping, where: str, draft: _BarDraft, number: int) -> list[_Draft]:
        drafts: list[_Draft] = []
        for key, node in bar.pairs:
            if key.text in keys.BAR:
                continue
            if not self.layer_name_fits(key, node, where):
                continue
            place = f"{where}.{key.text}"
            pieces = node.items if isinstance(node, Sequence) else (node,)
            before = len(drafts)
            for piece in pieces:
                if not isinstance(piece, Scalar):
                    self.report.error(
                        piece,
                        f"{values.kind_of(piece)} stands where events belong",
                        "as in `1 E:0, 3 A:0`",
                        place,
                    )
                    continue
                drafts.extend(self.text_events(piece, key, place, draft, number))
            if not isinstance(node, Sequence | Scalar):
                continue
            self.check_order(drafts[before:], draft, place)
        if len(drafts) > keys.MAX_EVENTS_IN_BAR:
            self.report.error(
                bar, f"{len(drafts)} events in one bar; at most {keys.MAX_EVENTS_IN_BAR}", "", where
            )
            return []
        self.check_collisions(drafts, where)
        return drafts

    def layer_name_fits(self, key: Scalar, node: Node, where: str) -> bool:
        name = key.text
        close = nearest(name, keys.BAR, 0.75)
        if close and not (isinstance(node, Scalar) and looks_like_events(node.text)):
            self.report.error(
                key, f"`{name}` is taken for a layer, and holds no events", f"did you mean `{close}`?", where
            )
            return False
        if name == TOGETHER:
            self.report.error(
                key, f"no layer can be called `{name}`: that is the name of all layers at once", "", where
            )
            return False
        if not keys.LAYER.fullmatch(name):
            self.report.error(
                key, f"`{values.shorten(name)}` is no name for a layer; {keys.LAYER_RULE}", "", where
            )
            return False
        if (
            name in keys.PHRASE
            and name not in self.layer_spots
            and not (isinstance(node, Scalar) and looks_like_events(node.text))
        ):
            self.report.error(
                key, f"`{name}` belongs to the phrase, not to a bar", "check the indentation", where
            )
            return False
        self.layer_spots.setdefault(name, Spot(key.line, key.column))
        self.layer_uses[name] = self.layer_uses.get(name, 0) + 1
        return True

    def text_events(self, node: Scalar, key: Scalar, where: str, bar: _BarDraft, number: int) -> list[_Draft]:
        text = node.text
        locate = _Locator(self.reading.text, node)
        if not text.strip():
            self.report.error(key, f"`{key.text}` has no events", "leave the layer out of this bar", where)
            return []
        events, faults = read_events(text)
        for fault in faults:
            self.fault(fault, locate, where)
        first = bar.meter.beats - bar.length
        drafts = []
        for event in events:
            notes = []
            for written in event.notes:
                if self.resolver is None:
                    continue
                try:
                    note = self.resolver.note(written)
                except NotationError as fault:
                    self.fault(fault, locate, where)
                    continue
                if event.ending:
                    note = replace(note, ending="damp" if event.ending == "damp" else "ring")
                notes.append((written, note))
            spot = locate.spot(event.offset)
            seen: set[int] = set()
            for written, note in notes:
                if note.string in seen:
                    self.report.error(
                        locate.spot(written.offset),
                        f"string {written.string} is struck twice at once",
                        "one note to a string; another string?",
                        where,
                    )
                seen.add(note.string)
            if not self.beat_fits(event.beat, bar, first, spot, where) or len(notes) < len(event.notes):
                continue
            onset = bar.start + (event.beat - first) * bar.meter.beat_whole
            hold = event.hold * bar.meter.beat_whole if event.hold is not None else None
            hold_spot = locate.spot(event.hold_offset) if hold is not None else spot
            drafts.append(
                _Draft(
                    number,
                    key.text,
                    event.beat,
                    onset,
                    tuple(note for _, note in notes),
                    hold,
                    spot,
                    hold_spot,
                )
            )
        return drafts

    def beat_fits(self, beat: Fraction, bar: _BarDraft, first: Fraction, spot: Spot, where: str) -> bool:
        beats = bar.meter.beats
        if first <= beat < beats:
            return True
        shown = count_text(beat)
        if beat >= beats:
            guess = "a bar too long: does it belong to the next bar?"
            if int(beat) + 1 > 9 and len(str(int(beat) + 1)) == 2:
                guess = (
                    f"did you mean {str(int(beat) + 1)[0]}.{str(int(beat) + 1)[1]}, or is the bar too long?"
                )
            self.report.error(
                spot,
                f"beat {shown} is past the end of the bar; {bar.meter} has beats 1 to {beats}",
                guess,
                where,
            )
        else:
            self.report.error(
                spot,
                f"beat {shown} lies before this pick-up bar, which starts at beat {count_text(first)}",
                "beats of a pick-up are counted up to the bar line",
                where,
            )
        return False

    def check_order(self, drafts: list[_Draft], bar: _BarDraft, where: str) -> None:
        last: _Draft | None = None
        for event in drafts:
            if last is not None and event.beat == last.beat:
                self.report.error(
                    event.spot,
                    f"beat {count_text(event.beat)} is given twice in this layer",
                    "join notes struck together by +",
                    where,
                )
            elif last is not None and event.beat < last.beat:
                self.report.error(
                    event.spot,
                    f"beat {count_text(event.beat)} comes after beat {count_text(last.beat)}",
                    "write the events in the order of their beats",
                    where,
                )
            last = event

    def check_collisions(self, drafts: list[_Draft], where: str) -> None:
        used: dict[tuple[Fraction, int], str] = {}
        for event in drafts:
            for note in event.notes:
                other = used.setdefault((event.beat, note.string), event.layer)
                if other != event.layer and self.resolver is not None:
                    label = self.resolver.instrument.string_label(note.string)
                    self.report.error(
                        event.spot,
                        f"string {label} is struck at beat {count_text(event.beat)} by {other} too",
                        "one of them on another string?",
                        f"{where}.{event.layer}",
                    )

    def fault(self, fault: NotationError, locate: _Locator, where: str) -> None:
        self.report.error(locate.spot(fault.offset), fault.message, fault.guess, where)
        if fault.repair is not None:
            start = locate.offset(fault.offset)
            found, wanted = fault.repair
            if start is not None and self.reading.text.startswith(found, start):
                self.reading.repairs.append(Repair(start, start + len(found), wanted))

    def finished(
        self, bars: list[_BarDraft], drafts: list[_Draft], layers: list[str], phrase: int, end: Fraction
    ) -> list[Bar]:
        drafts.sort(key=lambda event: (event.onset, layers.index(event.layer)))
        holds = default_holds(
            [
                Placement(
                    event.layer,
                    event.onset,
                    frozenset(note.string for note in event.notes),
                    frozenset(note.string for note in event.notes if note.node),
                    event.hold,
                )
                for event in drafts
            ],
            end,
        )
        inside: list[list[Event]] = [[] for _ in bars]
        for event, hold in zip(drafts, holds, strict=True):
            bar = bars[event.bar]
            if event.hold is not None and hold < event.hold:
                over = (event.hold - hold) / bar.meter.beat_whole
                self.report.warn(
                    event.hold_spot,
                    f"this hold goes {over} beats past the end of the phrase; it stops there",
                    f"for {(hold / bar.meter.beat_whole)}",
                    f"phrases[{phrase}]",
                )
            self.reading.events[phrase, event.bar, event.layer, event.beat] = event.spot
            inside[event.bar].append(
                Event(
                    event.layer, event.beat, hold / bar.meter.beat_whole, event.notes, event.hold is not None
                )
            )
        return [
            Bar(bar.meter, bar.length, tuple(events), bar.cue, bar.dynamics, *bar.ratios)
            for bar, events in zip(bars, inside, strict=True)
        ]

    def check_layer_names(self) -> None:
        """Warn of a layer used once whose name is nearly that of one used more often."""
        for name, uses in self.layer_uses.items():
            others = [other for other, count in self.layer_uses.items() if other != name and count > uses]
            if uses == 1 and (close := nearest(name, others, 0.8)):
                self.report.warn(
                    self.layer_spots[name],
                    f"the layer `{name}` appears in this bar only",
                    f"did you mean `{close}`?",
                )

    def order(self, node: Node | None, phrases: list[Phrase]) -> tuple[str, ...]:
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
                self.report.error(
                    piece,
                    f"{values.kind_of(piece)} stands where a phrase's name belongs",
                    "as in `intro, theme x2`",
                    "order",
                )
                continue
            part, faults = values.order_of(piece.text, find, [*names, *ids])
            locate = _Locator(self.reading.text, piece)
            for offset, message, guess in faults:
                self.report.error(locate.spot(offset), message, guess, "order")
            order.extend(part)
        if len(order) > keys.MAX_ORDER:
            self.report.error(
                node, f"the order has {len(order)} phrases; at most {keys.MAX_ORDER}", "", "order"
            )
            return ()
        if not order and not self.report.failed:
            self.report.error(node, "the order names no phrase", "delete the line", "order")
        missing = [phrase.name for phrase in phrases if phrase.id not in order]
        if missing and order:
            self.report.warn(node, f"the order leaves out {', '.join(missing)}", "", "order")
        return tuple(order)


@dataclass
class _Locator:
    """Places in the file of places in a scalar's text."""

    source: str
    node: Scalar
    straight: bool = field(init=False)
    lead: int = field(init=False)

    def __post_init__(self) -> None:
        self.lead = 0 if self.node.plain else 1
        start = self.node.start + self.lead
        self.straight = self.source.startswith(self.node.text, start) and "\n" not in self.node.text

    def offset(self, offset: int) -> int | None:
        """The place in the file's text; None where the scalar is folded or holds escapes."""
        return self.node.start + self.lead + offset if self.straight else None

    def spot(self, offset: int) -> Spot:
        """Line and column."""
        if self.straight:
            return Spot(self.node.line, self.node.column + self.lead + offset)
        # A folded text: follow its words through the source until the word at `offset` is reached.
        cursor = self.node.start
        for word in self.node.text[:offset].split():
            found = self.source.find(word, cursor, self.node.stop)
            if found < 0:
                return Spot(self.node.line, self.node.column)
            cursor = found + len(word)
        here = self.node.text[offset:].split(maxsplit=1)
        if here and (found := self.source.find(here[0], cursor, self.node.stop)) >= 0:
            cursor = found
        before = self.source[:cursor]
        return Spot(before.count("\n") + 1, cursor - (before.rfind("\n") + 1) + 1)
