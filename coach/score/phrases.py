"""Reads the phrases and bars of a drill file, each with its place in the text.

A repeated bar (`times`) is written out: its copies share their places. A tempo or meter given in a bar lasts until
the next one, at most to the end of its phrase.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction

from coach.music.drill import Bar, Event, Phrase
from coach.music.rhythm import Meter
from coach.score import keys, values
from coach.score.beats import read_beats, write_beats
from coach.score.events import BarDraft, EventDraft, EventReader
from coach.score.ids import phrase_id
from coach.score.music import Placement, Resolver, default_holds
from coach.score.reading import Reading
from coach.score.source import Mapping, Node, Report, Scalar, Sequence, Spot


@dataclass
class PhraseReader:
    """Reads every phrase of one file into its report and reading."""

    report: Report
    reading: Reading
    resolver: Resolver | None = None
    bars_read: int = 0
    notes_read: int = 0
    beats_read: Fraction = Fraction(0)
    events: EventReader = field(init=False)

    def __post_init__(self) -> None:
        self.events = EventReader(self.report, self.reading, self.resolver)

    def phrases(self, node: Node | None, meter: Meter | None) -> list[Phrase]:
        """Every phrase; after errors, those that can be read at all."""
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
        before = len(report.problems)
        bars, layers = self.bars(block.get("bars"), where, index, own_meter or meter or Meter.of(4, 4))
        if self.resolver and block.get("bars") and not layers and len(report.problems) == before:
            report.error(node, "this phrase has no event to play", "as in `- bass: 1 E:0`", where)
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
        drafts: list[EventDraft] = []
        bars: list[BarDraft] = []
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
            draft = BarDraft(meter, length, start, ratios, cue, dynamics)
            inside = self.events.layer_events(item, place, draft, len(bars))
            self.notes_read += times * sum(len(event.notes) for event in inside)
            self.beats_read += times * length
            if self.notes_read > keys.MAX_NOTES or self.beats_read > keys.MAX_BEATS:
                what = (
                    f"more than {keys.MAX_NOTES:,} notes"
                    if self.notes_read > keys.MAX_NOTES
                    else f"more than {keys.MAX_BEATS:,} beats"
                )
                report.error(
                    item, f"with this bar the drill has {what}", "part it into several drills", place
                )
                return [], []
            drafts.extend(inside)
            bars.append(draft)
            full = length * meter.beat_whole
            for copy in range(1, times):
                shift = copy * full
                drafts.extend(replace(event, bar=len(bars), onset=event.onset + shift) for event in inside)
                bars.append(replace(draft, start=start + shift))
            start += times * full
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

    def finished(
        self, bars: list[BarDraft], drafts: list[EventDraft], layers: list[str], phrase: int, end: Fraction
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
                    f"this hold goes {write_beats(over)} beats past the end of the phrase; it stops there",
                    f"write `for {write_beats(hold / bar.meter.beat_whole)}`",
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
