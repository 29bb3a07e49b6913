"""`coach sound` and `coach midi` without devices, and what tapping along tells."""

import itertools
import json
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.cli import main
from coach.commands.sound import TAP_BEATS, TAP_TEMPO_BPM, earlier_text, refuse_impossible, tap_along
from coach.ground.problem import CoachError
from coach.sound.engine import SILENT_LEAD_S, Engine
from coach.sound.latency import TAP_LEAD_S, offset_from_taps
from coach.sound.settings import SoundSettings

STRIKES = [0.5 * beat for beat in range(40)]


@given(late_s=st.floats(-0.15, 0.15), wobble=st.lists(st.floats(-0.02, 0.02), min_size=8, max_size=20))
def test_the_offset_is_the_middle_of_the_taps_less_what_people_tap_early(late_s, wobble):
    """Taps come 20 to 80 ms before the click: Repp 2005 (from memory); half-way is allowed for."""
    taps = [STRIKES[4 + index] + late_s + slip for index, slip in enumerate(wobble)]
    result = offset_from_taps(taps, STRIKES)
    assert abs(result.offset_s - TAP_LEAD_S - late_s) <= 0.02 + 1e-9


def test_one_wild_tap_moves_nothing():
    taps = [strike - 0.03 for strike in STRIKES[4:20]]
    taps[5] += 0.2
    assert offset_from_taps(taps, STRIKES).offset_s == pytest.approx(0.02)


def test_too_few_or_too_wild_taps_are_refused():
    with pytest.raises(CoachError, match="3 taps; at least 8"):
        offset_from_taps(STRIKES[:3], STRIKES)
    with pytest.raises(CoachError, match="for an offset at most 60 ms"):
        offset_from_taps([strike + 0.2 * (-1) ** index for index, strike in enumerate(STRIKES)], STRIKES)


def test_tapping_with_the_silent_player_finds_the_delay_of_the_taps():
    now_s = [10.0]
    player = Engine(opener=None, clock=lambda: now_s[0])
    player.offset_s = 0.5

    def keys():
        for beat in range(TAP_BEATS):
            now_s[0] = 10.0 + SILENT_LEAD_S + beat * 60 / TAP_TEMPO_BPM + 0.03
            yield "space"

    offset_ms, spread_ms = tap_along(player, keys(), SoundSettings())
    assert offset_ms == pytest.approx(80, abs=0.2)
    assert spread_ms == pytest.approx(0, abs=0.2)
    assert player.offset_s == 0.5
    assert player.token is None


def test_a_negative_offset_is_explained_and_one_before_the_card_has_the_click_refused():
    assert earlier_text(-30).startswith("negative: you hear the click 30 ms earlier than calculated")
    refuse_impossible(-299, queue_ms=300)
    with pytest.raises(CoachError, match="gets a click only 300 ms ahead"):
        refuse_impossible(-301, queue_ms=300)


def test_devices_are_listed_as_json(capsys):
    assert main(["sound", "--json"]) == 0
    assert isinstance(json.loads(capsys.readouterr().out), list)


def test_a_device_that_is_not_there_is_named(capsys, tmp_path):
    assert main(["sound", "test", "--device", "No Such Desk", "--folder", str(tmp_path)]) == 1
    assert "no sound card called 'No Such Desk' found" in capsys.readouterr().err


def test_tapping_needs_a_terminal(capsys, tmp_path):
    assert main(["sound", "tap", "--folder", str(tmp_path)]) == 2
    assert "needs a terminal" in capsys.readouterr().err


def test_a_wrong_setting_stops_both_commands_with_its_place(capsys, tmp_path):
    (tmp_path / "settings.yaml").write_text("sound: {click: gong}\nmidi: {channel: 17}\n")
    assert main(["sound", "test", "--folder", str(tmp_path)]) == 1
    both = capsys.readouterr().err
    assert "settings.yaml:1:16: sound.click: 'gong' is none of wood, tick, tone, block" in both
    assert "settings.yaml:2:17: midi.channel: 17 is outside 1 to 16" in both
    assert main(["midi", "watch", "--folder", str(tmp_path)]) == 1
    assert capsys.readouterr().err == both


def test_learning_needs_an_action_that_there_is(capsys, tmp_path):
    assert main(["midi", "learn", "clear", "--folder", str(tmp_path)]) == 2
    assert "found 'clear', expected one of clean, choked" in capsys.readouterr().err


def test_a_binding_is_forgotten(tmp_path, capsys):
    (tmp_path / "settings.yaml").write_text("midi: {bindings: {again: cc 64, next: cc 65}}\n")
    assert main(["midi", "forget", "again", "--folder", str(tmp_path)]) == 0
    text = (tmp_path / "settings.yaml").read_text()
    assert "again" not in text
    assert "next: cc 65" in text


def test_the_seconds_of_a_watch_begin_when_its_port_is_open(tmp_path, monkeypatch, capsys):
    now_s = itertools.count()

    class SlowPort:
        full_name = "Pad One"

        def __init__(self, direction, name, received):
            self.received = received

        def must_open(self):
            for _ in range(10):
                next(now_s)
            self.received((0xC0, 5), 1.0)

        def close(self):
            pass

    monkeypatch.setattr("coach.commands.midi.PortProcess", SlowPort)
    monkeypatch.setattr("coach.commands.midi.time", SimpleNamespace(monotonic=lambda: next(now_s)))
    assert main(["midi", "watch", "--port", "pad", "--seconds", "5", "--folder", str(tmp_path)]) == 0
    assert "C0 05     program 5 on 1 pressed" in capsys.readouterr().out
