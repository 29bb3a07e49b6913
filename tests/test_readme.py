"""What README and the pages beside it say is so: the drill, the settings, the answers file, the commands."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from datetime import date
from pathlib import Path
from textwrap import wrap

import pytest

from coach.cli import COMMANDS, main
from coach.commands.export import FORMATS
from coach.folder.actions import Keymap
from coach.folder.settings import SETTINGS, Settings, read_settings
from coach.ground.kinds import Number, Whole, Word
from coach.learning.learning import Record
from coach.score.load import read_drill
from coach.session.answers import read_answers

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


DOCS = ROOT / "docs"


def block(start: str, page: str = README) -> str:
    """The fenced block of a page that starts with a line."""
    for text in re.findall(r"```\w*\n(.*?)```", page, re.DOTALL):
        if text.startswith(start):
            return text
    pytest.fail(f"the page has no block that starts with {start!r}")


def page(name: str) -> str:
    """The text of a page in docs/."""
    return (DOCS / name).read_text(encoding="utf-8")


def test_the_first_own_drill_passes_the_checker_without_a_word():
    drill, problems = read_drill(block("drill: 1"), "README.md")
    assert problems == []
    assert drill is not None
    assert drill.title == "First Light"


def test_the_settings_shown_are_all_there_are_with_their_defaults_and_ranges():
    shown = block("practice:", page("settings.md"))
    settings = read_settings(shown, "settings.md")
    assert settings.midi.bindings
    assert settings.instruments
    plain = replace(settings, midi=replace(settings.midi, bindings={}), keys=Keymap(), instruments=())
    assert plain == Settings()
    for section, group in SETTINGS.rows.items():
        _, _, lines = shown.partition(f"{section}:")
        for key, row in group.rows.items() if section != "keys" else ():
            line = re.search(rf"^  (?:# )?{key}:.*$", lines, re.MULTILINE)
            assert line, f"{section}.{key}"
            assert row.about in line[0]
            if isinstance(row.kind, Whole | Number | Word):
                assert row.kind.allowed in line[0]


def test_the_answers_file_shown_is_read():
    shown = block("clean\n", page("answers-file.md"))
    assert [answer.line for answer in read_answers(shown, "answers-file.md")][-1] == len(shown.splitlines())


def test_every_command_is_in_the_table():
    for command in COMMANDS:
        assert f"`coach {command}" in README, command


def test_every_format_of_an_export_is_named_on_the_front_door_and_its_page():
    kinds = [f"`{kind}`" for kind in FORMATS]
    assert f"| {', '.join(kinds[:-1])} or {kinds[-1]} |" in README
    assert f"--to {'|'.join(FORMATS)} -o FILE" in page("import-export.md")


@pytest.mark.parametrize("path", [ROOT / "README.md", *sorted(DOCS.glob("*.md"))], ids=lambda path: path.name)
def test_every_file_that_a_page_links_or_shows_exists(path):
    for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", path.read_text(encoding="utf-8")):
        assert (path.parent / target).exists(), target


def test_the_developers_page_says_of_every_test_file_where_it_belongs():
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = developers.partition("### Where the tests are")[2].partition("\n## ")[0]
    rows = re.findall(r"^\| [^|-]+ \| ([a-z_, ]+) \|$", table, re.MULTILINE)
    files = [path.stem.removeprefix("test_") for path in (ROOT / "tests").glob("test_*.py")]
    assert sorted(", ".join(rows[1:]).split(", ")) == sorted(files)


def test_the_front_door_fits_three_screens_and_every_page_is_a_door_away():
    rows = [row for line in README.splitlines() for row in wrap(line, 100) or [""]]
    assert len(rows) <= 3 * 50  # screens of 100 columns and 50 rows
    linked = set(re.findall(r"\]\(docs/([^)#]+\.md)\)", README))
    behind = {name for page_name in linked for name in re.findall(r"\]\(([^)#/]+\.md)\)", page(page_name))}
    assert {path.name for path in DOCS.glob("*.md")} <= linked | behind


def test_the_job_comes_first_and_the_two_commands_near_the_top():
    paragraphs = [part for part in README.split("\n\n") if part.strip()]
    assert paragraphs[0] == "# Wellrung"
    assert "natural harmonics over a bass line" in paragraphs[1]
    top = README[:2500]
    assert "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/coach" in top
    assert "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/pytest" in top


def test_landed_and_kept_are_what_the_estimate_makes_of_them():
    assert "the goal tempo held today, two clean in a row" in page("practising.md")
    assert "clean cold at the goal after a week without it" in page("practising.md")
    record, day = Record(), date(2026, 12, 3).toordinal()
    for rep, wanted in ((1, 0), (2, day)):
        record.add(0, 0, 60, 60, goal_bpm=60, day=day, away=0)
        assert (record.reps, record.landed, record.kept) == (rep, wanted, 0)
    record.add(0, 0, 60, 60, goal_bpm=60, day=day + 7, away=7)
    assert (record.landed, record.kept) == (day, day + 7)


def test_the_files_of_a_teachers_week_are_those_of_the_program(tmp_path, monkeypatch, capsys):
    week = page("teaching.md")
    (tmp_path / "drills").mkdir()
    (tmp_path / "drills" / "first-light.yaml").write_text(block("drill: 1"))
    monkeypatch.chdir(tmp_path)
    assign = " ".join(re.search(r"`coach (assign [^`]*)`", week)[1].split())
    assert main([*assign.split(), "--date", "2026-12-01"]) == 0
    handout = re.search(r"`coach practice ([^`]*)`", week)[1]
    assert read_drill(Path(handout).read_text(), handout)[0].assignment.student == "Ana"
    reply = re.search(r"`coach (report [^`]*)`", week)[1].split()
    (tmp_path / "answers.txt").write_text("clean\nstop\n")
    there = ["--folder", "ana", "--date", "2026-12-07"]
    assert main(["practice", handout, "--answers", "answers.txt", *there]) == 0
    assert main(["log", "note", re.search(r'note "([^"]*)"`', week)[1], *there]) == 0
    monkeypatch.setattr("sys.stdin", io.StringIO("y\n"))
    assert main([*reply, *there]) == 0
    assert main(["roster", ".", "--date", "2026-12-07"]) == 1  # 1: the answers file is no reply
    assert 'Ana, 7 Dec: "the lift at 3.2 is late"' in capsys.readouterr().out
