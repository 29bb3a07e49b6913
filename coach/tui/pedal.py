"""A press of a pedal in a session: what it means at its moment, and which event a choke is about.

The rules are those of `coach.midi.pedal`; here they meet the session. Times are seconds from the rep's first sample,
which go on counting after its end, so that a press just after the last note can still be told from a rating.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from coach.folder.actions import MOVING, Phase
from coach.midi.pedal import Action, Foot, Guess, Moment, guess_event, meaning
from coach.session.states import Playing, Rating

if TYPE_CHECKING:
    from coach.session.host import Practice
    from coach.sound.timeline import RepTimeline

ACTION_OF: dict[Action, dict[Phase, str]] = {
    "clean": {
        **dict.fromkeys((Phase.READY, Phase.LISTENING), "go"),
        Phase.RATING: "save",
        Phase.PAUSED: "resume",
        Phase.REST: "rest_over",
        Phase.DONE: "to_summary",
    },
    "again": {Phase.READY: "go", Phase.PLAYING: "again", Phase.RATING: "again"},
    "slower": dict.fromkeys(MOVING, "slower"),
    "faster": dict.fromkeys(MOVING, "faster"),
    "pause": {**dict.fromkeys(MOVING, "pause"), Phase.PAUSED: "resume"},
    "next": dict.fromkeys((*MOVING, Phase.RATING, Phase.REST), "skip"),
}
"""What a pedal's action does in each phase, as the screen's own action; `choked` marks and is none of these."""


def pressed(
    bound: Sequence[Action],
    practice: Practice,
    timeline: RepTimeline | None,
    at_s: float,
    last_choke_s: float | None,
    foot: Foot,
) -> Action | None:
    """What a press means now; `at_s` is its position in the rep that sounds or has just ended."""
    near = isinstance(practice.session.state, Playing | Rating)
    last = float(timeline.last_onset_s) if timeline else 0.0
    moment = Moment(near and timeline is not None, at_s, last, last_choke_s if near else None)
    return meaning(bound, moment, foot)


def guess(practice: Practice, timeline: RepTimeline, at_s: float, foot: Foot) -> Guess | None:
    """The event that a choke at a position in the rep is about, and which others it may be."""
    music = practice.session.music
    if music is None:
        return None
    harmonics = frozenset(event.label for event in music.task.passage.events if event.is_harmonic)
    return guess_event(timeline.onsets_s, at_s, foot.reaction_s, harmonics)
