"""Reads the layers of one bar: names, events and notes, each with its place in the text."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise

from coach.ground.fields import shorten
from coach.ground.frozen import frozen
from coach.ground.source import Mapping, Node, Report, Scalar, Sequence, Spot, nearest
from coach.music.drill import TOGETHER, Bar, Note
from coach.music.rhythm import count_text
from coach.score.beats import NoStringError, NotationError, write_beats
from coach.score.holds import Struck
from coach.score.keys import BAR, PHRASE
from coach.score.limits import LAYER, LAYER_RULE, MAX_EVENTS_IN_BAR, MAX_LAYERS, MAX_LINE
from coach.score.music import Resolver
from coach.score.notation import WrittenEvent, WrittenNote, looks_like_events, read_events
from coach.score.reading import Locator, Reading
from coach.score.values import scalar_of
from coach.strings.node import COMMON_PARTIAL, nodes_at_label, touch_label

USUAL_PARTIAL = 6
FAR_FRETS = 0.1
MANY_TO_ONE = 4
"""So many harmonics to each stopped note make it look like a slip in a layer of any name."""


@lru_cache(256)
def _near_key(name: str) -> str:
    """The key of a bar that a layer's name is likely a slip for."""
    also = (key for key, row in BAR.items() if name.lower() in row.also_called)
    return next(also, "") or nearest(name, BAR, 0.75)


@frozen
class EventDraft(Struck):
    """An event before holds are known; `onset` and `bar` count from its own bar until that has its place."""

    beat: Fraction
    spot: Spot
    hold_spot: Spot
    bar: int = 0


@frozen
class Part:
    """A part of a layer's text: the places in it are counted from `base` in the text that `locate` knows."""

    layer: str
    where: str
    locate: Locator
    base: int = 0

    def spot(self, offset: int) -> Spot:
        """Line and column of a place in it."""
        return self.locate.spot(self.base + offset)


@dataclass
class SeenLayer:
    """What a file has in one layer."""

    spot: Spot
    """Where it is named first."""
    bars: int = 0
    mates: set[str] = field(default_factory=set)
    """The layers that share a bar with it."""
    harmonics: int = 0
    others: list[tuple[WrittenNote, Part]] = field(default_factory=list)
    """The notes that are no harmonics, with their places."""


