"""Rounds in real time: what a clean pass costs in keys, and what becomes of silence."""

from __future__ import annotations

import time

import pytest

from tests import music_share
from tests.music_share import Bot, logged, opened, play
from tests.real.conftest import need

pytestmark = pytest.mark.real

TEMPO_BPM = 120
BAR_S = 4 * 60 / TEMPO_BPM


def test_a_clean_pass_takes_one_key(tmp_path, monkeypatch):
    need("tmux")
    for name in ("TUNE_S", "READ_S"):
        monkeypatch.setattr(music_share, name, 1.0)
    share = play(tmp_path, minutes=20, longest_s=24.0, slips=0.0, fast_slips=0.0, tempo_bpm=TEMPO_BPM)
    # Tuning, reading and a count-in take 4 s, a pass and its bar of clicks 6 s at 120 bpm and less above it.
    assert share.clean >= 2
    assert share.keys == share.clean == share.passes


def test_silence_after_a_pass_is_never_taken_as_clean(tmp_path):
    need("tmux")
    window = opened(tmp_path, minutes=20, tempo_bpm=TEMPO_BPM)
    try:
        window.to_first_rep()
        window.press("Space")
        window.wait("space break off")
        window.wait("space clean")
        time.sleep(2 * BAR_S)
        assert Bot.asked(window.text()) == "clean"
        assert logged(tmp_path) == []
        window.end_session()
    finally:
        window.close()
    (rep,) = logged(tmp_path)
    assert not rep.rated
    assert not rep.clean
