"""Drills and scores built from nothing, well-formed and with extremes: tuplets, 15 strings, 10 layers, tempos 1 to 999.

Mutation of small files hardly reaches these: each maker draws every number from its whole range and somewhat beyond.
"""

from __future__ import annotations

import io
import random
from collections.abc import Sequence

OPEN_NOTES = ("E1", "A1", "D2", "G2", "C3", "F3", "A#3", "D#4", "G#4", "B4", "E5", "A5", "C6", "F6", "A6")
METERS = (
    "4/4",
    "3/4",
    "2/2",
    "5/8",
    "7/8 in 2+2+3",
    "6/8 in 2",
    "1/1",
    "13/16",
    "21/32",
    "64/32",
    "1/32",
    "9/8 in 3",
)
TUPLETS = (3, 5, 6, 7, 9, 11, 13)
TIE = '<tie type="start"/>'
TOUCHES = (
    "<12>",
    "<7>",
    "<5>",
    "<3.2>",
    "<1/6>",
    "<1/7>",
    "<2/9>",
    "<1/32>",
    "<24>",
    "<19>",
    "0",
    "3",
    "12",
    "36",
    "5<17>(touch)",
)


def structured_drill(rng: random.Random, _: Sequence[bytes]) -> bytes:
    """A drill's text, mostly within what the format allows."""
    # Each property is an extreme now and then, apart from the others, so that most files have one or two and are read
    # to their end.
    odd_strings, odd_layers, odd_tempos = (rng.random() < share for share in (0.15, 0.15, 0.1))
    strings = OPEN_NOTES[: rng.randrange(1, 16) if odd_strings else rng.choice((1, 4, 4, 5, 6, 12))][::-1]
    most_layers = rng.randrange(1, 11) if odd_layers else rng.choice((1, 2, 2, 3))
    layers = [f"layer{number}" for number in range(most_layers)]
    start, goal = sorted(
        rng.randrange(1, 1000) if odd_tempos else rng.choice((20, 44, 60, 96, 300)) for _ in "ab"
    )
    lines = [
        *("drill: 1", "title: Structured", f"meter: {rng.choice(METERS)}"),
        f"instrument: {{strings: [{', '.join(strings)}], scale_mm: {rng.choice((330, 650, 864, 1200))}}}",
        f"tempo: {{start: {start}, goal: {goal}}}",
    ]
    if rng.random() < 0.2:
        lines.append(
            f"click: {{subdivision: {rng.randrange(1, 10)}, silent: {rng.randrange(4)} of {rng.randrange(1, 9)}}}"
        )
    names = [f"part {number}" for number in range(rng.choice((1, 1, 1, 2, 5)))]
    if rng.random() < 0.3:
        lines.append(f"order: ({', '.join(rng.choices(names, k=3))}) x{rng.choice((1, 2, 9))}")
    lines.append("phrases:")
    for name in names:
        lines += [f"  - name: {name}", "    bars:"]
        for _bar in range(rng.choice((1, 1, 2, 3, 12))):
            lines += _bar_lines(rng, len(strings), layers)
    return ("\n".join(lines) + "\n").encode()


def _bar_lines(rng: random.Random, strings: int, layers: Sequence[str]) -> list[str]:
    lines = []
    if rng.random() < 0.15:
        lines.append(f"meter: {rng.choice(METERS)}")
    if rng.random() < 0.15:
        lines.append(
            f"tempo: {rng.choice((25, 50, 100, 200, 400))}% to {rng.choice((25, 50, 100, 200, 400))}%"
        )
    if rng.random() < 0.05:
        lines.append(f"times: {rng.choice((1, 2, 2, 9, 99))}")
    # Layers that share no string rarely fight over one.
    lines += [
        f'{layer}: "{_events(rng, range(at % strings + 1, strings + 1, len(layers)))}"'
        for at, layer in enumerate(layers)
        if rng.random() < 0.9
    ]
    return [f"      {'- ' if not at else '  '}{line}" for at, line in enumerate(lines or ["times: 1"])]


def _events(rng: random.Random, strings: Sequence[int]) -> str:
    note = f"{rng.choice(strings)}:{rng.choice(TOUCHES)}"
    action = rng.random()
    if action < 0.3:
        length = rng.choice(("1", "2", "4", "1/2", "2/3", "7/5"))
        return f"1 {' | '.join([note] * rng.choice(TUPLETS))} in {length}"
    if action < 0.5:
        parts = rng.choice(TUPLETS)
        return ", ".join(
            f"1+{part}/{parts} {note}" if part else f"1 {note}" for part in range(rng.randrange(1, parts))
        )
    if action < 0.6:
        return (
            f"1 {note} for {rng.choice((1, 4, 40, 999, '1/999'))} {rng.choice(('', 'damp', 'ring'))}".rstrip()
        )
    if action < 0.7:
        return "1 " + "+".join(f"{string}:{rng.choice(TOUCHES)}" for string in strings[:6])
    return ", ".join(f"{beat} {note}" for beat in range(1, rng.choice((2, 3, 5))))


