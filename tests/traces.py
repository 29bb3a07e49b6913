"""Whole sessions as text: a script of events in, one line an event out. What a change of the machine is read against.

A file of `tests/traces/` is a script and its result in one. Lines that start with # say what it is about. Then comes a
head: `plan PURPOSE [EXCERPT xREPS] [at BPM] [MINUTESm]`, a line an item, and perhaps `entered` (an answers file's
session), `rounds`, or `chooses` (what follows is chosen anew after each turn). Each line after `session DAY` is one
event, with what came of it behind the bar:

    ok      | ready   3 lamp/together  53  climb 50>53  | save 3: clean at 50; go in 2 s
    event   | state, item, excerpt, tempo, marks, what the rating did  | effects in their order

Where the tempo is not the rung it is written `60/50` (the rung last). A second `session` starts over on what the first
one brought. `wait 5m` lets time pass; each event takes ten seconds.

    python -m tests.traces            writes every file anew, so that a change is reviewed as a diff
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

from coach.learning.learning import Learnt
from coach.learning.material import material_of
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.learning.rung import Step
from coach.listen.heard import CLEAN, UNSURE
from coach.log.entries import Correction, Entry, Rep
from coach.music.drill import TOGETHER, Drill
from coach.music.excerpt import Excerpt, Kind
from coach.rating.fault import Fault, faults_text, parse_faults
from coach.rating.table import NOT_REACHED
from coach.session import events as on
from coach.session import machine
from coach.session.coaching import Coaching
from coach.session.events import Effect, SessionEvent
from coach.session.machine import NotNow
from coach.session.session import Session
from coach.session.states import Amending, Playing, Rating, Ready
from tests.samples import sample_drill

FOLDER = Path(__file__).parent / "traces"
EVENING = time(18)
EVENT_S = 10
DRILL = "lamps"


def excerpt_of(text: str) -> Excerpt:
    """`lamp`, `lamp/bass`, `lamp/together/half 1`, `lamp/harmonics/easier`, `lamp+wick/bass`."""
    names, *rest = text.split("/", 2)
    phrases = tuple(names.split("+"))
    layer = rest.pop(0) if rest else TOGETHER
    chosen = Excerpt(DRILL, phrases, layer, Kind.JOIN if len(phrases) > 1 else Kind.PHRASE)
    part = rest[0] if rest else ""
    if part == "easier" or part.endswith("/easier"):
        chosen, part = replace(chosen, easier=True), part.removesuffix("easier").rstrip("/")
    if part:
        kind, _, subject = part.partition(" ")
        chosen = replace(chosen, kind=Kind(kind), subject=subject)
    return chosen


def excerpt_text(excerpt: Excerpt) -> str:
    """The inverse of `excerpt_of`."""
    part = [] if excerpt.kind in (Kind.PHRASE, Kind.JOIN) else [f"{excerpt.kind} {excerpt.subject}"]
    easier = ["easier"] if excerpt.easier else []
    return "/".join(["+".join(excerpt.phrases), excerpt.layer, *part, *easier])


def item_of(words: list[str]) -> PlanItem:
    """A plan line without its first word."""
    item = PlanItem(Purpose(words[0]), 5, words[0])
    rest = iter(words[1:])
    for word in rest:
        if word == "at":
            item = replace(item, tempo_bpm=int(next(rest)))
        elif word.startswith("x"):
            item = replace(item, reps=int(word[1:]))
        elif word.endswith("m"):
            item = replace(item, minutes=int(word[:-1]))
        else:
            item = replace(item, excerpt=excerpt_of(word.replace("_", " ")))
    return item


PLAIN: dict[str, SessionEvent] = {
    "go": on.Go(),
    "end": on.RepEnded(),
    "bar": on.RoundEnded(),
    "ok": on.Confirm(),
    "as-heard": on.AsHeard(),
    "again": on.Again(),
    "skip": on.Skip(),
    "easier": on.Easier(),
    "listen": on.Listen(),
    "pause": on.Pause(),
    "run-on": on.RunOn(),
    "undo": on.Undo(),
    "stop": on.Stop(),
    "hurts": on.Stop(hurts=True),
}


def event_of(word: str, rest: list[str]) -> SessionEvent:
    """The event that a script's line names."""
    match word:
        case "cut":
            return on.Cut(int(rest[0]))
        case "mark":
            return on.Mark(parse_faults(rest[0])[0])
        case "rest":
            return on.MarkRest(int(rest[0]), NOT_REACHED)
        case "pedal":
            (fault,) = parse_faults(rest[0])
            others = tuple(map(int, rest[2:]))
            return on.Suggest(
                fault.label, fault.result, fault.result.word, float(rest[1]), on.Source.PEDAL, others
            )
        case "microphone":
            return heard_event(*rest)
        case "tempo":
            return on.SetTempo(int(rest[0]))
        case "layer":
            return on.ChooseLayer(rest[0])
        case "choose":
            return on.ChooseExcerpt(excerpt_of(" ".join(rest)))
        case "reload":
            return on.Reload(drill_named(rest[0]))
        case "rated":
            bpm = int(rest.pop()[1:]) if rest[-1].startswith("@") else None
            return on.Rated(parse_faults("" if rest == ["clean"] else " ".join(rest)), bpm)
    return PLAIN[word]


