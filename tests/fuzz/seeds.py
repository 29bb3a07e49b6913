"""Where mutation starts from: the built-in drills, files that our exporters write, and scores of others."""

from __future__ import annotations

import io
import random
import xml.etree.ElementTree as ET
import zipfile
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path

from coach.ground.places import builtin_drills
from coach.log.book import lines_of
from coach.log.entries import Correction, Entry
from coach.log.log import Log
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt
from coach.music.passages import passage_of
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, LATE, LIFT
from coach.report.reply import reply_text
from coach.report.student import student_reply
from coach.score.load import read_drill
from coach.score.midi_out import midi_bytes
from coach.score.musicxml_out import musicxml_text
from coach.score.unpack import unpacked
from coach.score.write import write_drill
from tests.logs import DAY, id_at, rep_at
from tests.logs import NOON as NOON

HAND_WRITTEN = """\
drill: 1
id: all-of-it
title: "All of: it, 'quoted'"
composer: Nobody, N.
about: |
  Every key once.
tags: [first look, "two, strings"]
grade: 7
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864, name: own-bass, a4_hz: 442, stiffness: [0, 0, 0.0001, 0.0003]}
meter: 6/8 in 2
tempo: {start: 44, goal: 76, beat: 3/8}
click: {subdivision: 3, placing: offbeat, silent: 1 of 4, accent: no}
count_in: 2
assignment: {student: Mia, teacher: Ms. Orr, goal: 70, due: 2026-12-24, note: "slow, then fast", id: abc}
phrases:
  - id: one
    name: Opening
    cue: breathe
    bars:
      - pickup: 1
        bass: 2 E:0
      - bass: ["1 E:3(1) for 1.5", "2+1/3 A:0(i)"]
        harmonics: 1 G:<7>?+D:<7>, 2& G:<5> for 1/2 damp
        dynamics: mf
        cue: leave it down
      - meter: 7/8 in 2+2+3
        tempo: 100% to 80%
        times: 2
        top: 1 D:<4>=F#4 ring, 3 D:<3.2>(touch)
  - name: Close
    meter: 3/4
    bars: [{bass: "1 E:0", top: "1 G:<12>, 2 G:<12>"}, {}]
order: (Opening, Close x2) x2, one
"""
TINY_SCORE = """\
<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" "http://www.musicxml.org/dtds/partwise.dtd">
<score-partwise version="4.0"><work><work-title>Tiny</work-title></work>
<identification><creator type="composer">Nobody</creator><encoding><software>Wellrung</software></encoding>
<miscellaneous><miscellaneous-field name="layers">bass, top</miscellaneous-field>
<miscellaneous-field name="scale_mm">864</miscellaneous-field>
<miscellaneous-field name="order">A, A, B</miscellaneous-field></miscellaneous></identification>
<part-list><score-part id="P1"><part-name>Bass</part-name></score-part></part-list>
<part id="P1"><measure number="1"><attributes><divisions>2</divisions><key><fifths>0</fifths></key>
<time><beats>2+2</beats><beat-type>4</beat-type></time><staves>2</staves><clef number="2"><sign>TAB</sign></clef>
<staff-details number="2"><staff-tuning line="1"><tuning-step>E</tuning-step><tuning-octave>1</tuning-octave>
</staff-tuning></staff-details><transpose><chromatic>0</chromatic><octave-change>-1</octave-change></transpose></attributes>
<direction><direction-type><rehearsal>A</rehearsal></direction-type><direction-type><words>softly</words></direction-type>
<sound tempo="60"/></direction><direction><direction-type><dynamics><mf/></dynamics></direction-type></direction>
<direction><direction-type><metronome><beat-unit>quarter</beat-unit><beat-unit-dot/><per-minute>50</per-minute>
</metronome></direction-type></direction><barline location="left"><repeat direction="forward"/></barline>
<note><pitch><step>E</step><octave>2</octave></pitch><duration>4</duration><tie type="start"/><voice>1</voice><staff>1</staff>
</note><note><chord/><pitch><step>G</step><alter>1</alter><octave>3</octave></pitch><duration>4</duration><voice>1</voice>
<notehead parentheses="yes">diamond</notehead><notations><technical><harmonic><natural/></harmonic><string>1</string>
<fret>7</fret><other-technical>7</other-technical></technical></notations></note><backup><duration>4</duration></backup>
<forward><duration>2</duration></forward><note><grace/><pitch><step>A</step><octave>2</octave></pitch></note>
<note><rest/><duration>2</duration></note></measure>
<measure number="2" implicit="yes"><barline location="left"><ending number="1, 2" type="start"/></barline><note><pitch>
<step>E</step><octave>2</octave></pitch><duration>8</duration><tie type="stop"/><notations><tied type="let-ring"/></notations>
</note><barline location="right"><bar-style>light-heavy</bar-style><ending number="1" type="stop"/>
<repeat direction="backward" times="2"/></barline></measure></part></score-partwise>
"""
ANSWERS = (
    "clean\nchoked 2 5 lift   # the thumb\nlate 3; dropped 1\nat lamp/bass 60\nclean\nskip\nclean\nstop\n",
    "day 2026-12-03\nat lamp/together 72 choked 4.1\nnot reached 6 7\n\nday 2026-12-04\nclean\nstop\n",
    "clean\n" * 30,
    "at lamps/wick/bass 50 clean\nchoked 1 pluck; late 2; not reached 3\nskip\nskip\nskip\nclean\n",
)
SETTINGS = (
    "practice:\n  minutes: 20\nscreen:\n  theme: dusk\n  ascii: no\nmidi:\n  bindings:\n    clean: cc 64 # left\n",
    "practice: {minutes: 30, begun_a_day: 0, pause_s: 1.5}\nscreen:\n  theme: dusk # dark\n  view: study\n",
    "sound: {device: '', offset_ms: -20, click: wood, click_db: -20}\nmidi:\n  in_port: virtual\n  channel: 10\n  clock: true\n"
    "  bindings: {clean: [cc 64], again: note 60}\nkeys:\n  louder: g\n  stop: [f5, ctrl+s]\n",
    "sound:\n  input: mic\n  offset_ms: 12.5\n  hearing_note_seen: yes\nlistening:\n  on: yes\n  note_seen: yes\n"
    "instruments:\n  - {name: mine, strings: [G2, D2, A1, E1], scale_mm: 864}\n",
)


