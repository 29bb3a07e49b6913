"""The settings file: defaults, every slip with its place, and that saving keeps the rest."""

from __future__ import annotations

import string
from dataclasses import replace

import pytest
from textual.keys import _character_to_key

from coach.cli import main
from coach.folder.actions import key_name, shown_key
from coach.folder.settings import (
    SETTINGS,
    Settings,
    adopt_settings,
    keep_settings,
    load_settings,
    read_settings,
    save_settings,
)
from coach.ground.problem import CoachError
from coach.midi.pedal import Trigger


def test_a_new_folder_begins_with_the_settings_that_were_saved_last_and_an_old_one_keeps_its_own(tmp_path):
    usual, first, second = (tmp_path / name / "settings.yaml" for name in ("state", "one", "two"))
    save_settings(first, {"screen": {"theme": "paper", "tour_seen": True}})
    keep_settings(first, usual)
    adopt_settings(second, usual)
    assert load_settings(second).screen.theme == "paper"
    assert load_settings(second).screen.tour_seen
    save_settings(first, {"screen": {"theme": "beacon"}})
    keep_settings(first, usual)
    adopt_settings(second, usual)
    assert load_settings(second).screen.theme == "paper"
    usual.write_text("screen: {theme: plaid}")
    adopt_settings(tmp_path / "three" / "settings.yaml", usual)
    assert not (tmp_path / "three" / "settings.yaml").exists()


def test_without_a_file_everything_has_its_default(tmp_path):
    assert load_settings(tmp_path / "settings.yaml") == Settings()


@pytest.mark.parametrize("text", ["", "# nothing yet\n", "practice:\nsound: null\n", "practice: {}\n"])
def test_empty_files_and_sections_leave_the_defaults(text):
    assert read_settings(text, "s") == Settings()