@dataclass
class EventReader:
    """Reads the events of every bar of one file into its report."""

    report: Report
    reading: Reading
    resolver: Resolver | None = None
    layers: dict[str, SeenLayer] = field(default_factory=dict)
    missing_strings: set[str] = field(default_factory=set)
    """What was told to be no string of the instrument."""

    def layer_events(self, node: Mapping, where: str, bar: Bar) -> list[EventDraft]:
        """The events of all layers of a bar; faults go to the report."""
        drafts: list[EventDraft] = []
        names = {key.text for key, _ in node.pairs if key.text not in BAR}
        if len(names) > MAX_LAYERS:
            self.report.error(node, f"{len(names)} layers in one bar; at most {MAX_LAYERS}", "", where)
            return []
        for key, value in node.pairs:
            if key.text in BAR:
                continue
            if fault := self._name_fault(key.text, value):
                self.report.error(key, *fault, where)
                continue
            layer = self.layers.setdefault(key.text, SeenLayer(Spot(key.line, key.column)))
            layer.bars += 1
            layer.mates |= names
            place = f"{where}.{key.text}"
            before = len(drafts)
            for piece in value.items if isinstance(value, Sequence) else (value,):
                scalar = scalar_of(piece, "events belong", "1 E:0, 3 A:0", place, self.report)
                if scalar is not None:
                    drafts.extend(self.text_events(scalar, key, place, bar))
            self.check_order(drafts[before:], place)
        if len(drafts) > MAX_EVENTS_IN_BAR:
            message = f"{len(drafts)} events in one bar; at most {MAX_EVENTS_IN_BAR}"
            self.report.error(node, message, "", where)
            return []
        self.check_collisions(drafts, where)
        return drafts

    def _name_fault(self, name: str, node: Node) -> tuple[str, str] | None:
        """Why a key of a bar is no layer's name, and the likely slip; None where it is one."""
        close = _near_key(name)
        if close and not _has_events(node):
            return f"`{name}` looks like a layer but has no events", f"did you mean `{close}`?"
        if name == TOGETHER:
            return f"no layer can be called `{name}`: that means all layers at once", ""
        if not LAYER.fullmatch(name):
            return f"`{shorten(name)}` is not a name for a layer; {LAYER_RULE}", ""
        if name in PHRASE and name not in self.layers and not _has_events(node):
            return f"`{name}` belongs in the phrase, not in a bar", "check the indentation"
        return None

    def text_events(self, node: Scalar, key: Scalar, where: str, bar: Bar) -> list[EventDraft]:
        if not node.text.strip():
            self.report.error(key, f"`{key.text}` has no events", "leave the layer out of this bar", where)
            return []
        if len(node.text) > MAX_LINE:
            message = f"{len(node.text):,} characters for one layer of one bar; at most {MAX_LINE:,}"
            self.report.error(node, message, "", where)
            return []
        whole = Part(key.text, where, Locator(self.reading.text, node))
        events, faults = read_events(node.text)
        for fault in faults:
            self.fault(fault, whole)
        drafts = []
        for base, event in events:
            part = replace(whole, base=base)
            notes = self.event_notes(event, part)
            spot = part.spot(event.offset)
            if wrong := _beat_fault(event.beat, bar):
                self.report.error(spot, *wrong, where)
            if wrong or len(notes) < len(event.notes):
                continue
            hold = event.hold * bar.meter.beat_whole if event.hold is not None else None
            hold_spot = part.spot(event.hold_offset) if hold is not None else spot
            onset, struck = bar.into(event.beat), tuple(notes)
            drafts.append(EventDraft(key.text, onset, struck, hold, event.beat, spot, hold_spot))
        return drafts

    def event_notes(self, event: WrittenEvent, part: Part) -> list[Note]:
        """The notes of an event that can be read, without an instrument none."""
        notes: list[Note] = []
        if self.resolver is None:
            return notes
        for written in event.notes:
            try:
                note = self.resolver.note(written)
            except NotationError as fault:
                if not isinstance(fault, NoStringError) or written.string not in self.missing_strings:
                    self.fault(fault, part)
                if isinstance(fault, NoStringError):
                    self.missing_strings.add(written.string)
                continue
            self.note_kind(written, note, part)
            if any(note.string == other.string for other in notes):
                message = f"string {written.string} is played twice at once"
                guess = "one note at a time per string; another string?"
                self.report.error(part.spot(written.offset), message, guess, part.where)
            notes.append(replace(note, ending=event.ending) if event.ending else note)
        return notes

    def check_order(self, drafts: list[EventDraft], where: str) -> None:
        for last, event in pairwise(drafts):
            shown = f"beat {count_text(event.beat)}"
            if event.beat == last.beat:
                message = f"{shown} is given twice in this layer"
                self.report.error(event.spot, message, "join notes played together with +", where)
            elif event.beat < last.beat:
                message = f"{shown} comes after beat {count_text(last.beat)}"
                self.report.error(event.spot, message, "write the events in the order of their beats", where)

    def check_collisions(self, drafts: list[EventDraft], where: str) -> None:
        used: dict[tuple[Fraction, int], str] = {}
        for event in drafts:
            for note in event.notes:
                other = used.setdefault((event.beat, note.string), event.layer)
                if other != event.layer and self.resolver is not None:
                    label = self.resolver.instrument.string_label(note.string)
                    message = f"string {label} is also played by {other} at beat {count_text(event.beat)}"
                    guess = "one of them on another string?"
                    self.report.error(event.spot, message, guess, f"{where}.{event.layer}")

    def fault(self, fault: NotationError, part: Part) -> None:
        self.report.error(part.spot(fault.offset), fault.message, fault.guess, part.where)
        start = part.locate.offset(part.base + fault.offset)
        if fault.repair is None or start is None:
            return
        wrong, right = fault.repair
        text = self.reading.text
        if not wrong:
            start = len(text[:start].rstrip())
        if text.startswith(wrong, start):
            self.report.repair(start, start + len(wrong), right)

    def note_kind(self, written: WrittenNote, note: Note, part: Part) -> None:
        """Count a note for `check_layers`; warn where a whole fret stands for a node well beside that fret.

        Up to partial 5 everyone writes whole frets: <4> for 3.9, <9> for 8.8.
        """
        if note.node is None:
            self.layers[part.layer].others.append((written, part))
            return
        self.layers[part.layer].harmonics += 1
        touch = written.touch or ""
        if (
            touch.isdecimal()
            and not written.pitch
            and note.node.partial > COMMON_PARTIAL
            and abs(int(touch) - note.stop - note.node.fret) > FAR_FRETS
        ):
            label = touch_label(note.node, note.stop)
            message = f"`<{touch}>` is read as the node at {label} (partial {note.node.partial})"
            guess = f"write {written.string}:{written.fret or ''}<{label}>"
            self.report.warn(part.spot(written.place_offset), message, guess, part.where)

    def check_layers(self) -> None:
        """Warn of what is likely a slip: a layer's name, or a stopped note among nothing but harmonics."""
        self._check_names()
        for name, layer in self.layers.items():
            stopped = [one for one in layer.others if _at_a_usual_node(one[0].fret or "0")]
            named = name.lower().startswith("harmonic")
            if len(stopped) < len(layer.others) or (
                not named and layer.harmonics < MANY_TO_ONE * len(stopped)
            ):
                continue
            for written, part in stopped:
                message = f"{written.string}:{written.fret} is a stopped note among harmonics"
                guess = f"{written.string}:<{written.fret}> would be the harmonic"
                self.report.warn(part.spot(written.offset), message, guess, part.where)

    def _check_names(self) -> None:
        uses = {name: layer.bars for name, layer in self.layers.items()}
        for index, (name, layer) in enumerate(self.layers.items()):
            others = [other for other, count in uses.items() if other != name and count > layer.bars]
            if layer.bars == 1 and (close := nearest(name, others, 0.8)):
                message = f"the layer `{name}` appears in this bar only"
                self.report.warn(layer.spot, message, f"did you mean `{close}`?")
                continue
            for earlier in list(uses)[:index]:
                if earlier not in layer.mates and _one_letter_off(name, earlier):
                    # Of two that are as frequent the usual name is meant, else the one that came first.
                    rare, usual = sorted(
                        (name, earlier), key=lambda one: (uses[one], one in USUAL_NAMES, one == earlier)
                    )
                    told = uses[rare] == 1 < uses[usual] and nearest(rare, [usual], 0.8)
                    if not told:
                        what = "differ by one letter and never share a bar"
                        message = f"the layers `{rare}` and `{usual}` {what}"
                        self.report.warn(self.layers[rare].spot, message, f"did you mean `{usual}`?")