@cache
def drills() -> tuple[Drill, ...]:
    """The built-in drills, each cut to its first phrase and two bars, and the hand-written one."""
    short = []
    for path in builtin_drills():
        drill, _ = read_drill(path.read_text(encoding="utf-8"), path.name)
        assert drill is not None
        phrase = replace(drill.phrases[0], bars=drill.phrases[0].bars[:2])
        short.append(replace(drill, phrases=(phrase,), order=()))
    own, problems = read_drill(HAND_WRITTEN, "own.yaml")
    assert own is not None, problems
    return (*short, own)


@cache
def drill_texts() -> tuple[str, ...]:
    """Whole drills with their comments, short ones, and one in flow style."""
    whole = [path.read_text(encoding="utf-8") for path in builtin_drills()]
    short = [write_drill(drill) for drill in drills()]
    return (*short, HAND_WRITTEN, *short, HAND_WRITTEN, *whole[:3])


@cache
def scores() -> tuple[str, ...]:
    """MusicXML: a small one with every element that is read, our own exports, and the start of others' scores."""
    own = [musicxml_text(_first_bar(drill), 60) for drill in drills()[:4]]
    own.append(musicxml_text(drills()[-1], 60))
    return (TINY_SCORE, TINY_SCORE, *own, *_others_scores())


def _first_bar(drill: Drill) -> Drill:
    phrase = replace(drill.phrases[0], bars=drill.phrases[0].bars[:1])
    return replace(drill, phrases=(phrase,), order=())


def _others_scores(most: int = 40) -> list[str]:
    try:
        import music21
    except ImportError:
        return []
    folder = Path(music21.__file__).parent / "corpus"
    paths = sorted((*folder.rglob("*.mxl"), *folder.rglob("*.xml"), *folder.rglob("*.musicxml")))
    small = [path for path in paths if path.stat().st_size < 12_000 or path.suffix == ".mxl"]
    texts: list[str] = []
    for path in random.Random(7).sample(small, min(most, len(small))):
        root = ET.fromstring(unpacked(path.read_bytes(), path.name))
        for part in root.findall("part"):
            for measure in part.findall("measure")[1:]:
                part.remove(measure)
        for part in root.findall("part")[1 if len(texts) % 3 else 2 :]:
            root.remove(part)
        texts.append(ET.tostring(root, encoding="unicode"))
    return [text for text in texts if len(text) < 30_000]