@pytest.mark.parametrize("section", ["practice", "screen", "sound", "midi"])
def test_every_default_is_written_as_it_is_read(section):
    group = SETTINGS.rows[section]
    written = {key: row.kind.write(row.default) for key, row in group.rows.items() if row.default is not None}
    text = f"{section}:\n" + "".join(f"  {key}: {value}\n" for key, value in written.items())
    assert read_settings(text, "s") == Settings()
    for key, row in group.rows.items():
        for choice in row.choices:
            settings = read_settings(f"{section}: {{{key}: {row.kind.write(choice)}}}", "s")
            assert getattr(getattr(settings, section), key) == choice


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            "practise: {}",
            r"s:1:1: `practise` is not a key here; allowed are practice, .*did you mean `practice`",
        ),
        ("minutes: 20", r"s:1:1: `minutes` is not a key here; .* \(`minutes` belongs under `practice`\)"),
        (
            "practice: {minuts: 5}",
            r"s:1:12: practice: `minuts` is not a key here; .*\(did you mean `minutes`\?\)",
        ),
        ("practice: {minutes: 500}", r"s:1:21: practice.minutes: 500 is outside 1 to 240 min"),
        ("practice: {minutes: 2400}", r"outside 1 to 240 min \(one zero too many\?\)"),
        ("practice: {minutes: yes}", r"'yes' is not a whole number from 1 to 240"),
        ("practice: {minutes: 20 min}", r"is not a whole number .*\(write 20 without the unit\)"),
        ("practice: {pause_s: '1,5'}", r"'1,5' is not a number from 0 to 30 s \(did you mean 1.5\?\)"),
        ("practice: 5", r"s:1:11: practice: found '5' where `key: value` lines belong"),
        ("practice: {minutes: 5, minutes: 6}", r"`minutes` is given twice"),
        ("- a", r"found a list where `key: value` lines belong"),
        ("a: b: c", r"s:1:5: a colon and a space start a value"),
        ("screen: &x {}", r"`&x` is a YAML anchor; a settings file can't have one"),
        ("screen: {view: wide}", r"'wide' is none of glance, study"),
        ("screen: {theme: duks}", r"none of dusk, paper, beacon, terminal \(did you mean dusk\?\)"),
        ("screen: {ascii: maybe}", r"'maybe' is neither yes nor no"),
        ("sound: {clik: wood}", r"s:1:9: sound: `clik` is not a key here; .*\(did you mean `click`\?\)"),
        ("sound: {click: gong}", r"s:1:16: sound.click: 'gong' is none of wood, tick, tone, block"),
        ("sound: {click_db: 3}", r"sound.click_db: 3 is outside -60 to 0 dB"),
        ("sound: {offset_ms: true}", r"sound.offset_ms: 'true' is not a number from -500 to 1000 ms"),
        ("midi: {channel: 99}", r"s:1:17: midi.channel: 99 is outside 1 to 16"),
        ("midi: {chanel: 3}", r"midi: `chanel` is not a key here; .*\(did you mean `channel`\?\)"),
        ("midi: {clock: ja}", r"midi.clock: 'ja' is neither yes nor no"),
        ("midi: {bindings: {clear: cc 1}}", r"midi.bindings: `clear` is not a key here; .*`clean`"),
        ("midi: {bindings: {next: 7}}", r"s:1:25: midi.bindings.next: '7' is not a trigger; write 'cc 64'"),
        (
            "midi: {bindings: {again: cc 1, pause: [cc 2, cc 1]}}",
            r"s:1:46: midi.bindings.pause: cc 1 means again already; one switch can mean clean and choked",
        ),
        ("keys: {goo: f2}", r"s:1:8: keys: `goo` is not a key here; allowed are .*\(did you mean `go`\?\)"),
        ("keys: {go: spcae}", r"s:1:12: keys\.go: 'spcae' is not a key; .*\(did you mean space\?\)"),
        ("keys: {go: 3.5}", r"s:1:12: keys\.go: '3\.5' is not a key; a key is a letter"),
        ("keys: {go: {a: b}}", r"keys\.go: found a group of `key: value` lines where a list belongs"),
        (
            "keys: {go: f6, listen: f6}",
            r"s:1:24: keys\.listen: 'f6' is already the key of go \(ready\) \(give go another key too\)",
        ),
        ("keys: {late: 5}", r"s:1:14: keys\.late: '5' marks an event while a repetition is rated"),
    ],
)
def test_each_slip_is_told_with_its_place_and_what_is_allowed(text, says):
    with pytest.raises(CoachError, match=says) as caught:
        read_settings(text, "s")
    assert len(caught.value.problems) == 1


@pytest.mark.parametrize("text", ["# " + "é" * 60_000, "# x" + "é" * 60_000, "#" * 100_001])
def test_a_file_that_is_too_large_is_told_with_its_size_and_the_most(text, tmp_path):
    path = tmp_path / "settings.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(CoachError) as refused:
        load_settings(path)
    size = len(text.encode())
    assert str(refused.value) == f"{path}: can't be read: it has {size:,} bytes; at most 100,000 are allowed"


def test_all_problems_come_at_once_in_the_order_of_the_text_with_carets(tmp_path, capsys):
    path = tmp_path / "settings.yaml"
    path.write_text("midi:\n  channel: 99\nkeys: {goo: f2, save: nonsense}\nsound:\n  clik: wood\n")
    assert main(["plan", "--folder", str(tmp_path)]) == 1
    lines = capsys.readouterr().err.splitlines()
    places = [line.split(":")[2:4] for line in lines[::3]]
    assert places == [["2", "12"], ["3", "8"], ["3", "23"], ["5", "3"]]
    assert lines[1:3] == ["      channel: 99", "               ^"]


def test_a_key_that_the_player_chose_is_theirs_and_what_had_it_by_default_goes_without():
    # A player may have given `late` the key that a new version of the program gives `as_heard`.
    keys = read_settings("keys: {broke_off: [tab, space], late: h}", "s").keys
    assert keys.meaning("h", "rating").id == "late"
    assert keys.meaning("h", "ready").id == "listen"
    assert keys.action("view").keys == ("v",)
    assert keys.notices == ("Your own keys leave as_heard without one: add it under `keys` in settings.yaml",)
    assert not read_settings("keys: {late: h, as_heard: f6}", "s").keys.notices
    assert not read_settings("keys: {as_heard: []}", "s").keys.notices, "the player wants none there"


