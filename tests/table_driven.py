"""A result and a cause driven from their keys to every report: `python -m tests.table_driven FOLDER RESULT CAUSE`.

`tests/test_rating.py` runs it against a copy of the program whose table has a row more of each, so it names no row
itself. It prints a JSON object: where the words came out, and what stood there.
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import json
import sys
from pathlib import Path
from typing import Any

from coach.cli import main
from coach.folder.actions import RATING, Keymap, Phase
from coach.music.drill import TOGETHER
from coach.rating.table import CAUSES, RESULTS, Cause, Result
from coach.tui.help import HelpScreen
from tests.screens import running, screen_text, session_of, task_of

DRILL = "small-bells"
DAYS = ("2026-02-24", "2026-02-25")


async def rate_on_the_screen(folder: Path, result: Result, cause: Cause) -> dict[str, str]:
    """A repetition whose first event, a low note, is marked with the result's key, and its second with the cause's."""
    shown: dict[str, str] = {}
    async with running(folder, size=(120, 40), drills=(DRILL,)) as (app, pilot, player):
        await pilot.press("space")
        await pilot.pause()
        while session_of(app).practice.session.phase is Phase.REST:
            await pilot.press("space")
        while task_of(session_of(app).practice.session).excerpt.layer != TOGETHER:
            await pilot.press("l")
        await pilot.press("space")
        player.position_s = player.length_s + 1
        while session_of(app).practice.session.phase is not Phase.RATING:
            await pilot.pause(0.02)
        await pilot.pause()
        shown["hints"] = screen_text(app).splitlines()[-1]
        await pilot.press(cause.of[0].key, "2", cause.key, result.key, "1", "v")
        await pilot.pause()
        shown["rating"] = screen_text(app)
        shown["palette"] = "\n".join(
            f"{item.title}: {item.help}" for item in app.get_system_commands(app.screen)
        )
        await pilot.press("question_mark")
        await pilot.pause()
        screen = app.screen
        assert isinstance(screen, HelpScreen)
        shown["help"] = "\n".join(screen._lines)
        await pilot.press("escape", "space")
        await pilot.pause()
        shown["saved"] = screen_text(app)
        await pilot.press("escape", "enter")
        await pilot.pause()
        shown["summary"] = screen_text(app)
    return shown


def ran(*words: str) -> str:
    """What a command prints; what it refuses is told too."""
    raw = io.BytesIO()
    out = io.TextIOWrapper(raw, encoding="utf-8", write_through=True)
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        try:
            status: object = main(list(words))
        except SystemExit as end:
            status = end.code
    return f"{raw.getvalue().decode()}exit {status}"


def type_and_report(folder: Path, result: Result, cause: Cause) -> dict[str, str]:
    """Answers with the same words on two more days, and all that tells of them afterwards."""
    where = ("--folder", str(folder), "--date", DAYS[-1])
    answers, replies = folder / "answers.txt", folder / "replies"
    first, then = f"{result.word} 1 2", f"{cause.of[0].word} 2 {cause.word}; {result.word} 1"
    lines = "".join(f"at row-at-four/together 46 {marks}\n" for marks in (first, then) * 6)
    answers.write_text("".join(f"day {day}\n{lines}" for day in DAYS))
    wrong = folder / "wrong.txt"
    wrong.write_text(f"{cause.of[0].word} 2 {cause.word}x\n{result.word[:-1]}x 2\n")
    replies.mkdir()
    return {
        "answers": ran("practice", DRILL, *where, "--answers", str(answers)),
        "slips": ran("practice", DRILL, *where, "--answers", str(wrong)),
        "log": ran("log", "show", *where),
        "corrected": ran("log", "correct", "--help"),
        "reps": ran("log", "export", *where),
        "report": ran("report", *where),
        "table": ran("report", "--csv", *where),
        "page": ran("report", "--html", *where),
        "student": ran("report", DRILL, "--for-teacher", "--yes", *where, "-o", str(replies / "one.json"))
        + (replies / "one.json").read_text(),
        "overview": ran("roster", str(replies), "--date", DAYS[-1]),
    }


def driven(folder: Path, result_word: str, cause_word: str) -> dict[str, Any]:
    (result,) = (row for row in RESULTS if row.word == result_word)
    (cause,) = (row for row in CAUSES if row.word == cause_word)
    keys = {action.id: list(action.keys) for action in Keymap().in_scope(RATING)}
    shown = asyncio.run(rate_on_the_screen(folder, result, cause))
    return {"keys": keys, **shown, **type_and_report(folder, result, cause)}


if __name__ == "__main__":
    print(json.dumps(driven(Path(sys.argv[1]), *sys.argv[2:])))  # noqa: T201
