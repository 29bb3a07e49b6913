"""Whole sessions as text: a script of events in, one line an event out. What a change of the machine is read against.

A file of `tests/traces/` is a script and its result in one. Lines that start with # say what it is about. Then comes a
head: `plan PURPOSE [EXCERPT xREPS] [at BPM] [try BPM] [MINUTESm]`, a line an item, and perhaps `entered` (an answers
file's session). Each line after `session DAY` is one event, with what came of it behind the bar:

    ok      | ready   3 lamp/together  53  climb 50>53  | save 3: clean at 50; go in 2 s
    event   | state, item, excerpt, tempo, marks, what the rating did  | effects in their order

Where the tempo is not the rung it is written `60/50` (the rung last), and `try 2` tells how many tries are left. A
second `session` starts over on what the first one brought. `wait 5m` lets time pass; each event takes ten seconds.

    python -m tests.traces            writes every file anew, so that a change is reviewed as a diff
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

from coach.learning.ladder import Ladder, Step
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.music.drill import TOGETHER, Drill
from coach.music.excerpt import Excerpt, Kind
from coach.rating.fault import faults_text, parse_faults
from coach.session import machine
from coach.session.events import (
    Again,
    AutoGo,
    ChooseExcerpt,
    ChooseLayer,
    Confirm,
    CorrectRep,
    Cut,
    Easier,
    Effect,
    Finished,
    Go,
    Listen,
    Mark,
    Pause,
    Rated,
    RepEnded,
    RunOn,
    SaveEntry,
    SaveRep,
    SessionEvent,
    SetTempo,
    Silence,
    Skip,
    StartRep,
    Stop,
    Tell,
    Undo,
)
from coach.session.host import Practice, reload_drill
from coach.session.machine import NotNow, Phase, Session
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
        elif word == "try":
            item = replace(item, probe_bpm=int(next(rest)))
        elif word.startswith("x"):
            item = replace(item, reps=int(word[1:]))
        elif word.endswith("m"):
            item = replace(item, minutes=int(word[:-1]))
        else:
            item = replace(item, excerpt=excerpt_of(word.replace("_", " ")))
    return item


def event_of(words: list[str], at_ms: int) -> SessionEvent:
    """The event that a script's line names."""
    word, rest = words[0], words[1:]
    plain: dict[str, type[SessionEvent]] = {
        "go": Go,
        "end": RepEnded,
        "ok": Confirm,
        "again": Again,
        "skip": Skip,
        "easier": Easier,
        "listen": Listen,
        "pause": Pause,
        "run-on": RunOn,
        "undo": Undo,
        "stop": Stop,
    }
    if word in plain:
        return plain[word](at_ms=at_ms)
    if word == "hurts":
        return Stop(at_ms=at_ms, hurts=True)
    if word == "cut":
        return Cut(at_ms=at_ms, reached=int(rest[0]))
    if word == "mark":
        return Mark(at_ms=at_ms, fault=parse_faults(rest[0])[0])
    if word == "tempo":
        return SetTempo(at_ms=at_ms, tempo_bpm=int(rest[0]))
    if word == "layer":
        return ChooseLayer(at_ms=at_ms, layer=rest[0])
    if word == "choose":
        return ChooseExcerpt(at_ms=at_ms, excerpt=excerpt_of(" ".join(rest)))
    if word == "rated":
        bpm = int(rest.pop()[1:]) if rest[-1].startswith("@") else None
        return Rated(
            at_ms=at_ms, faults=parse_faults("" if rest == ["clean"] else " ".join(rest)), tempo_bpm=bpm
        )
    raise ValueError(f"no such event: {' '.join(words)}")


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
    session: Session | None = None
    wall: datetime = datetime(2026, 3, 2, 18, tzinfo=UTC)
    ladders: dict[str, Ladder] = field(default_factory=dict)
    undone: list[Any] = field(default_factory=list)
    """Marks before each key of this rating."""

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
        if words[0] == "session":
            return self._begin(date.fromisoformat(words[1]))
        if self.session is None:
            raise ValueError(f"before the session: {' '.join(words)}")
        if words[0] == "wait":
            self.wall += timedelta(minutes=int(words[1].removesuffix("m")))
            return self._shown(())
        self.wall += timedelta(seconds=EVENT_S)
        if words[0] == "reload":
            return self._reload(drill_named(words[1]))
        before = self.session
        try:
            effects = self._send(words)
        except NotNow:
            assert self.session is before
            return "not now"
        return self._shown(effects)

    def _begin(self, day: date) -> str:
        if self.session is not None:
            self.ladders = dict(self.session.ladders)
        self.wall = datetime.combine(day, EVENING, UTC)
        plan = Plan(day, 20, tuple(self.items))
        self.session, effects = machine.start(
            plan, {DRILL: sample_drill()}, self.ladders, self.at_ms, adapts=self.adapts
        )
        self.undone.clear()
        return self._shown(effects)

    def _send(self, words: list[str]) -> tuple[Effect, ...]:
        session = cast(Session, self.session)
        if words[0] == "undo" and session.phase is Phase.RATING and self.undone:
            return self._take_back_mark(session)
        if words[0] == "go" and session.accepts(Go):
            self._open_new_day()
        session = cast(Session, self.session)
        event = event_of(words, self.at_ms)
        after, effects = machine.receive(session, event)
        if isinstance(event, Mark):
            self.undone.append(session.marks)
        if after.phase is not session.phase:
            self.undone.clear()
        self.session = after
        return effects

    def _take_back_mark(self, session: Session) -> tuple[Effect, ...]:
        before = self.undone.pop()
        for label in {fault.label for fault in set(session.marks) ^ set(before)}:
            fault = next(fault for fault in (*before, *session.marks) if fault.label == label)
            session, _ = machine.receive(session, Mark(at_ms=self.at_ms, fault=fault))
        self.session = session
        return ()

    def _open_new_day(self) -> None:
        seen = SimpleNamespace(
            session=self.session, now_ms=lambda: self.at_ms, _clock=lambda: (self.at_ms, 0)
        )
        Practice._open_new_day(cast(Practice, seen))
        self.session = seen.session

    def _reload(self, drill: Drill) -> str:
        session = reload_drill(cast(Session, self.session), drill)
        effects: tuple[Effect, ...] = ()
        if session.excerpt is not None:
            session, effects = machine.receive(
                session, ChooseExcerpt(at_ms=self.at_ms, excerpt=session.excerpt)
            )
        self.session = session
        return self._shown(effects)

    def _shown(self, effects: tuple[Effect, ...]) -> str:
        saved = [effect for effect in effects if isinstance(effect, SaveRep | CorrectRep)]
        state = state_text(
            cast(Session, self.session), told=bool(saved) and "void" not in effect_text(saved[-1])
        )
        return f"{state}  | {'; '.join(effect_text(effect) for effect in effects)}".rstrip()

    def ending(self) -> list[str]:
        """What stands at the end: the repetitions as last rated, and the rungs."""
        session = cast(Session, self.session)
        lines = [
            f"# saved {rep.serial}: {excerpt_text(rep.passage.excerpt)} {rep.tempo_bpm} {result(rep.faults)}"
            for rep in session.saved
        ]
        for key, ladder in sorted(session.ladders.items()):
            days = f", goal held on {len(ladder.landed_days)} days" if ladder.landed_days else ""
            lines.append(f"# rung {key}: {ladder.rung_bpm}{days}")
        return lines