def structured_score(rng: random.Random, _: Sequence[bytes]) -> bytes:
    """A MusicXML part of some bars in some voices, with tuplets, ties, tempos, a tuning and two lines or more."""
    divisions = rng.choice((1, 24, 480, 10080, 5040))
    strings = rng.choice((0, 4, 6, 15))
    tuning = "".join(
        f'<staff-tuning line="{line}"><tuning-step>{note[0]}</tuning-step>'
        f"{'<tuning-alter>1</tuning-alter>' * ('#' in note)}<tuning-octave>{note[-1]}</tuning-octave></staff-tuning>"
        for line, note in enumerate(OPEN_NOTES[:strings], 1)
    )
    details = f"<staff-details><staff-lines>{strings}</staff-lines>{tuning}</staff-details>" * bool(strings)
    beats, unit = rng.choice(((4, 4), (3, 4), (7, 8), (13, 16), (64, 32)))
    parts = ""
    for part in range(1, rng.choice((1, 2, 2)) + 1):
        measures = ""
        for number in range(1, rng.choice((1, 2, 6)) + 1):
            attributes = (
                f"<attributes><divisions>{divisions}</divisions><key><fifths>{rng.randrange(-7, 8)}</fifths></key><time>"
                f"<beats>{beats}</beats><beat-type>{unit}</beat-type></time>{details}</attributes>"
            )
            tempo = f'<direction><sound tempo="{rng.choice((1, 20, 60, 300, 999))}"/></direction>' * (
                rng.random() < 0.3
            )
            whole = divisions * 4 * beats // unit
            voices = rng.choice((1, 1, 2, 10))
            music = f"<backup><duration>{whole}</duration></backup>".join(
                _voice(rng, voice, whole, divisions) for voice in range(1, voices + 1)
            )
            measures += f'<measure number="{number}">{attributes * (number == 1)}{tempo}{music}</measure>'
        parts += f'<part id="P{part}">{measures}</part>'
    names = "".join(
        f'<score-part id="P{part}"><part-name>Part {part}</part-name></score-part>'
        for part in range(1, parts.count("<part ") + 1)
    )
    text = f'<score-partwise version="4.0"><part-list>{names}</part-list>{parts}</score-partwise>'
    return text.encode()


def _voice(rng: random.Random, voice: int, whole: int, divisions: int) -> str:
    notes, left = "", whole
    while left > 0:
        normal, actual = rng.choice(((1, 1), (1, 1), (2, 3), (4, 5), (4, 7), (8, 11), (8, 13)))
        length = min(left, max(1, rng.choice((divisions // 2, divisions, divisions * 2)) * normal // actual))
        left -= length
        step, octave = rng.choice("ABCDEFG"), rng.randrange(1, 5)
        pitch = (
            f"<pitch><step>{step}</step><octave>{octave}</octave></pitch>"
            if rng.random() < 0.85
            else "<rest/>"
        )
        ratio = (
            f"<time-modification><actual-notes>{actual}</actual-notes><normal-notes>{normal}</normal-notes>"
            "</time-modification>"
        ) * (actual > 1)
        harmonic = "<notations><technical><harmonic><natural/></harmonic></technical></notations>"
        notes += (
            f"<note>{pitch}<duration>{length}</duration>{TIE * (rng.random() < 0.1)}"
            f"<voice>{voice}</voice>{ratio}{harmonic if rng.random() < 0.2 and 'pitch' in pitch else ''}</note>"
        )
    return notes


def structured_midi(rng: random.Random, _: Sequence[bytes]) -> bytes:
    """A played MIDI file: tracks, held pedals, bends, program 32, tempos from 1 to 999 bpm, notes of any length."""
    import mido

    ticks = rng.choice((1, 24, 96, 480, 960, 32767))
    file = mido.MidiFile(type=1, ticks_per_beat=ticks)
    for _track in range(rng.choice((1, 2, 2, 12))):
        track = mido.MidiTrack()
        file.tracks.append(track)
        tempo = mido.bpm2tempo(rng.choice((4, 20, 60, 120, 300, 999)))
        track.append(mido.MetaMessage("set_tempo", tempo=min(tempo, 0xFFFFFF)))
        meter = {"numerator": rng.choice((1, 3, 4, 7, 64)), "denominator": rng.choice((1, 4, 8, 32))}
        track.append(mido.MetaMessage("time_signature", **meter))
        for _event in range(rng.choice((1, 8, 40))):
            wait = rng.choice((0, 0, 1, ticks // 3, ticks // 2, ticks, ticks * 9))
            channel, key = rng.choice((0, 0, 1, 9, 15)), rng.choice((24, 28, 33, 40, 43, 55, 60, 72, 0, 127))
            action = rng.random()
            if action < 0.45:
                track.append(
                    mido.Message(
                        "note_on", note=key, velocity=rng.choice((0, 1, 64, 127)), channel=channel, time=wait
                    )
                )
            elif action < 0.75:
                track.append(mido.Message("note_off", note=key, channel=channel, time=wait))
            elif action < 0.83:
                track.append(
                    mido.Message(
                        "control_change",
                        control=64,
                        value=rng.choice((0, 63, 64, 127)),
                        channel=channel,
                        time=wait,
                    )
                )
            elif action < 0.92:
                track.append(
                    mido.Message(
                        "pitchwheel",
                        pitch=rng.choice((-8192, -200, 0, 1365, 8191)),
                        channel=channel,
                        time=wait,
                    )
                )
            elif action < 0.96:
                track.append(
                    mido.Message(
                        "program_change", program=rng.choice((0, 31, 32, 127)), channel=channel, time=wait
                    )
                )
            else:
                for control, value in ((101, 0), (100, 0), (6, rng.choice((0, 2, 12, 96)))):
                    track.append(
                        mido.Message("control_change", control=control, value=value, channel=channel)
                    )
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()
