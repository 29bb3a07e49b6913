"""The drill library: search, a preview of what is chosen, and every problem of a drill that can't be read.

Files are looked at once a second while this screen is open, so that a drill edited in an editor beside it is shown
anew, with its errors, as soon as it is saved.
"""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import ClassVar

from rich.text import Text
from textual import events, on
from textual.app import ComposeResult
from textual.widgets import Input, OptionList, Static

from coach.folder.library import MOST_FILES, strings_lacking
from coach.ground.places import builtin_drills, own_drills
from coach.ground.plain import plain_text
from coach.ground.problem import CoachError
from coach.log.entries import EntryKind
from coach.music.drill import Drill
from coach.strings.instrument import Instrument
from coach.tui.base import CoachScreen
from coach.tui.canvas import fitted, pane
from coach.tui.drill_files import Entry, draw_preview, read_entries, stamps
from coach.tui.stage import Stage
from coach.tui.stretch import ask_stretch
from coach.tui.widgets import MARK_COLUMNS, SCROLLBAR_COLUMNS, HintLine, MarkedList
from coach.words.names import assignment_text

LOOK_EVERY_S = 1.0
MOST_TITLE = 30
"""Columns of a title in the list."""


class LibraryScreen(CoachScreen):
    """Choose a drill: look, hear, practise, set aside."""

    scope = "library"

    AUTO_FOCUS: ClassVar[str | None] = "#drills"

    def __init__(self) -> None:
        super().__init__()
        self._entries: list[Entry] = []
        self._shown: list[Entry] = []
        self._stamps: tuple[tuple[Path, int, int], ...] = ()

    def compose(self) -> ComposeResult:
        yield Static("Drills", classes="head")
        yield Input(placeholder="search: title, tag, text", id="search", classes="typing")
        yield MarkedList(id="drills")
        yield Stage(id="preview")
        yield HintLine()

    def on_mount(self) -> None:
        self.look()
        self.set_interval(LOOK_EVERY_S, self.look)

    def _paths(self) -> list[Path]:
        desk = self.coach.desk
        named = [Path(drill.path) for drill in desk.library.drills if desk.names and drill.path]
        # The built-in drills in the order in which they are met.
        grades = {drill.path: number for number, drill in enumerate(desk.library.drills)}
        built_in = sorted(builtin_drills(), key=lambda path: grades.get(str(path), len(grades)))
        return named or [*own_drills(desk.places)[:MOST_FILES], *built_in]

    def look(self) -> None:
        """Read the files again where one was changed."""
        now = stamps(self._paths())
        if now == self._stamps:
            return
        self._stamps = now
        self._entries = read_entries([path for path, _, _ in now], self.coach.desk.settings.instruments)
        # The preview tells what is wrong; the drills read before stay in use.
        with contextlib.suppress(CoachError):
            self.coach.desk.reload()
        self.show_list()

    def show_list(self) -> None:
        """List what the search finds, and keep the cursor on its drill."""
        wanted = self.query_one("#search", Input).value.casefold().split()
        chosen = self.chosen
        self._shown = [entry for entry in self._entries if all(word in entry.words for word in wanted)]
        planned = self._planned()
        hands_on = self.coach.desk.at_hand()
        paths = [entry.path for entry in self._shown]
        at = paths.index(chosen.path) if chosen and chosen.path in paths else 0
        titles = [plain_text(entry.drill.title) for entry in self._shown if entry.drill]
        column = min(max(map(len, titles), default=0), MOST_TITLE)
        self.query_one("#drills", MarkedList).list_texts(
            [self._row(entry, planned, hands_on, column) for entry in self._shown], at
        )
        self.show_preview()

    def _row(self, entry: Entry, planned: set[str], hands_on: tuple[Instrument, ...], column: int) -> Text:
        """A drill: whether it is in the plan, its grade, the strings that it asks for, and its tags."""
        drill = entry.drill
        if drill is None:
            return Text(f"! {entry.path.name}: has problems")
        lacking = strings_lacking(drill, hands_on)
        facts = (
            f"grade {drill.grade}" if drill.grade else "",
            f"needs {' '.join(lacking)}" if lacking else "",
            assignment_text(drill, self.coach.desk.today),
            ", ".join(plain_text(tag) for tag in drill.tags),
        )
        in_plan = "in the plan" if drill.id in planned else ""
        title = f"{plain_text(drill.title)[:column]:{column}}"
        line = f"{title}  {in_plan:11}  {'  '.join(filter(None, facts))}"
        return Text(fitted(line, self.size.width - MARK_COLUMNS - SCROLLBAR_COLUMNS))

    @property
    def drill(self) -> Drill | None:
        """The drill under the cursor."""
        return self.chosen.drill if self.chosen else None

    @property
    def chosen(self) -> Entry | None:
        """The file under the cursor."""
        at = self.query_one("#drills", OptionList).highlighted
        return self._shown[at] if at is not None and at < len(self._shown) else None

    def show_preview(self) -> None:
        """Preview what is under the cursor."""
        stage = self.query_one("#preview", Stage)
        if not stage.size.width:
            return
        if entry := self.chosen:
            planned = entry.drill is not None and entry.drill.id in self._planned()
            preview = pane(draw_preview, entry, planned, self.coach.desk.today)
            stage.fill(preview, *stage.size)
        else:
            stage.show({}, {})

    on_resize = show_preview

    @on(OptionList.OptionHighlighted)
    def _moved(self) -> None:
        self.show_preview()

    @on(Input.Changed)
    def _searched(self) -> None:
        self.show_list()

    @on(Input.Submitted)
    def _leave_search(self) -> None:
        self.query_one("#drills", OptionList).focus()

    def other_key(self, event: events.Key) -> bool:
        if event.key == "down" and isinstance(self.focused, Input):
            self.query_one("#drills", OptionList).focus()
            return True
        return False

    def do_back(self) -> None:
        search = self.query_one("#search", Input)
        if self.focused is search:
            search.value = ""
            self.query_one("#drills", OptionList).focus()
        else:
            super().do_back()

    def do_search(self) -> None:
        self.query_one("#search", Input).focus()

    def do_practise_drill(self) -> None:
        if self.drill is None:
            self.notify("This file has the problems listed below. Fix them in an editor.")
            return
        self.coach.begin(self.coach.desk.plan(drills=(self.drill,)))

    def do_play_through(self) -> None:
        """Play the piece, or a run of its phrases, at once."""
        if drill := self.drill:
            ask_stretch(self, drill, lambda run: self.coach.begin(self.coach.desk.run_plan(drill, run)))

    def _planned(self) -> set[str]:
        """Ids of the drills in the plan."""
        return {drill.id for drill in self.coach.desk.in_plan()}

    def do_set_aside(self) -> None:
        if drill := self.drill:
            kind: EntryKind = "set-aside" if drill.id in self._planned() else "take-up"
            if refusal := self.coach.desk.note(kind, {"drill": drill.id}):
                self.coach.tell(refusal)
            self.show_list()

    def do_know(self) -> None:
        if drill := self.drill:
            self.coach.ask_known(drill, "", self.show_list)

    def do_nodes(self) -> None:
        if drill := self.drill:
            self.coach.show("nodes", drill.instrument)

    def do_hear(self) -> None:
        if drill := self.drill:
            self.coach.hear(lambda models, rate: models.phrase_pcm(drill, drill.phrases[0], rate))
