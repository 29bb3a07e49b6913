"""A commented drill to start from, for any instrument and meter; it passes the checker as it is."""

from __future__ import annotations

from coach.ground.fields import Row, quoted
from coach.music.rhythm import Meter
from coach.score.ids import drill_id
from coach.score.keys import DRILL, PHRASE
from coach.strings.instrument import Instrument

MAX_BARS = 64
_TOUCHES = ("12", "7", "5", "7")


def starter(
    title: str,
    instrument: Instrument,
    meter: Meter,
    start_bpm: int,
    goal_bpm: int,
    bars: int,
    ready: str = "",
) -> str:
    """The drill's text: one phrase of so many bars, an open low string under nodes of the highest.

    `ready` is the name of a ready-made instrument, where it is one.
    """
    strings = " ".join(f"{number}={string.name}" for number, string in enumerate(instrument.strings, 1))
    shown = ready or DRILL["instrument"].kind.write(instrument)
    lines = [
        f"drill: 1                      {_remark(DRILL['drill'])}",
        f"id: {drill_id(title)}   {_remark(DRILL['id'])}",
        f"title: {quoted(title)}",
        "about: Say here what this drill is for.",
        f"instrument: {shown}   # strings, highest first: {strings}",
        f"meter: {meter}",
        f"tempo: {{start: {start_bpm}, goal: {goal_bpm}}}   {_remark(DRILL['tempo'])}",
        "phrases:",
        f"  - id: first                 {_remark(PHRASE['id'])}",
        "    name: First phrase",
        "    cue: One thing to think of.",
        "    bars:",
    ]
    for bar in range(bars):
        lines += _bar(bar, instrument, meter)
    lines += [
        "        cue: A cue for this bar alone; delete it if you need none.",
        "# More that a bar can say: `+` joins notes played together, `?` after a note lets the easier version drop",
        "# it, `2&` is the half beat after 2, `2+1/3` a third of a beat after it. `coach check` explains the rest.",
    ]
    return "\n".join(lines) + "\n"


def _bar(bar: int, instrument: Instrument, meter: Meter) -> list[str]:
    """The lines of a bar; those of the first are explained."""
    high = instrument.string_label(0)
    second = f", {meter.beats // 2 + 1} {high}:<{_TOUCHES[(bar + 1) % 4]}>" if meter.beats > 1 else ""
    melody = f"harmonics: 1 {high}:<{_TOUCHES[bar % 4]}>{second}"
    if bar == 0:
        melody += "   # beat string:<node>; commas between events"
    if len(instrument.strings) == 1:
        return [f"      - {melody}"]
    low = instrument.string_label(len(instrument.strings) - 1)
    hold = "   # beat string:fret, 0 is open; `for N` holds it N beats" if bar == 0 else ""
    return [f"      - bass: 1 {low}:0 for {meter.beats}{hold}", f"        {melody}"]


def _remark(row: Row) -> str:
    """A key's line of help as a comment behind it."""
    return f"# {row.about[0].lower()}{row.about[1:].rstrip('.')}"