@cache
def midis() -> tuple[bytes, ...]:
    """MIDI files: our own exports, with and without notes, and a played one of type 0."""
    import mido

    played = mido.MidiFile(type=0, ticks_per_beat=480)
    track = mido.MidiTrack(
        [mido.MetaMessage("track_name", name="Played"), mido.MetaMessage("marker", text="A")]
    )
    track.append(mido.MetaMessage("time_signature", numerator=6, denominator=8))
    track.append(mido.Message("pitchwheel", channel=0, pitch=200))
    for key, wait, length in ((40, 5, 470), (43, 8, 150), (45, 12, 155), (47, 4, 300)):
        track.append(mido.Message("note_on", note=key, velocity=80, time=wait))
        track.append(mido.Message("note_off", note=key, velocity=0, time=length))
    played.tracks.append(track)
    buffer = io.BytesIO()
    played.save(file=buffer)
    own = [midi_bytes(drill, 60) for drill in drills()]
    return (buffer.getvalue(), midi_bytes(drills()[0], 300, click_only=True), *own)


def zipped(
    members: list[tuple[str, bytes]], compression: int = zipfile.ZIP_DEFLATED, symlink: bool = False
) -> bytes:
    """An archive with these members; doubles are allowed."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", compression) as archive:
        names: set[str] = set()
        for name, data in members:
            info = zipfile.ZipInfo(name)
            info.compress_type = compression
            if symlink:
                info.external_attr = 0o120777 << 16
            if name not in names:
                archive.writestr(info, data)
            names.add(name)
    return buffer.getvalue()


def container(path: str) -> bytes:
    """`META-INF/container.xml` that names a score."""
    return f'<container><rootfiles><rootfile full-path="{path}"/></rootfiles></container>'.encode(
        "utf-8", "replace"
    )


def memory_log(player: str = "") -> Log:
    """An empty log in memory."""
    return Log.open(Path("no such folder") / "log", player or None, now_ms=NOON).trial()


def practised(player: str = "Ada", drills: Sequence[Drill] = (), days: int = 3) -> Log:
    """A log with a few days on some drills, corrections and every kind of entry."""
    log = memory_log(player)
    rng = random.Random(5)
    number = 0
    for drill in drills:
        for layer in (drill.phrases[0].layers[0], "together"):
            passage = passage_of(drill, Excerpt(drill.id, (drill.phrases[0].id,), layer)).logged
            for day in range(days):
                number += 1
                at = NOON + (day - 5) * DAY + number * 60_000
                faults = rng.choice(RESULTS)
                rep = replace(rep_at(log, at, faults, passage, 50 + day), goal_bpm=70, rung_bpm=50)
                log.send((rep, passage))
                if day == days - 1:
                    word = Correction(
                        id_at(at, "c"), rep.id, at + 1, rng.choice(((), None)), rng.random() < 0.3
                    )
                    log.send(word)
    excerpt = Excerpt("lamps", ("wick",)).key
    for kind, body in ENTRIES.items():
        entry = {**body, "excerpt": excerpt}
        log.send(Entry(id_at(NOON, kind), log.player.id, NOON, 60, kind, entry))  # type: ignore[arg-type]
    return log


RESULTS = ((), (), (Fault(1, CHOKED, LIFT),), (Fault(1, LATE),), None)
ENTRIES: dict[str, dict[str, object]] = {
    "note": {"text": "Schöne Töne"},
    "sitting": {"minutes": 20},
    "hurt": {"tempo_bpm": 50},
    "set-aside": {"drill": "lamps"},
    "take-up": {"drill": "lamps"},
}


@cache
def log_files() -> tuple[bytes, ...]:
    """Files of logs: two short ones of two players, and a longer one of the first."""
    logs = (
        practised("Ada", [drills()[0]], 1),
        practised("Björn", [drills()[1]], 1),
        practised("Ada", [drills()[0], drills()[-1]], 3),
    )
    texts = [b"".join(lines_of(log.book, log.sent)) for log in logs]
    return (*texts[:2] * 4, texts[2])


@cache
def student_files() -> tuple[bytes, ...]:
    """Files for a teacher: with notes and without."""
    own = [drills()[0], drills()[-1]]
    return tuple(
        reply_text(student_reply(practised("Ada", own), own, NOON, 60, notes)).encode()
        for notes in (True, False)
    )


TODAY = date(2026, 12, 3)
