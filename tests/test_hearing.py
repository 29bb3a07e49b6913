"""The ear beside a session: what it hears in rendered performances, what it keeps, and that nothing stops practice."""

from __future__ import annotations

import dataclasses
from dataclasses import replace

import numpy as np
import pytest

from coach.listen.ear import Ear
from coach.listen.heard import CHOKED, CLEAN, LATE, MISSING, OTHER, UNSURE, Heard, Verdict, unlike
from coach.listen.kept import EarShelf
from coach.music.excerpt import Passage
from coach.rating import table
from coach.rating.table import Says
from coach.session.hearing import LEARNS, RATE_HZ, SILENT, UNHEARD, UNLIKE
from coach.session.suggestions import suggestion, suggestions_of
from coach.sound.capture import CaptureState, CaptureStatus
from tests.hearing import BPM, NOISE, HeldMicrophone, Listener, Performer
from tests.screens import lamp

BUZZED = Verdict("buzzed", "a buzz", Says.NOTHING, None, None)
"""A row that the table does not have."""


@pytest.fixture
def shelf(tmp_path) -> EarShelf:
    return EarShelf(tmp_path / "ear")


@pytest.fixture
def listener(shelf):
    listener = Listener(HeldMicrophone(), shelf)
    listener.hearing.open()
    yield listener
    listener.hearing.close()


def faulty(heard: dict[int, Heard]) -> set[int]:
    return {label for label, one in heard.items() if one.verdict not in (CLEAN, UNSURE)}


def test_it_suggests_nothing_before_it_has_learnt_and_then_finds_what_choked(listener, shelf):
    performer = Performer()
    assert listener.hears(performer, performer.plays(choked=3)) == {}
    assert listener.hearing.status == LEARNS
    for _ in range(2):
        listener.hears(performer, performer.plays())
        listener.learns()
    assert faulty(listener.hears(performer, performer.plays())) == set()
    assert listener.hearing.status == ""
    assert faulty(listener.hears(performer, performer.plays(choked=3))) == {3}
    listener.hearing.close()
    kept = shelf.load(performer.instrument)
    assert len(kept.notes) > 3
    # Measures only: a second of sound alone would be ten times as long a list.
    longest = max(
        len(level) for note in kept.notes.values() for p in note.plucks for level in p.levels.values()
    )
    assert longest < 100


def test_a_rating_that_is_taken_back_is_not_learnt_from(listener):
    performer = Performer()
    listener.hears(performer, performer.plays())
    listener.learns()
    listener.after(listener.hearing.unlearn)
    assert listener.hears(performer, performer.plays()) == {}
    assert listener.hearing.status == LEARNS


def test_what_was_learnt_is_there_in_the_next_session(shelf):
    performer = Performer()
    first = Listener(HeldMicrophone(), shelf)
    first.hearing.open()
    first.hears(performer, performer.plays())
    first.learns()
    first.hearing.close()
    second = Listener(HeldMicrophone(), shelf)
    second.hearing.open()
    assert len(second.hears(performer, performer.plays())) > 3
    second.hearing.close()
    assert second.microphone.opened == 0


