"""The settings file: defaults, every check, and that saving keeps the rest."""

from __future__ import annotations

import pytest

from coach.folder.settings import Settings, defaults_text, load_settings, read_settings, save_settings
from coach.ground.problem import CoachError


def test_without_a_file_everything_has_its_default(tmp_path):
    assert load_settings(tmp_path / "settings.yaml") == Settings()


def test_the_documented_defaults_are_the_defaults():
    assert read_settings(defaults_text().replace("null", "0.8"), "s").practice.target == 0.8
    assert read_settings(defaults_text().replace("  target: null\n", ""), "s") == Settings()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("practise: {}", r"unknown key; allowed: practice, .*\(practice\?\)"),
        ("practice: {minuts: 5}", r"s: practice.minuts: unknown key; .*\(minutes\?\)"),
        ("practice: {minutes: 500}", r"practice.minutes: found 500, expected a whole number from 1 to 240"),
        ("practice: {minutes: yes}", r"found True, expected a whole number"),
        ("practice: 5", r"practice: found 5, expected keys below it"),
        ("- a", r"holds no sections"),
        ("a: b: c", r"s:1:5: is no YAML"),
        ("a: &x [1]\nb: *x", r"no place in settings"),
        ("screen: {view: wide}", r"expected glance or study"),
    ],
)
def test_each_slip_is_told_with_its_place_and_what_is_allowed(text, says):
    with pytest.raises(CoachError, match=says):
        read_settings(text, "s")


def test_saving_one_value_keeps_every_other(tmp_path):
    path = tmp_path / "deep" / "settings.yaml"
    save_settings(path, {"screen": {"tour_seen": True}})
    save_settings(path, {"practice": {"minutes": 35}})
    settings = load_settings(path)
    assert settings.screen.tour_seen
    assert settings.practice.minutes == 35


def test_a_bad_value_is_never_saved(tmp_path):
    path = tmp_path / "settings.yaml"
    save_settings(path, {"practice": {"minutes": 35}})
    with pytest.raises(CoachError, match="expected a whole number"):
        save_settings(path, {"practice": {"minutes": 0}})
    assert load_settings(path).practice.minutes == 35


def test_saving_keeps_the_comments_and_the_layout_of_the_file(tmp_path):
    path = tmp_path / "settings.yaml"
    path.write_text(
        "# mine\npractice:\n    minutes: 25   # evenings\n\nscreen:\n  theme: dusk\n# the pedal\nmidi:\n"
        "  bindings:\n    clean: cc 64\n    again: [cc 67, note 36]  # left\n  channel: 3\n",
        encoding="utf-8",
    )
    save_settings(path, {"practice": {"minutes": 30, "pause_s": 1}, "screen": {"left_handed": True}})
    save_settings(path, {"midi": {"bindings": {"clean": "cc 65"}}, "sound": {"click": "tick"}})
    text = path.read_text(encoding="utf-8")
    assert "    minutes: 30   # evenings\n" in text
    assert text.startswith("# mine\n")
    assert "# the pedal\n" in text
    settings = load_settings(path)
    assert (settings.practice.minutes, settings.practice.pause_s, settings.screen.left_handed) == (
        30,
        1,
        True,
    )
    assert settings.midi == {"bindings": {"clean": "cc 65"}, "channel": 3}
    assert settings.sound == {"click": "tick"}


@pytest.mark.parametrize(
    "text", ["screen: {theme: dusk}\n", "screen:\n", "", "screen: null\n", "screen:\n  theme: 'a # b'\n"]
)
def test_any_layout_takes_a_new_value(text, tmp_path):
    path = tmp_path / "settings.yaml"
    path.write_text(text, encoding="utf-8")
    theme = load_settings(path).screen.theme
    save_settings(path, {"screen": {"tour_seen": True}})
    settings = load_settings(path).screen
    assert (settings.tour_seen, settings.theme) == (True, theme)
    assert path.read_text(encoding="utf-8").count("screen:") == 1