def heard_event(what: str, certainty: str = "0") -> SessionEvent:
    """`2c 0.9`: choked; `2+ 0.9`: clean; `2?`: can't tell."""
    if what[-1] in "+?":
        verdict = {"+": CLEAN, "?": UNSURE}[what[-1]]
        label = int(what[:-1])
        return on.Suggest(
            label, None, verdict.word, float(certainty), on.Source.MICROPHONE, (), verdict.shown
        )
    (fault,) = parse_faults(what)
    words = fault.result.word
    return on.Suggest(fault.label, fault.result, words, float(certainty), on.Source.MICROPHONE, (), words)


def drill_named(name: str) -> Drill:
    """The drill of all traces, or what an editor made of it in the meantime."""
    drill = sample_drill()
    if name == "without-lamp":
        return replace(drill, phrases=drill.phrases[1:])
    if name == "goal-60":
        return replace(drill, tempo=replace(drill.tempo, goal_bpm=60))
    raise ValueError(f"no such drill: {name}")


@dataclass
class Player:
    """Who sits before the machine: what a key asks of it, and what the clock says."""

    items: list[PlanItem] = field(default_factory=list)
    adapts: bool = True
    pause_s: float = 2.0
    session: Session | None = None
    wall: datetime = datetime(2026, 3, 2, 18, tzinfo=UTC)
    chooses: bool = False
    learnt: Learnt = field(default_factory=Learnt)
    turns: list[str] = field(default_factory=list)
    """Ids of the turns of this session, in order."""
    reps: list[str] = field(default_factory=list)
    """Ids of the repetitions saved in this session, in order."""

    @property
    def at_ms(self) -> int:
        return round(self.wall.timestamp() * 1000)

    def line(self, words: list[str]) -> str | None:
        """What a script's line brings; None where it is a head line."""
        if words[0] == "plan":
            self.items.append(item_of(words[1:]))
            return None
        if words[0] == "entered":
            self.adapts = False
            return None
        if words[0] == "rounds":
            self.pause_s = 0.0
            return None
        if words[0] == "chooses":
            self.chooses = True
            return None
        if words[0] == "session":
            return self._begin(date.fromisoformat(words[1]))
        before = self._opened()
        if words[0] == "wait":
            self.wall += timedelta(minutes=int(words[1].removesuffix("m")))
            return self._shown(())
        self.wall += timedelta(seconds=EVENT_S)
        try:
            self.session, effects = machine.receive(before, event_of(words[0], words[1:]), self.at_ms, 0)
        except NotNow:
            return "not now"
        return self._shown(effects)

    def _opened(self) -> Session:
        if self.session is None:
            raise ValueError("a script's events come after a line `session DAY`")
        return self.session

    def _begin(self, day: date) -> str:
        if self.session is not None:
            self.learnt = self.session.coaching.learnt
        self.turns, self.reps = [], []
        self.wall = datetime.combine(day, EVENING, UTC)
        items = tuple(self.items)
        self.session, effects = machine.start(
            Plan(day, 20, items),
            {DRILL: sample_drill()},
            Coaching(items, self.learnt, material_of([sample_drill()]), day, self.adapts, self.chooses),
            self.at_ms,
            0,
            player="ada",
            nonce=bytes(8),
            pause_s=self.pause_s,
            run_on_pause_s=2.0,
        )
        return self._shown(effects)

    def _shown(self, effects: tuple[Effect, ...]) -> str:
        session = self._opened()
        if session.turn and session.turn.id not in self.turns:
            self.turns.append(session.turn.id)
        told = "; ".join(self._effect(effect) for effect in effects)
        return f"{state_text(session)}{self._step(effects)}  | {told}".rstrip()

    def _step(self, effects: tuple[Effect, ...]) -> str:
        """What a rating that is saved with these effects did to the rung."""
        saved = [effect.rep.id for effect in effects if isinstance(effect, on.SaveRep)]
        saved += [
            effect.word.rep
            for effect in effects
            if isinstance(effect, on.Save) and isinstance(effect.word, Correction) and not effect.word.void
        ]
        steps = [played.step for played in self._opened().played if played.rep.id in saved]
        return f" {step_text(steps[0])}" if steps and steps[0] else ""

    def _effect(self, effect: Effect) -> str:
        match effect:
            case on.StartRep():
                what = f"{excerpt_text(effect.passage.excerpt)} {effect.tempo_bpm}"
                return f"{'model' if effect.model else 'play'} {what}"
            case on.PlayOn():
                return "play on"
            case on.Silence():
                return "silence"
            case on.SaveRep(rep):
                self.reps.append(rep.id)
                return f"save {len(self.reps)}: {self._rep(rep)}"
            case on.Save(word):
                return self._word(word)
            case on.AutoGo(seconds):
                return f"go in {seconds:g} s"
            case on.Tell(notice):
                return f'"{notice!s}"'
            case on.Finished():
                return "finished"

    def _word(self, word: Correction | Entry) -> str:
        if isinstance(word, Entry):
            return f"log {word.kind} {dict(word.body)}"
        number = self.reps.index(word.rep) + 1
        return f"void {number}" if word.void else f"correct {number}: {result(word.faults)}"

    def _rep(self, rep: Rep) -> str:
        rung = f"/{rep.rung_bpm}" if rep.rung_bpm != rep.tempo_bpm else ""
        what = f"{result(rep.faults)} at {rep.tempo_bpm}{rung}"
        what += f", {rep.purpose}, turn {self.turns.index(rep.turn) + 1}{', heard' if rep.listened else ''}"
        suggested = " ".join(f"{one.label} {one.result}" for one in rep.suggestions)
        return f"{what}, {suggested} suggested" if suggested else what

    def ending(self) -> list[str]:
        """What stands at the end: the repetitions as last rated, and the rungs."""
        session = self._opened()
        lines = [
            f"# saved {number}: {excerpt_text(played.task.excerpt)} {played.rep.tempo_bpm} {result(played.rep.faults)}"
            for number, played in enumerate(session.played, 1)
        ]
        for key, bpm in sorted(session.coaching.rungs.items()):
            rung = session.coaching.rung(Excerpt.parse(key))
            lines.append(
                f"# rung {key}: {bpm}{', landed' if rung.landed else ''}{', kept' if rung.kept else ''}"
            )
        return lines


