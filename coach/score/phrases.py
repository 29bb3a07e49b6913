"""Reads the phrases and bars of a drill file, each with its place in the text.

A repeated bar (`times`) is written out: its copies share their places. A tempo or meter given in a bar lasts until
the next one, at most to the end of its phrase.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction

from coach.ground.fields import Block, Values, kind_of, read_rows, word_of
from coach.ground.source import Mapping, Node, Report, Spot
from coach.music.drill import Bar, Event, Phrase, counted_on
from coach.music.key import Key
from coach.music.rhythm import Meter
from coach.score.beats import read_beats, write_beats
from coach.score.events import EventDraft, EventReader
from coach.score.holds import default_holds
from coach.score.ids import phrase_id
from coach.score.keys import BAR, PHRASE
from coach.score.limits import MAX_BARS, MAX_BEATS, MAX_LAYERS, MAX_NOTES, MAX_PHRASES
from coach.score.music import Resolver
from coach.score.reading import Reading
from coach.score.values import items_of

_PHRASE = Block(PHRASE, "- name: opening")
_A_BAR = "- bass: 1 E:0"


class _FullError(Exception):
    """The drill has more than may be; reading on would only cost time."""


@dataclass
class PhraseDraft:
    """The bars of one phrase, as far as they are read."""

    index: int
    meter: Meter
    key: Key | None = None
    ratio: Fraction = Fraction(1)
    start: Fraction = Fraction(0)
    """Where the next bar starts, in whole notes."""
    bars: list[Bar] = field(default_factory=list)
    events: list[EventDraft] = field(default_factory=list)
    layers: dict[str, None] = field(default_factory=dict)

    @property
    def where(self) -> str:
        return f"phrases[{self.index}]"

    def add(self, bar: Bar, events: list[EventDraft], times: int) -> None:
        """Write a bar out so many times."""
        for _ in range(times):
            self.events.extend(
                replace(event, bar=len(self.bars), onset=self.start + event.onset) for event in events
            )
            self.bars.append(bar)
            self.start += bar.whole
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
        phrases: list[Phrase] = []
        for index, (block, own_id) in enumerate(self.heads(node)):
            if block is not None:
                own_meter = block.get("meter") or meter or Meter.of(4, 4)
                phrase = self.phrase(block, PhraseDraft(index, own_meter, key), own_id)
                phrases.append(replace(phrase, first_bar=_first_bar(block, phrase, phrases)))
        return phrases

    def heads(self, node: Node | None) -> list[tuple[Values | None, str]]:
        """What stands above the bars of each phrase, and its id."""
        items = items_of(node, "the list of phrases", "- name: opening", "phrases", self.report)
        if len(items) > MAX_PHRASES:
            message = f"{len(items)} phrases; a drill has at most {MAX_PHRASES}"
            self.report.error(node, message, "", "phrases")
            return []
        self.reading.phrases.extend(Spot(item.line, item.column) for item in items)
        blocks = [_PHRASE.read(item, f"phrases[{i}]", self.report) for i, item in enumerate(items)]
        taken = self.given_ids(blocks)
        heads: list[tuple[Values | None, str]] = []
        for number, block in enumerate(blocks, 1):
            own_id = block.get("id") or phrase_id(block.get("name", ""), number, taken) if block else ""
            taken.add(own_id)
            heads.append((block, own_id))
        return heads

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

    def phrase(self, block: Values, draft: PhraseDraft, own_id: str) -> Phrase:
        before = len(self.report.problems)
        bars = self.bars(block.get("bars"), draft)
        if self.resolver and block.get("bars") and not draft.layers and len(self.report.problems) == before:
            message = "this phrase has no event to play"
            self.report.error(block.node, message, f"as in `{_A_BAR}`", draft.where)
        return Phrase(
            own_id, block.get("name") or own_id, tuple(bars), tuple(draft.layers), block.get("cue", "")
        )

    def bars(self, node: Node | None, draft: PhraseDraft) -> list[Bar]:
        """The bars of a phrase; none where the drill grows too large with them."""
        items = items_of(node, "the list of bars", _A_BAR, f"{draft.where}.bars", self.report)
        try:
            for index, item in enumerate(items):
                place = f"{draft.where}.bars[{index}]"
                if isinstance(item, Mapping):
                    self.bar(item, place, draft, (index == 0, index == len(items) - 1))
                else:
                    message = f"found {kind_of(item)} where a bar belongs"
                    self.report.error(item, message, f"as in `{_A_BAR}`", place)
        except _FullError:
            draft.layers.clear()
            return []
        return self.finished(draft)

    def bar(self, item: Mapping, place: str, draft: PhraseDraft, edge: tuple[bool, bool]) -> None:
        """Read one bar into the draft; _FullError where it is one too many.

        `edge`: whether it is the phrase's first bar and its last one.
        """
        row = read_rows(item, BAR, place, self.report)
        draft.meter = row.get("meter", draft.meter)
        draft.key = row.get("key", draft.key)
        start_ratio, draft.ratio = row.get("tempo", (draft.ratio, draft.ratio))
        times = row.get("times", 1)
        length = self.length(row, place, draft.meter, edge)
        self.bars_read += times
        if self.bars_read > MAX_BARS:
            message = f"this is bar {self.bars_read}; a drill has at most {MAX_BARS} bars"
            self.full(item, message, "", place)
        words = row.get("cue", ""), row.get("dynamics", "")
        early = length < draft.meter.beats and row.get("ends_after") is not None
        bar = Bar(draft.meter, length, (), *words, start_ratio, draft.ratio, draft.key, early)
        events = self.events.layer_events(item, place, bar)
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

    def length(self, row: Values, place: str, meter: Meter, edge: tuple[bool, bool]) -> Fraction:
        """The counted beats of a bar: the meter's, or fewer in a pick-up or a bar that ends early."""
        short = [key for key in ("pickup", "ends_after") if row.get(key) is not None]
        whole = Fraction(meter.beats)
        if not short:
            return whole
        key, node = short[-1], row.get(short[-1])
        word = word_of(node)
        try:
            length = read_beats(word)
        except ValueError as error:
            self.report.error(node, str(error), f"`{key}` is a number of beats", f"{place}.{key}")
            return whole
        if fault := _short_fault(short, edge, row.get("times", 1)):
            self.report.error(node, *fault, f"{place}.{key}")
        elif length >= whole:
            message = f"{word} beats are no fewer than a bar of {meter} has"
            self.report.error(node, message, "leave it out", f"{place}.{key}")
        else:
            return length
        return whole

    def finished(self, draft: PhraseDraft) -> list[Bar]:
        layers = list(draft.layers)
        # Exact fractions compare slowly, and two onsets differ by far more than rounding.
        drafts = sorted(draft.events, key=lambda event: (float(event.onset), layers.index(event.layer)))
        inside: list[list[Event]] = [[] for _ in draft.bars]
        for event, (hold, _) in zip(drafts, default_holds(drafts, draft.start), strict=True):
            bar = draft.bars[event.bar]
            if event.hold is not None and hold < event.hold:
                over = (event.hold - hold) / bar.meter.beat_whole
                too_long = f"{write_beats(over)} {'beat' if over <= 1 else 'beats'} too long"
                message = f"this hold runs past the end of the phrase: {too_long}"
                guess = f"write `for {write_beats(hold / bar.meter.beat_whole)}`"
                self.report.warn(event.hold_spot, message, guess, draft.where)
            self.reading.events[draft.index, event.bar, event.layer, event.beat] = event.spot
            beats, written = hold / bar.meter.beat_whole, event.hold is not None
            inside[event.bar].append(Event(event.layer, event.beat, beats, event.notes, written))
        return [replace(bar, events=tuple(events)) for bar, events in zip(draft.bars, inside, strict=True)]


def _first_bar(block: Values, phrase: Phrase, before: list[Phrase]) -> int:
    """The number of a phrase's first bar: what the file says, else counted on."""
    number: int | None = block.get("first_bar")
    if number is None and phrase.bars:
        number = counted_on(next((one for one in reversed(before) if one.bars), None), phrase.bars[0])
    return 1 if number is None else number


def _short_fault(short: list[str], edge: tuple[bool, bool], times: int) -> tuple[str, str] | None:
    """What forbids a bar to be shorter than its meter, and the likely slip."""
    first, last = edge
    if len(short) > 1:
        return "a bar is a pick-up or ends early, not both", "give it a `meter` of its own?"
    if times > 1:
        return "a bar that is played several `times` fills its meter", "write the short bar by itself?"
    if short == ["pickup"] and not first:
        return "only a phrase's first bar can be a pick-up", "start a new phrase here?"
    if short == ["ends_after"] and not last:
        return "only a phrase's last bar can end early", "start a new phrase after it?"
    return None
