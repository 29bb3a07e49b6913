"""Reads the phrases and bars of a drill file, each with its place in the text.

A repeated bar (`times`) is written out: its copies share their places. A tempo or meter given in a bar lasts until
the next one, at most to the end of its phrase.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction

from coach.ground.fields import Block, Values, kind_of, read_rows, word_of
from coach.ground.source import Mapping, Node, Report, Spot
from coach.music.drill import Bar, Event, Phrase
from coach.music.key import Key
from coach.music.rhythm import Meter
from coach.score.beats import read_beats, write_beats
from coach.score.events import BarDraft, EventDraft, EventReader
from coach.score.ids import phrase_id
from coach.score.keys import BAR, PHRASE
from coach.score.limits import MAX_BARS, MAX_BEATS, MAX_LAYERS, MAX_NOTES, MAX_PHRASES
from coach.score.music import Placement, Resolver, default_holds
from coach.score.reading import Reading
from coach.score.values import items_of

_PHRASE = Block(PHRASE, "- name: opening")
_A_BAR = "- bass: 1 E:0"


class _FullError(Exception):
    """The drill has more than may be; reading on would only cost time."""


@dataclass
class PhraseDraft:
    """The bars of one phrase, as far as they are read."""

    where: str
    meter: Meter
    key: Key | None = None
    ratio: Fraction = Fraction(1)
    start: Fraction = Fraction(0)
    """Where the next bar starts, in whole notes."""
    bars: list[BarDraft] = field(default_factory=list)
    events: list[EventDraft] = field(default_factory=list)
    layers: dict[str, None] = field(default_factory=dict)

    def add(self, bar: BarDraft, events: list[EventDraft], times: int) -> None:
        """Write a bar out so many times."""
        whole = bar.length * bar.meter.beat_whole
        self.events.extend(events)
        self.bars.append(bar)
        for copy in range(1, times):
            shift = copy * whole
            self.events.extend(
                replace(event, bar=len(self.bars), onset=event.onset + shift) for event in events
            )
            self.bars.append(replace(bar, start=bar.start + shift))
        self.start += times * whole
        for event in events:
            self.layers.setdefault(event.layer)


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

    def phrases(self, node: Node | None, meter: Meter | None, key: Key | None) -> list[Phrase]:
        """Every phrase; after errors, those that can be read at all."""
        items = items_of(node, "the list of phrases", "- name: opening", "phrases", self.report)
        if len(items) > MAX_PHRASES:
            message = f"{len(items)} phrases; a drill has at most {MAX_PHRASES}"
            self.report.error(node, message, "", "phrases")
            return []
        self.reading.phrases.extend(Spot(item.line, item.column) for item in items)
        blocks = [_PHRASE.read(item, f"phrases[{i}]", self.report) for i, item in enumerate(items)]
        ids = self.given_ids(blocks)
        phrases = []
        for index, block in enumerate(blocks):
            if block is not None:
                phrases.append(
                    self.phrase(
                        block,
                        index,
                        PhraseDraft(f"phrases[{index}]", block.get("meter") or meter or Meter.of(4, 4), key),
                        ids,
                    )
                )
                ids.add(phrases[-1].id)
        return phrases

    def given_ids(self, blocks: list[Values | None]) -> set[str]:
        """The ids that the file gives; one that is given twice is an error."""
        lines: dict[str, int] = {}
        for index, block in enumerate(blocks):
            given = block.get("id") if block else None
            if block is None or given is None:
                continue
            if given in lines:
                message = f"the id `{given}` is taken by the phrase on line {lines[given]}"
                self.report.error(block.spot("id"), message, "", f"phrases[{index}].id")
            lines.setdefault(given, block.node.line)
        return set(lines)

    def phrase(self, block: Values, index: int, draft: PhraseDraft, ids: set[str]) -> Phrase:
        name = block.get("name", "")
        own_id = block.get("id") or phrase_id(name, index + 1, ids)
        before = len(self.report.problems)
        bars = self.bars(block.get("bars"), draft, index)
        if self.resolver and block.get("bars") and not draft.layers and len(self.report.problems) == before:
            message = "this phrase has no event to play"
            self.report.error(block.node, message, f"as in `{_A_BAR}`", draft.where)
        return Phrase(own_id, name or own_id, tuple(bars), tuple(draft.layers), block.get("cue", ""))

    def bars(self, node: Node | None, draft: PhraseDraft, phrase: int) -> list[Bar]:
        """The bars of a phrase; none where the drill grows too large with them."""
        items = items_of(node, "the list of bars", _A_BAR, f"{draft.where}.bars", self.report)
        try:
            for index, item in enumerate(items):
                place = f"{draft.where}.bars[{index}]"
                if isinstance(item, Mapping):
                    self.bar(item, place, draft, index)
                else:
                    message = f"found {kind_of(item)} where a bar belongs"
                    self.report.error(item, message, f"as in `{_A_BAR}`", place)
        except _FullError:
            draft.layers.clear()
            return []
        return self.finished(draft.bars, draft.events, list(draft.layers), phrase, draft.start)

    def bar(self, item: Mapping, place: str, draft: PhraseDraft, index: int) -> None:
        """Read one bar into the draft; _FullError where it is one too many."""
        row = read_rows(item, BAR, place, self.report)
        draft.meter = row.get("meter", draft.meter)
        draft.key = row.get("key", draft.key)
        ratios = row.get("tempo", (draft.ratio, draft.ratio))
        draft.ratio = ratios[1]
        length = self.length(row.get("pickup"), f"{place}.pickup", draft.meter, index)
        times = row.get("times", 1)
        self.bars_read += times
        if self.bars_read > MAX_BARS:
            message = f"this is bar {self.bars_read}; a drill has at most {MAX_BARS} bars"
            self.full(item, message, "", place)
        bar = BarDraft(
            draft.meter, length, draft.start, ratios, row.get("cue", ""), row.get("dynamics", ""), draft.key
        )
        events = self.events.layer_events(item, place, bar, len(draft.bars))
        self.notes_read += times * sum(len(event.notes) for event in events)
        self.beats_read += times * length
        for count, most, what in (
            (self.notes_read, MAX_NOTES, "notes"),
            (self.beats_read, MAX_BEATS, "beats"),
        ):
            if count > most:
                message = f"with this bar the drill has more than {most:,} {what}"
                self.full(item, message, "split it into several drills", place)
        draft.add(bar, events, times)
        if len(draft.layers) > MAX_LAYERS:
            self.full(item, f"{len(draft.layers)} layers in one phrase; at most {MAX_LAYERS}", "", place)

    def full(self, item: Mapping, message: str, guess: str, place: str) -> None:
        self.report.error(item, message, guess, place)
        raise _FullError

    def length(self, node: Node | None, where: str, meter: Meter, index: int) -> Fraction:
        """The counted beats of a bar: the meter's, or fewer in a pick-up."""
        whole = Fraction(meter.beats)
        if node is None:
            return whole
        if index:
            message = "only a phrase's first bar can be a pick-up"
            self.report.error(node, message, "start a new phrase here?", where)
            return whole
        word = word_of(node)
        try:
            length = read_beats(word)
        except ValueError as error:
            self.report.error(node, str(error), "a pick-up is a number of beats", where)
            return whole
        if length < whole:
            return length
        message = f"a pick-up of {word} beats is not shorter than a bar of {meter}"
        self.report.error(node, message, "leave it out", where)
        return whole

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
                    frozenset(note.string for note in event.notes if note.is_natural),
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
                    f"this hold is {write_beats(over)} beats longer than the phrase; it ends with the phrase",
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
            Bar(bar.meter, bar.length, tuple(events), bar.cue, bar.dynamics, *bar.ratios, bar.key)
            for bar, events in zip(bars, inside, strict=True)
        ]