def result(faults: tuple[Fault, ...] | None) -> str:
    """`clean`, `2c 5l` or `unrated`."""
    return "unrated" if faults is None else faults_text(faults) or "clean"


def state_text(session: Session) -> str:
    """State, item, excerpt, tempo and marks."""
    state, music, turn = session.state, session.music, session.turn
    if turn is None:
        return f"{session.phase:9}"
    parts = [f"{session.phase:9}", f"{turn.number + 1}"]
    if music is not None:
        rung, tempo = session.coaching.rung_bpm(music.task.excerpt), music.task.tempo_bpm
        parts.append(f"{excerpt_text(music.task.excerpt):16} {tempo}" + (f"/{rung}" if tempo != rung else ""))
    if isinstance(state, Ready | Playing) and state.runs_on:
        parts.append("runs on")
    if isinstance(state, Playing | Rating) and state.next_bpm:
        parts.append(f"clean: on at {state.next_bpm}")
    if isinstance(music, Amending):
        parts.append(f"anew {music.number + 1}")
    if session.marks:
        parts.append(f"[{faults_text(session.marks)}]")
    if isinstance(music, Playing | Rating | Amending) and music.marks.heard():
        parts.append(f"({', '.join(f'{one.label} {one.heard}?' for one in music.marks.heard())})")
    return " ".join(parts)


def step_text(step: Step) -> str:
    """`climb 50>53`, `hold 50`."""
    bpm = f"{step.from_bpm}>{step.to_bpm}" if step.from_bpm != step.to_bpm else f"{step.to_bpm}"
    return f"{step.kind} {bpm}"


def traced(text: str) -> str:
    """The file's text with what its events bring today."""
    player = Player()
    lines: list[str] = []
    for line in text.splitlines():
        script = line.partition(" | ")[0].strip()
        if script.startswith(("# saved", "# rung")):
            continue
        if not script or script.startswith("#"):
            lines.append(script)
            continue
        shown = player.line(script.split())
        lines.append(script if shown is None else f"{script:12} | {shown}")
    return "\n".join([*lines, *player.ending()]) + "\n"


def main() -> None:
    """Write every trace anew."""
    for path in sorted(FOLDER.glob("*.txt")):
        path.write_text(traced(path.read_text("utf-8")), "utf-8")


if __name__ == "__main__":
    main()
