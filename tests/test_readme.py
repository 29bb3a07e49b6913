"""What README says is so: its drill, its settings, its answers file, its commands."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest

from coach.answers import read_answers
from coach.cli import COMMANDS
from coach.drillfile.load import read_drill
from coach.midi.settings import MidiSettings
from coach.settings import PracticeSettings, ScreenSettings, read_settings
from coach.sound.settings import SoundSettings
from coach.tui.actions import keymap_from

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def block(start: str) -> str:
    """The fenced block that starts with a line."""
    for found in re.findall(r"```\w*\n(.*?)```", README, re.DOTALL):
        if found.startswith(start):
            return found
    pytest.fail(f"README has no block that starts with {start!r}")


def test_the_first_own_drill_passes_the_checker_without_a_word():
    drill, problems = read_drill(block("drill: 1"), "README.md")
    assert problems == []
    assert drill is not None
    assert drill.title == "First Light"


def test_the_settings_shown_are_all_there_are_with_their_defaults():
    settings = read_settings(block("practice:"), "README.md")
    assert settings.practice == PracticeSettings()
    assert settings.screen == ScreenSettings()
    assert SoundSettings.from_mapping(settings.sound) == SoundSettings()
    midi = MidiSettings.from_mapping({k: v for k, v in settings.midi.items() if k != "bindings"})
    assert midi == MidiSettings()
    assert MidiSettings.from_mapping(settings.midi).bindings
    keymap_from(settings.keys)
    for kind in (PracticeSettings, ScreenSettings, SoundSettings, MidiSettings):
        for item in fields(kind):
            assert f"  {item.name}:" in README or f"# {item.name}:" in README, item.name


def test_the_answers_file_shown_is_read():
    assert len(read_answers(block("clean\n"), "README.md")) == 8


def test_every_command_is_in_the_table():
    for command in COMMANDS:
        assert f"`coach {command}" in README, command


def test_every_file_that_is_linked_or_shown_exists():
    for target in re.findall(r"\]\(([^)#:]+)\)", README):
        assert (ROOT / target).exists(), target


def test_the_job_comes_first_and_the_two_commands_near_the_top():
    paragraphs = [part for part in README.split("\n\n") if part.strip()]
    assert paragraphs[0] == "# Wellrung"
    assert "natural harmonics over a bass line" in paragraphs[1]
    top = README[:2500]
    assert "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/coach" in top
    assert "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/pytest" in top