def test_sound_that_was_not_all_heard_is_not_judged_and_says_so(listener):
    performer = Performer()
    sound = performer.plays()
    assert listener.hears(performer, sound[: len(sound) // 2]) == {}
    assert listener.hearing.status == UNHEARD
    lost = CaptureStatus(CaptureState.LOST, "Desk")
    listener.microphone.status = lost
    assert listener.hears(performer, sound[:0]) == {}
    assert listener.hearing.status == str(lost)
    assert not listener.hearing.listens


def test_a_player_in_wireless_headphones_whose_notes_all_come_late_is_heard_as_on_time(listener):
    performer, late = Performer(), np.zeros(round(0.25 * RATE_HZ), np.float32)
    listener.microphone.hears_clicks = False

    def heard(choked: int = 0) -> dict[int, Heard]:
        return listener.hears(performer, np.append(late, performer.plays(choked, clicks=False)))

    for _ in range(2):
        heard()
        listener.learns()
    assert listener.microphone.delay_s == pytest.approx(0.25, abs=0.01)
    clean = heard()
    assert {one.verdict for one in clean.values()} == {CLEAN}
    assert max(abs(one.onset_ms or 0.0) for one in clean.values()) < 10
    assert faulty(heard(choked=3)) == {3}


def test_who_puts_wireless_headphones_on_after_clicks_were_heard_is_heard_on_time_after_one_repetition(
    listener,
):
    performer, late = Performer(), np.zeros(round(0.25 * RATE_HZ), np.float32)
    for _ in range(2):
        listener.hears(performer, performer.plays())
        listener.learns()
    listener.microphone.hears_clicks = False
    assert listener.hears(performer, np.append(late, performer.plays(clicks=False))) == {}
    assert listener.hearing.status == UNLIKE
    clean = listener.hears(performer, np.append(late, performer.plays(clicks=False)))
    assert {one.verdict for one in clean.values()} == {CLEAN}


def test_what_a_muted_microphone_heard_is_told_and_not_learnt_from(listener):
    performer = Performer()
    muted = np.zeros_like(performer.plays())
    assert listener.hears(performer, muted) == {}
    assert listener.hearing.status == SILENT
    listener.learns()
    assert listener.hears(performer, performer.plays()) == {}
    assert listener.hearing.status == LEARNS


def test_whatever_fails_in_the_ear_is_one_line_and_the_next_repetition_is_judged(listener, monkeypatch):
    performer = Performer()
    listener.hears(performer, performer.plays())
    listener.learns()

    def broken(self, looks):
        raise ZeroDivisionError

    with monkeypatch.context() as patch:
        patch.setattr(Ear, "heard", broken)
        assert listener.hears(performer, performer.plays()) == {}
        assert listener.hearing.status == "listening failed (ZeroDivisionError): going on without it"
    assert len(listener.hears(performer, performer.plays())) > 3
    assert listener.hearing.status == ""


def test_where_most_of_it_sounds_unlike_the_passage_nothing_is_suggested(listener):
    performer = Performer()
    for _ in range(2):
        listener.hears(performer, performer.plays())
        listener.learns()
    sound = performer.plays()
    # Nothing but the room is heard after the count-in.
    start = round(4 * 60 / BPM * RATE_HZ)
    sound[start:] = performer.rng.normal(0, NOISE, len(sound) - start)
    assert listener.hears(performer, sound) == {}
    assert listener.hearing.status == UNLIKE
    said = [Heard(label, CHOKED if label < 3 else CLEAN, 0.9) for label in range(1, 7)]
    assert not unlike(said)
    assert unlike([*said[:2], replace(said[3], verdict=LATE), said[4]])
    for says_nothing in (UNSURE, BUZZED):
        assert not unlike([*said[:2], replace(said[3], verdict=says_nothing), said[4]])


def test_a_damaged_file_is_told_with_its_place_and_learnt_anew(listener, shelf):
    performer = Performer()
    path = shelf.path(performer.instrument)
    path.parent.mkdir()
    for text in (
        "{",
        '{"strings": []}',
        '{"strings": 3}',
        '{"strings": [], "notes": {"x": {"plucks": [{}]}}}',
    ):
        path.write_text(text)
        listener.hearing._ears.clear()
        assert listener.hears(performer, performer.plays()) == {}
        assert listener.hearing.status.startswith(
            f"{path}: what the coach had learnt about your strings can't be read ("
        )
        assert listener.hearing.status.endswith("): it learns anew")
    assert listener.hears(performer, performer.plays()) == {}
    assert listener.hearing.status == LEARNS
    listener.learns()
    listener.hearing.close()
    assert shelf.load(performer.instrument).notes


def test_a_folder_that_can_t_be_written_stops_nothing(tmp_path):
    (tmp_path / "ear").write_text("in the way")
    listener = Listener(HeldMicrophone(), EarShelf(tmp_path / "ear"))
    listener.hearing.open()
    performer = Performer()
    listener.hears(performer, performer.plays())
    listener.learns()
    listener.hearing.close()
    assert "left alone" in listener.hearing.remark


def test_what_was_heard_becomes_a_mark_that_the_table_has():
    passage, _ = lamp()
    harmonic = next(event for event in passage.events if event.is_harmonic)
    low = next(event for event in passage.events if not event.is_harmonic)
    for verdict, event, mark, words in (
        (CHOKED, harmonic, table.CHOKED, "quiet"),
        (OTHER, harmonic, table.CHOKED, "other note"),
        (MISSING, harmonic, table.CHOKED, "nothing"),
        (MISSING, low, table.DROPPED, "nothing"),
        (LATE, harmonic, table.LATE, "38 ms late"),
        (CLEAN, harmonic, None, ""),
        (UNSURE, harmonic, None, "can't tell"),
        (BUZZED, harmonic, None, "a buzz"),
    ):
        one = suggestion(Heard(event.label, verdict, 0.9, 38.2), event)
        assert (one.mark, one.heard, one.verdict) == (mark, words, verdict.word)


def test_at_a_node_where_suggestions_are_withheld_what_it_heard_is_for_the_log_alone():
    passage: Passage
    passage, _ = lamp()
    nodes = {event.label: "+".join(event.nodes) for event in passage.logged.events}
    label = next(label for label, key in nodes.items() if key)
    heard = [Heard(event.label, CHOKED, 0.9) for event in passage.events]
    for one in suggestions_of(heard, passage, {nodes[label]}):
        quiet = nodes[one.label] == nodes[label]
        assert (one.heard == "", one.mark is None, one.verdict) == (quiet, quiet, "choked")


def test_the_shelf_names_instruments_apart(shelf):
    _, bass = lamp()
    capo = dataclasses.replace(bass, capo=2)
    named = dataclasses.replace(bass, name="old one/../..")
    paths = {shelf.path(one) for one in (bass, capo, named)}
    assert len(paths) == 3
    assert all(path.parent == shelf.folder for path in paths)
    assert np.all([path.suffix == ".json" for path in paths])


def test_the_strings_are_as_they_were_last_measured_while_tuning(shelf):
    _, bass = lamp()
    shelf.save(bass, shelf.load(bass))
    assert shelf.load(bass).strings[0].f0_hz == pytest.approx(bass.open_hz(0))
    tuned = bass.with_measured(0, 98.5, 1.2e-4)
    (heard, other, *_) = shelf.load(tuned).strings
    assert (heard.f0_hz, heard.stiffness_b) == (pytest.approx(98.5), pytest.approx(1.2e-4))
    assert other.f0_hz == pytest.approx(bass.open_hz(1))