def result(faults: Any) -> str:
    """`clean`, `2c 5l` or `unrated`."""
    return "unrated" if faults is None else faults_text(faults) or "clean"


def state_text(session: Session, told: bool) -> str:
    """State, item, excerpt, tempo, marks, and, where `told`, what the rating did."""
    step = [step_text(session.step)] if session.step is not None and told else []
    if session.phase is Phase.DONE:
        return " ".join([f"{session.phase:9}", *step])
    parts = [f"{session.phase:9}", f"{session.index + 1}"]
    if session.excerpt is not None and session.ladder is not None:
        rung, tempo = session.ladder.rung_bpm, session.tempo_bpm
        parts.append(f"{excerpt_text(session.excerpt):16} {tempo}" + (f"/{rung}" if tempo != rung else ""))
    if session.probes:
        parts.append(f"try {session.probes}")
    if session.run_on:
        parts.append("runs on")
    if session.amending:
        parts.append(f"anew {session.amending}")
    if session.marks:
        parts.append(f"[{faults_text(session.marks)}]")
    return " ".join([*parts, *step])


def step_text(step: Step) -> str:
    """`climb 50>53`, `hold 50`, `drop 53>50 half the phrase`."""
    bpm = f"{step.from_bpm}>{step.to_bpm}" if step.from_bpm != step.to_bpm else f"{step.to_bpm}"
    return f"{step.kind} {bpm}" + (f" {step.release}" if step.release else "")


def effect_text(effect: Effect) -> str:
    """An effect as a script's line tells it."""
    match effect:
        case StartRep():
            return f"{'model' if effect.model else 'play'} {excerpt_text(effect.passage.excerpt)} {effect.tempo_bpm}"
        case Silence():
            return "silence"
        case SaveRep(rep):
            heard = ", heard" if rep.listened else ""
            rung = f"/{rep.before.rung_bpm}" if rep.before.rung_bpm != rep.tempo_bpm else ""
            what = f"{result(rep.faults)} at {rep.tempo_bpm}{rung}"
            return f"save {rep.serial}: {what}, {rep.purpose}, turn {rep.turn}{heard}"
        case CorrectRep(serial, faults, void):
            return f"void {serial}" if void else f"correct {serial}: {result(faults)}"
        case SaveEntry(kind, body):
            return f"log {kind} {dict(body)}"
        case AutoGo(seconds):
            return f"go in {seconds:g} s"
        case Tell(text):
            return f'"{text}"'
        case Finished():
            return "finished"


def traced(text: str) -> str:
    """The file's text with what its events bring today."""
    player, lines = Player(), []
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
