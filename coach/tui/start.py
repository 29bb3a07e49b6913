"""The first screen: today's plan with its reasons and minutes, to change or to follow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partialmethod
from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.widgets import Static

from coach.folder.actions import shown_key
from coach.ground.plain import counted, plain_text
from coach.ground.problem import CoachError
from coach.learning.plan import Plan, PlanItem, Purpose, told_once
from coach.log.people import DEFAULT_NAME
from coach.music.excerpt import Excerpt, Kind
from coach.music.passages import heading_of
from coach.tui.base import CoachScreen
from coach.tui.canvas import ascii_text, fitted, fitted_words, text_width, wrapped
from coach.tui.widgets import MARK_COLUMNS, HintLine, MarkedList
from coach.words.amounts import clock_time, long_day
from coach.words.names import excerpt_name

MINUTES_STEP = 5
MINUTES_RANGE = (5, 240)
NOTICE_ROWS = 4
"""At most, for what the planner says about today: hands that hurt, what a teacher asks for."""
QUIET_ROWS = 5
REASON_ROWS = 2
"""Of an item that the cursor is not on."""


class StartScreen(CoachScreen):
    """Today's plan. `go` starts it as it stands."""

    scope = "start"

    AUTO_FOCUS: ClassVar[str | None] = "#plan"

    def __init__(self) -> None:
        super().__init__()
        self.plan: Plan | None = None
        self._taken_out: list[tuple[Excerpt | None, Purpose]] = []
        """What the player took out of today's plan."""
        self._notes: list[str] = []

    def compose(self) -> ComposeResult:
        yield Static("", id="day", classes="head", markup=False)
        yield Static("", id="today", classes="notice", markup=False)
        yield Static("", id="notes", classes="quiet", markup=False)
        yield MarkedList(id="plan")
        yield HintLine()

    def on_mount(self) -> None:
        self.make_plan()

    def on_screen_resume(self) -> None:
        if self.plan is None:
            self._taken_out.clear()
            self.make_plan()

    def on_resize(self) -> None:
        self.show_plan(self._at)

    def make_plan(self) -> None:
        """Today's plan anew from the log, without what was taken out."""
        try:
            plan = self.coach.desk.plan()
        except CoachError as error:
            self.query_one("#notes", Static).update(str(error))
            return
        items, out = [], list(self._taken_out)
        for item in plan.items:
            if (what := (item.excerpt, item.purpose)) in out:
                out.remove(what)
            else:
                items.append(item)
        self.plan = replace(plan, items=tuple(items), chosen=plan.chosen and not self._taken_out)
        self.show_plan()

    def show_plan(self, highlighted: int = 0) -> None:
        """Show the plan as it stands."""
        if self.plan is None or not self.size.width:
            return
        plan = self.plan
        desk = self.coach.desk
        total = round(sum(item.minutes for item in plan.items))
        player = desk.log.player_or_none
        name = f"  {plain_text(player.name)}" if player and player.name not in ("", DEFAULT_NAME) else ""
        self.query_one("#day", Static).update(
            f"Today, {long_day(plan.day, plan.day)}: {total} of {desk.minutes} minutes planned{name}"
        )
        self._tell("#today", [f"! {note}" for note in plan.notes], NOTICE_ROWS)
        notes = [*self.coach.hearing_note(), *(plain_text(notice) for notice in desk.notices)]
        self._tell("#notes", notes, QUIET_ROWS)
        self._notes = [*plan.notes, *notes]
        listed = self.query_one("#plan", MarkedList)
        room = self.size.width - 2 - MARK_COLUMNS
        told = zip(plan.items, told_once(plan.items), strict=True)
        short = [self._row(item, reason, room, REASON_ROWS) for item, reason in told]
        whole = [self._row(item, item.reason, room) for item in plan.items]
        listed.list_texts(short, highlighted, whole)

    def _tell(self, place: str, notes: Sequence[str], rows: int) -> None:
        """Notes in their place, none where there are none: as many whole ones as have room, and how many more."""
        width, plain = self.size.width, self.coach.plain
        rows = min(rows, max(self.size.height // 6, 1))
        told = [wrapped(ascii_text(note) if plain else note, width) for note in notes]
        lines = [line for note in told for line in note]
        if len(lines) > rows:
            whole = max(at for at in range(len(told)) if sum(map(len, told[:at])) < rows)
            lines = lines[: sum(map(len, told[:whole])) or rows - 1]
            others = len(told) - max(whole, 1)
            rest = ["the rest of it"] * (not whole) + [counted(others, "more note")] * (others > 0)
            keys = self.keymap.action("help").keys or ("ctrl+p",)
            lines.append(f"{shown_key(keys[0])} shows {' and '.join(rest)}")
        notes_box = self.query_one(place, Static)
        notes_box.display = bool(lines)
        notes_box.update("\n".join(lines))

    def _row(self, item: PlanItem, why: str, width: int, rows: int = 0) -> Text:
        """An item and why it is there; in so many rows at most, or whole."""
        tempo = f" at {item.tempo_bpm}" if item.tempo_bpm else ""
        head = f"{item.purpose.value:<8}{clock_time(item.minutes):>9}  "
        what, room = "", width - len(head) - len(tempo)
        if item.excerpt is not None:
            drill = self.coach.desk.library.drill(item.excerpt.drill)
            # The whole piece bears the drill's title already.
            title = "" if item.excerpt.kind is Kind.PIECE else plain_text(drill.title)
            grade = f"grade {drill.grade}" if drill.grade else ""
            what = excerpt_name(item.excerpt, heading_of(drill, item.excerpt)[0])
            besides = [
                f" ({', '.join(words)})" for words in ((title, grade), (title,), (grade,)) if all(words)
            ]
            what += next((beside for beside in besides if text_width(what + beside) <= room), "")
        text = Text(no_wrap=True)
        text.append(head, "bold")
        text.append(fitted(what, room) + tempo)
        lines = wrapped(plain_text(why), width - len(head))
        if 0 < rows < len(lines):
            last = fitted_words(" ".join(lines[rows - 1 :]), width - len(head))
            lines = [*lines[: rows - 1], last]
        for line in lines:
            text.append("\n" + " " * len(head) + line)
        return text

    def help_notes(self) -> list[str]:
        return self._notes

    @property
    def _at(self) -> int:
        return self.query_one("#plan", MarkedList).highlighted or 0

    def do_begin(self) -> None:
        if self.plan is None:
            return
        if not self.plan.items:
            self.notify("There is nothing in today's plan: choose a drill, or plan more minutes.")
            return
        self.coach.begin(self.plan)
        self.plan = None

    def do_drop_item(self) -> None:
        if self.plan is not None and self.plan.items:
            items, at = list(self.plan.items), self._at
            item = items.pop(at)
            self._taken_out.append((item.excerpt, item.purpose))
            self._follow(items, at)

    def _move(self, by: int) -> None:
        items, at = list(self.plan.items) if self.plan else [], self._at
        if 0 <= at + by < len(items):
            items.insert(at + by, items.pop(at))
            self._follow(items, at + by)

    def _follow(self, items: Sequence[PlanItem], at: int) -> None:
        """Follow the plan with these items, the cursor on one of them."""
        if self.plan is not None:
            self.plan = replace(self.plan, items=tuple(items), chosen=False)
            self.show_plan(at)

    def _minutes(self, by: int) -> None:
        low, high = MINUTES_RANGE
        self.coach.desk.minutes = min(max(self.coach.desk.minutes + by, low), high)
        self.make_plan()

    do_item_earlier, do_item_later = partialmethod(_move, -1), partialmethod(_move, 1)
    do_more_minutes = partialmethod(_minutes, MINUTES_STEP)
    do_fewer_minutes = partialmethod(_minutes, -MINUTES_STEP)

    def do_know(self) -> None:
        """Say at which tempo the excerpt under the cursor is played already."""
        item = self.plan.items[self._at] if self.plan and self.plan.items else None
        if item is None or item.excerpt is None:
            self.notify("Move the cursor to a phrase that you already play.")
            return
        drill = self.coach.desk.library.drill(item.excerpt.drill)
        phrase = item.excerpt.phrases[0] if item.excerpt.kind is Kind.PHRASE else ""
        self.coach.ask_known(drill, phrase, self.make_plan)

    do_settings = partialmethod(CoachScreen._show, "settings")
    do_tour = partialmethod(CoachScreen._show, "tour")

    def do_quit(self) -> None:
        self.app.exit()

    def on_option_list_option_selected(self) -> None:
        """A click on an item only moves the cursor there: starting is a key."""
