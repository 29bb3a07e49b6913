"""The sound section of the settings file is checked whole."""

import pytest

from coach.ground.problem import CoachError
from coach.sound.settings import HEARING_NOTE, SoundSettings


def test_defaults_are_soft_and_follow_the_system():
    plain = SoundSettings.from_mapping({})
    assert plain == SoundSettings()
    assert plain.click_db <= -12
    assert plain.offset_s == 0


def test_values_are_taken_up():
    made = SoundSettings.from_mapping({"device": "Desk", "offset_ms": 45, "click": "tick", "click_db": -20.5})
    assert made.offset_s == pytest.approx(0.045)
    assert (made.device, made.click, made.click_db) == ("Desk", "tick", -20.5)


def test_every_wrong_value_is_named_at_once():
    with pytest.raises(CoachError) as caught:
        SoundSettings.from_mapping({"clik": "wood", "click": "gong", "click_db": 3, "offset_ms": True})
    text = str(caught.value)
    assert "sound.clik: unknown key" in text
    assert "(click?)" in text
    assert "sound.click: found 'gong', expected one of wood" in text
    assert "sound.click_db: found 3, expected a number from -60 to 0 dB" in text
    assert "sound.offset_ms: found True" in text


def test_the_note_on_hearing_gives_the_published_limit():
    """NIOSH: 85 dBA for 8 hours, 3 dB exchange rate."""
    assert "at risk beyond 85 dBA over 8 hours" in HEARING_NOTE
    assert "half as long for every 3 dB more" in HEARING_NOTE
