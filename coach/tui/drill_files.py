"""Drill files as the screens show them: each a drill with a preview, or its problems."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from coach.folder.library import drill_on_own
from coach.ground.plain import counted, plain_text
from coach.ground.problem import CoachError
from coach.music.drill import Drill
from coach.music.excerpt import whole_phrase
from coach.music.passages import passage_of
from coach.score.load import load_drill
from coach.strings.instrument import Instrument
from coach.tui.canvas import Canvas, Line, draw_lines, fitted, pane, wrapped
from coach.tui.lane import LaneLook, draw_lane, pages_of
from coach.tui.layout import FOOTER_ROWS, HEADER_ROWS
from coach.words.amounts import tempo_range
from coach.words.names import assignment_text, teachers_note, tuning_name


@dataclass(frozen=True)
class Entry:
    """One file of the library: a drill, or what is wrong with it."""

    path: Path
    drill: Drill | None
    problems: str = ""

    @property
    def words(self) -> str:
        """What a search looks in."""
        if self.drill is None:
            return self.path.name.casefold()
        drill = self.drill
        return " ".join((drill.title, drill.about, drill.composer, *drill.tags, self.path.stem)).casefold()


def read_entries(paths: list[Path], own: Sequence[Instrument] = ()) -> list[Entry]:
    """Every file as a drill on the player's own instruments, or as its problems; of one id the first counts."""
    entries: list[Entry] = []
    seen: set[str] = set()
    for path in paths:
        try:
            drill = drill_on_own(load_drill(path), own)
        except CoachError as error:
            entries.append(Entry(path, None, problems_text(error)))
            continue
        if drill.id not in seen:
            seen.add(drill.id)
            entries.append(Entry(path, drill))
    return entries


def problems_text(error: CoachError) -> str:
    """Every problem with its line and a caret; files by their name alone, since the screen is narrow."""
    return "\n".join(
        replace(problem, where=Path(problem.where).name).with_caret() for problem in error.problems
    )


def stamps(paths: list[Path]) -> tuple[tuple[Path, int, int], ...]:
    """What tells that a file was changed: its time and size."""
    stamped = []
    for path in paths:
        try:
            status = path.stat()
        except OSError:
            continue
        stamped.append((path, status.st_mtime_ns, status.st_size))
    return tuple(stamped)


def draw_preview(canvas: Canvas, entry: Entry, planned: bool, today: date) -> None:
    """Title, about, tempo and the first phrase's lane; or the problems."""
    width, height, drill = canvas.width, canvas.height, entry.drill
    if drill is None:
        return draw_lines(canvas, ("choked", f"{entry.path.name} can't be read"), *_told(entry, width))
    phrases = counted(len(drill.phrases), "phrase")
    tempos = tempo_range(drill.tempo.start_bpm, drill.goal_bpm)
    facts = f"{tempos}   {tuning_name(drill.instrument)}   {phrases}"
    lines: list[Line] = [("now", facts + ("" if planned else "   not in the plan"))]
    if assigned := assignment_text(drill, today):
        note = f"{assigned}. {teachers_note(drill)}" if teachers_note(drill) else assigned
        lines += [("next", line) for line in wrapped(note, width)[:2]]
    lane_rows = len(drill.instrument.strings) + HEADER_ROWS + FOOTER_ROWS
    # The first phrase stands there whole, with its name and a free row above it.
    room = max(height - len(lines) - lane_rows - 2, 1)
    about = wrapped(plain_text(drill.about), width)[: min(room, 3 if height < 18 else 6)]
    lines += [("text", line) for line in about]
    draw_lines(canvas, *lines)
    row = len(lines) + 1
    for phrase in drill.phrases:
        passage = passage_of(drill, whole_phrase(drill, phrase))
        pages = pages_of(passage, drill.instrument, width, lane_rows)
        if row + 1 + pages.height > height and row > 6:
            break
        canvas.put(row, 0, fitted(plain_text(phrase.name), width), "next")
        lane = pane(draw_lane, passage, drill.instrument, pages, LaneLook())
        canvas.inset(row + 1, pages.height, lane)
        row += 2 + pages.height
    return None


def _told(entry: Entry, width: int) -> Iterator[Line]:
    """The problems of a file."""
    for line in entry.problems.splitlines():
        # An indented line is the drill's own, with its caret below: these stay whole.
        if line.startswith(" "):
            yield "dim", line
        else:
            yield from (("text", part) for part in wrapped(line, width))
