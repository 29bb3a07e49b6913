"""Whatever drill is written is read back as it was, with its problems' places inside the text."""

from __future__ import annotations

from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st

from coach.music.drill import Drill, Event
from coach.music.excerpt import whole_piece
from coach.music.passages import passage_of
from coach.score.beats import read_beat, read_beats, write_beat, write_beats
from coach.score.edit import repaired, with_ids
from coach.score.load import read_drill, read_reading
from coach.score.notation import read_events
from coach.score.write import write_drill
from tests.drillfile_drafts import drafts

FRACTIONS = st.builds(
    lambda whole, n, d: whole + Fraction(n % d, d), st.integers(0, 30), st.integers(0, 99), st.integers(1, 48)
)


def settled(draft: Drill) -> Drill:
    drill, problems = read_drill(write_drill(draft), "made.yaml")
    assert drill is not None, "\n".join(str(problem) for problem in problems)
    # Music made at random has long holds, and stopped notes among harmonics.
    expected = ("past the end of the phrase", "is a stopped note among harmonics")
    assert all(any(words in problem.message for words in expected) for problem in problems)
    return drill


def plain(event: Event) -> tuple[object, ...]:
    return (
        event.layer,
        event.beat,
        [(note.string, note.fret, note.node, note.droppable) for note in event.notes],
    )


@settings(max_examples=25, deadline=None)
@given(drafts())
def test_a_written_drill_is_read_as_it_was(draft: Drill) -> None:
    drill = settled(draft)
    again = settled(drill)
    assert again == drill
    assert (drill.title, drill.tempo, drill.order, drill.click) == (
        draft.title, draft.tempo, draft.order, draft.click
    )  # fmt: skip
    assert (drill.instrument, drill.assignment, drill.tags, drill.grade, drill.about) == (
        draft.instrument, draft.assignment, draft.tags, draft.grade, draft.about
    )  # fmt: skip
    for phrase, wanted in zip(drill.phrases, draft.phrases, strict=True):
        assert (phrase.id, phrase.name, phrase.cue) == (wanted.id, wanted.name, wanted.cue)
        for bar, bar_wanted in zip(phrase.bars, wanted.bars, strict=True):
            assert (bar.meter, bar.length, bar.cue, bar.start_ratio, bar.stop_ratio) == (
                bar_wanted.meter, bar_wanted.length, bar_wanted.cue, bar_wanted.start_ratio, bar_wanted.stop_ratio
            )  # fmt: skip
            assert sorted(map(plain, bar.events), key=str) == sorted(map(plain, bar_wanted.events), key=str)


@settings(max_examples=20, deadline=None)
@given(drafts())
def test_no_note_outlasts_its_phrase_and_every_event_has_its_place(draft: Drill) -> None:
    text = write_drill(draft)
    reading = read_reading(text, "made.yaml")
    assert reading.drill is not None
    lines = text.split("\n")
    for number, phrase in enumerate(reading.drill.phrases):
        end = sum(bar.length * bar.meter.beat_whole for bar in phrase.bars)
        start = Fraction(0)
        for index, bar in enumerate(phrase.bars):
            for event in bar.events:
                onset = start + (event.beat - bar.first_beat) * bar.meter.beat_whole
                assert event.hold > 0
                assert onset + event.hold * bar.meter.beat_whole <= end
                spot = reading.events[number, index, event.layer, event.beat]
                assert lines[spot.line - 1][spot.column - 1 :].startswith(write_beat(event.beat))
            start += bar.length * bar.meter.beat_whole
    assert passage_of(reading.drill, whole_piece(reading.drill)).events


@settings(max_examples=20, deadline=None)
@given(drafts())
def test_a_good_drill_needs_no_repair_and_no_ids(draft: Drill) -> None:
    text = write_drill(draft)
    assert repaired(text, "made.yaml") == (text, [])
    assert with_ids(text) == text


@given(FRACTIONS)
def test_beats_are_read_as_they_are_written(value: Fraction) -> None:
    assert read_beat(write_beat(value)) == value
    if value:
        assert read_beats(write_beats(value)) == value


@settings(max_examples=100, deadline=None)
@given(st.text(alphabet="12&ea.+/ GDE:<>?=#b(),|-forindampgt\n", max_size=40))
def test_any_text_reads_as_events_or_faults_inside_it(text: str) -> None:
    events, faults = read_events(text)
    assert events or faults
    assert all(0 <= fault.offset <= len(text) for fault in faults)
    assert all(0 <= base + event.offset < len(text) for base, event in events)
