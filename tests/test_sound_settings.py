"""The sound section of the settings file is checked whole."""

from pathlib import Path

import pytest

from coach.folder.settings import read_settings
from coach.paper.sheet import CAUTIONS
from coach.sound.settings import HEARING_NOTE
from coach.tui.canvas import wrapped
from coach.tui.start import QUIET_ROWS


def test_defaults_are_soft_and_follow_the_system():
    plain = read_settings("", "s").sound
    assert plain.click_db <= -12
    assert plain.offset_s == 0
    assert plain.device == ""


def test_values_are_taken_up():
    text = "sound: {device: Desk, offset_ms: 45, click: tick, click_db: -20.5}"
    sound = read_settings(text, "s").sound
    assert sound.offset_s == pytest.approx(0.045)
    assert (sound.device, sound.click, sound.click_db) == ("Desk", "tick", -20.5)


def test_the_note_on_hearing_gives_the_published_limit():
    """NIOSH: 85 dBA for 8 hours, 3 dB exchange rate."""
    assert "at risk beyond 85 dBA over 8 hours" in HEARING_NOTE
    assert "half as long for every 3 dB more" in HEARING_NOTE


def test_the_note_on_hearing_is_shown_whole_on_the_start_screen():
    assert len(wrapped(HEARING_NOTE, 80)) <= QUIET_ROWS


def test_headphones_have_the_published_limits_for_adults_and_children():
    """WHO-ITU H.870 (2018): modes of 80 dBA and, for children, 75 dBA over 40 hours a week."""
    readme = " ".join((Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8").split())
    for text in (HEARING_NOTE, readme, " ".join(CAUTIONS)):
        assert "80 dBA" in text
        assert "40 hours a week, for children 75 dBA (WHO-ITU H.870)" in text