def _has_events(node: Node) -> bool:
    return isinstance(node, Scalar) and looks_like_events(node.text)


def _beat_fault(beat: Fraction, bar: Bar) -> tuple[str, str] | None:
    """Why an event can't stand on a beat of a bar, and the likely slip; None where it can."""
    beats = bar.meter.beats
    if bar.first_beat <= beat < (bar.length if bar.ends_early else beats):
        return None
    shown = f"beat {count_text(beat)} is"
    if beat >= beats:
        count = str(int(beat) + 1)
        guess = "a bar too long: does it belong to the next bar?"
        if len(count) == 2:
            guess = f"did you mean {count[0]}.{count[1]}, or is the bar too long?"
        return f"{shown} past the end of the bar; {bar.meter} has beats 1 to {beats}", guess
    if bar.ends_early:
        end = f"which ends after {write_beats(bar.length)} beats"
        return f"{shown} past the end of this bar, {end}", "does it belong to the next phrase's pick-up?"
    start = f"which starts at beat {count_text(bar.first_beat)}"
    return f"{shown} before this pick-up bar, {start}", "the beats of a pick-up lead up to the bar line"


USUAL_NAMES = ("bass", "harmonics")


@lru_cache(64)
def _at_a_usual_node(fret: str) -> bool:
    """Whether a fret is one at which players touch a string: that of a partial up to 6."""
    return int(fret) > 0 and any(node.partial <= USUAL_PARTIAL for node in nodes_at_label(fret))


def _one_letter_off(name: str, other: str) -> bool:
    """Whether two names of four letters or more differ by one letter more, less or else; a number is no slip."""
    short, long = sorted((name.lower(), other.lower()), key=len)
    if len(short) < 4 or len(long) - len(short) > 1:
        return False
    start = next(
        (i for i, pair in enumerate(zip(short, long, strict=False)) if pair[0] != pair[1]), len(short)
    )
    rest = short[start:] if len(long) > len(short) else short[start + 1 :]
    return rest == long[start + 1 :] and not (short[start : start + 1] + long[start : start + 1]).strip(
        "abcdefghijklmnopqrstuvwxyz"
    )
