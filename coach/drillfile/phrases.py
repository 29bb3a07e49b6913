"""Reads the phrases of a drill file: bars, layers and events, each with its place in the text.

A repeated bar (`times`) is written out: its copies share their places. A tempo or meter given in a bar lasts until
the next one, at most to the end of its phrase.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import lru_cache

from coach.core.drill import TOGETHER, Bar, Event, Note, Phrase
from coach.core.rhythm import Meter, count_text
from coach.drillfile import keys, values
from coach.drillfile.ids import phrase_id
from coach.drillfile.music import Placement, Resolver, default_holds
from coach.drillfile.notation import (
    NotationError,
    looks_like_events,
    read_beats,
    read_events,
    write_beats,
)
from coach.drillfile.reading import Locator, Reading
from coach.drillfile.source import Mapping, Node, Report, Scalar, Sequence, Spot, nearest


@lru_cache(256)
def _near_key(name: str) -> str:
    """The key of a bar that a layer's name is likely a slip for."""
    return nearest(name, keys.BAR, 0.75)


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
class PhraseReader:
    """Reads every phrase of one file into its report and reading."""

    report: Report
    reading: Reading
    resolver: Resolver | None = None
    layer_spots: dict[str, Spot] = field(default_factory=dict)
    layer_uses: dict[str, int] = field(default_factory=dict)
    bars_read: int = 0

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
        close = _near_key(name)
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
        locate = Locator(self.reading.text, node)
        if not text.strip():
            self.report.error(key, f"`{key.text}` has no events", "leave the layer out of this bar", where)
            return []
        events, faults = read_events(text)
        for fault in faults:
            self.fault(fault, locate, where)
        first = bar.meter.beats - bar.length
        drafts = []
        for base, event in events:
            notes = []
            for written in event.notes:
                if self.resolver is None:
                    continue
                try:
                    note = self.resolver.note(written)
                except NotationError as fault:
                    fault.offset += base
                    self.fault(fault, locate, where)
                    continue
                if event.ending:
                    note = replace(note, ending="damp" if event.ending == "damp" else "ring")
                notes.append((written, note))
            spot = locate.spot(base + event.offset)
            seen: set[int] = set()
            for written, note in notes:
                if note.string in seen:
                    self.report.error(
                        locate.spot(base + written.offset),
                        f"string {written.string} is struck twice at once",
                        "one note to a string; another string?",
                        where,
                    )
                seen.add(note.string)
            if not self.beat_fits(event.beat, bar, first, spot, where) or len(notes) < len(event.notes):
                continue
            onset = bar.start + (event.beat - first) * bar.meter.beat_whole
            hold = event.hold * bar.meter.beat_whole if event.hold is not None else None
            hold_spot = locate.spot(base + event.hold_offset) if hold is not None else spot
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

    def fault(self, fault: NotationError, locate: Locator, where: str) -> None:
        self.report.error(locate.spot(fault.offset), fault.message, fault.guess, where)
        start = locate.offset(fault.offset)
        if fault.repair is None or start is None:
            return
        found, wanted = fault.repair
        text = self.reading.text
        if not found:
            start = len(text[:start].rstrip())
        if text.startswith(found, start):
            self.report.repair(start, start + len(found), wanted)

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