def test_every_sign_can_be_chosen_and_is_the_key_that_the_screens_library_calls_so():
    """Textual's own name of each printable ASCII character (`textual.keys`)."""
    for sign in filter(str.isprintable, string.printable):
        name = key_name(sign)
        assert name == _character_to_key(sign)
        assert shown_key(name) == (sign if sign != " " else "space")
    assert key_name("ctrl+@") == "ctrl+at"
    assert key_name("") is None


def test_one_switch_may_mean_clean_and_choked():
    midi = read_settings("midi: {bindings: {clean: cc 64, choked: cc 64}}", "s").midi
    assert midi.bindings == {"clean": (Trigger("cc", 64),), "choked": (Trigger("cc", 64),)}


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
    with pytest.raises(CoachError, match="0 is outside 1 to 240 min"):
        save_settings(path, {"practice": {"minutes": 0}})
    assert load_settings(path).practice.minutes == 35


def test_saving_keeps_the_comments_and_the_layout_of_the_file(tmp_path):
    path = tmp_path / "settings.yaml"
    path.write_text(
        "# mine\npractice:\n    minutes: 25   # evenings\n\nscreen:\n  theme: dusk\n# the pedal\nmidi:\n"
        "  bindings:\n    clean: cc 64   # right\n    again: [cc 67, note 36]  # left\n  channel: 3\n",
        encoding="utf-8",
    )
    save_settings(path, {"practice": {"minutes": 30, "pause_s": 1.0}, "screen": {"left_handed": True}})
    bound = {"clean": (Trigger("cc", 65),), "again": None, "next": (Trigger("note", 40), Trigger("cc", 1))}
    save_settings(path, {"midi": {"bindings": bound}, "sound": {"click": "tick"}})
    assert path.read_text(encoding="utf-8") == (
        "# mine\npractice:\n    pause_s: 1\n    minutes: 30   # evenings\n\n"
        "screen:\n  left_handed: yes\n  theme: dusk\n# the pedal\nmidi:\n"
        "  bindings:\n    next: [note 40, cc 1]\n    clean: cc 65   # right\n  channel: 3\n"
        "sound:\n  click: tick\n"
    )
    settings = load_settings(path)
    assert (settings.practice.minutes, settings.practice.pause_s) == (30, 1)
    assert settings.screen.left_handed


@pytest.mark.parametrize(
    "text",
    [
        "screen: {theme: dusk}\n",
        "screen:\n",
        "",
        "# a word\n",
        "---\nscreen: {}\n",
        "screen: null # none\n",
        "screen:\r\n  theme: paper\r\n",
        "screen:\n  theme: 'paper'",
        "{screen: {theme: paper}, practice: }",
        "{screen: null}",
        "{}",
        "  screen:\n      theme: paper\n",
        "screen:\n  tour_seen: no # yet\n\n# the end\n",
        "sound:\n  device: >\n    Desk\n    two\n\npractice:\n  minutes: 20\n",
    ],
)
@pytest.mark.parametrize("section", ["screen", "midi"])
def test_any_layout_takes_a_new_value_and_gives_it_back(text, section, tmp_path):
    path = tmp_path / "settings.yaml"
    path.write_bytes(text.encode())
    if section == "midi":
        before = load_settings(path)
        save_settings(path, {"midi": {"bindings": {"clean": (Trigger("cc", 64),)}}})
        after = load_settings(path)
        assert after == replace(before, midi=replace(before.midi, bindings={"clean": (Trigger("cc", 64),)}))
        save_settings(path, {"midi": {"bindings": {"clean": None}}})
        assert load_settings(path) == before
    else:
        before = load_settings(path)
        save_settings(path, {"screen": {"tour_seen": True}})
        assert load_settings(path) == replace(before, screen=replace(before.screen, tour_seen=True))
    for word in ("# none", "# yet", "# the end", "# a word"):
        assert (word in text) == (word in path.read_text(encoding="utf-8"))
