"""`coach tune --listen --from FILE`: what a recording of a pair, of a string or of all open strings says."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Any

from coach.commands.common import places_of, say, tell
from coach.commands.options import Arguments
from coach.folder.own_strings import keep_strings, may_become_own
from coach.folder.settings import load_settings
from coach.ground.problem import CoachError
from coach.listen.beats import Beats, best_beats
from coach.listen.open_string import ringing_string
from coach.listen.sound_file import Sound, read_sound
from coach.listen.takes import strings_of
from coach.listen.turn import SURE_CENTS, PegTurn, meeting_of, pair_turn, string_turn
from coach.strings.instrument import Instrument
from coach.strings.tuning import Pair
from coach.words.names import pair_name


def say_turn(instrument: Instrument, heard: Pair | int, reference: int, arguments: Arguments) -> int:
    """Say what a recording of a pair, or of one open string (its index), asks of the pegs."""
    sound = read_sound(arguments.take)
    if isinstance(heard, Pair):
        beats = best_beats(sound.samples, sound.rate_hz, meeting_of(instrument, heard))
        if beats is None:
            raise _not_heard(instrument, (heard.low_string, heard.high_string), sound, arguments.take)
        turn = pair_turn(instrument, heard, reference, beats)
        name, more = pair_name(instrument, heard), _beats_json(beats)
        line = f"{name}: {turn.sentence}"
    else:
        measured = ringing_string(sound.samples, sound.rate_hz, instrument.open_hz(heard))
        if measured is None:
            raise _not_heard(instrument, (heard,), sound, arguments.take)
        turn = string_turn(instrument, heard, measured)
        name, line = f"{instrument.string_label(heard)} open", turn.sentence
        more = {"f0_hz": measured.f0_hz, "stiffness_b": measured.stiffness_b}
    tell(arguments.json, {"what": name, **_turn_json(turn), **more}, [line], None)
    return 0


def _not_heard(instrument: Instrument, wanted: Sequence[int], sound: Sound, path: str) -> CoachError:
    """That these open strings are not heard in a recording, and which one is."""
    names = " and ".join(instrument.string_label(string) for string in wanted)
    found = f"{names} is not heard" if len(wanted) == 1 else f"{names} are not heard together"
    heard = {
        string: measured
        for string in range(len(instrument.strings))
        if (measured := ringing_string(sound.samples, sound.rate_hz, instrument.open_hz(string)))
        and measured.error_cents <= SURE_CENTS
    }
    if not heard:
        return CoachError(found, path, guess="no open string is; pluck, and let it ring for three seconds")
    surest = max(heard, key=lambda string: heard[string].partials)
    return CoachError(found, path, guess=f"what is heard is {instrument.string_label(surest)}")


def say_strings(instrument: Instrument, arguments: Arguments) -> int:
    """Say what one pluck of each open string tells, and keep it with the player's own instrument."""
    sound = read_sound(arguments.take)
    heard = strings_of(instrument, sound, arguments.take)
    turns = [string_turn(instrument, *each) for each in heard.items()]
    for string, measured in heard.items():
        if measured is not None:
            instrument = instrument.with_measured(string, measured.f0_hz, measured.stiffness_b)
    names = [instrument.string_at(string).name for string in heard]
    facts = [{"what": name, **_turn_json(turn)} for name, turn in zip(names, turns, strict=True)]
    tell(arguments.json, facts, (turn.sentence for turn in turns), None)
    settings = places_of(arguments).settings
    if keep_strings(settings, instrument, arguments.save):
        say(f"saved with your instrument in {settings}", to=sys.stderr)
    elif may_become_own(load_settings(settings).instruments, instrument):
        say("not saved, since your settings name no instrument: --save makes this one yours", to=sys.stderr)
    return 0


def _turn_json(turn: PegTurn) -> dict[str, Any]:
    return {"sure": turn.sure, "in_tune": turn.in_tune, "turn_cents": turn.cents, "words": turn.sentence}


def _beats_json(beats: Beats) -> dict[str, Any]:
    if beats.one_tone:
        return {"beats_hz": None}
    return {
        "beats_hz": beats.beats_hz,
        "error_hz": beats.error_hz,
        "higher_is_sharp": beats.high_hz > beats.low_hz if beats.sure_of_way else None,
    }
