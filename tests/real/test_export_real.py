"""Exports in real programs: a synthesizer sounds the physical pitches."""

from __future__ import annotations

import shutil
import subprocess
import wave
from pathlib import Path

import numpy as np
import pytest

from coach.cli import main
from coach.music.excerpt import whole_piece
from coach.music.passages import passage_of
from coach.score.load import read_drill
from coach.score.midi_out import midi_bytes

SOUNDFONTS = [
    path
    for path in map(Path, ("/usr/share/sounds/sf2/TimGM6mb.sf2", "/usr/share/sounds/sf2/FluidR3_GM.sf2"))
    if path.exists()
]
DRILL = """drill: 1
title: Six Nodes
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}
meter: 4/4
tempo: {start: 60, goal: 60}
phrases:
  - bars:
      - harmonics: 1 G:<12> for 1.5, 3 G:<7> for 1.5
      - harmonics: 1 G:<5> for 1.5, 3 G:<4> for 1.5
      - harmonics: 1 G:<3.2> for 1.5, 3 A:<2.7> for 1.5
      - bass: 1 E:0 for 1.5, 3 A:3 for 1.5
      - harmonics: 1 E:<12> for 2.5
"""


LAMPS = """drill: 1
title: Two Lamps
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}
meter: 4/4
tempo: {start: 60, goal: 60}
phrases:
  - name: lamp one
    bars:
      - bass: 1 E:0 for 4
        harmonics: 1 G:<12>, 2& D:<7>, 4 G:<5>
      - bass: 1 A:0 for 4
        harmonics: 1 D:<5>, 3 D:<7>
"""


def synthesized(soundfont: Path, midi: bytes, folder: Path, *options: str) -> Path:
    (folder / "played.mid").write_bytes(midi)
    sound = folder / "played.wav"
    command = ["fluidsynth", "-ni", *options, "-r", "44100", "-F", sound, soundfont, folder / "played.mid"]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    return sound


pytestmark = [
    pytest.mark.real,
    pytest.mark.skipif(
        shutil.which("fluidsynth") is None, reason="needs fluidsynth: apt-get install fluidsynth"
    ),
    pytest.mark.skipif(not SOUNDFONTS, reason="needs a soundfont: apt-get install timgm6mb-soundfont"),
]


@pytest.mark.parametrize("soundfont", SOUNDFONTS, ids=[path.stem for path in SOUNDFONTS])
def test_the_ear_finds_a_phrase_that_a_synthesizer_plays(soundfont: Path, tmp_path: Path, capsys) -> None:
    # The file says when beat 1 is: after a count-in of four beats. TimGM6mb's harmonics swell for 0.3 s.
    drill = tmp_path / "lamps.yaml"
    drill.write_text(LAMPS)
    read, _ = read_drill(LAMPS, "lamps.yaml")
    assert read is not None
    sound = synthesized(soundfont, midi_bytes(read, 60), tmp_path)
    command = ["listen", str(sound), "--drill", str(drill), "--phrase", "lamp one", "--tempo"]
    assert main([*command, "60"]) == 0
    assert capsys.readouterr().out.startswith("lamp one begins at 4.00 s, found by the clicks\n")
    assert main([*command, "76"]) == 1
    err = capsys.readouterr().err
    assert "the phrase was not heard in this take; where it fits best, " in err
    assert "of 7 events were not heard: " in err


@pytest.mark.parametrize("soundfont", SOUNDFONTS, ids=[path.stem for path in SOUNDFONTS])
def test_a_synthesizer_sounds_the_physical_pitches(soundfont: Path, tmp_path: Path) -> None:
    # Expected pitches: n times the open string (harmonic series); the soundfonts' own tuning is within 6 cents,
    # measured with fluidsynth (so is the octave allowance of guitar harmonics).
    drill, _ = read_drill(DRILL, "six.yaml")
    assert drill is not None
    dry = ("-R", "0", "-C", "0", "-g", "0.5")
    sound = synthesized(soundfont, midi_bytes(drill, 60), tmp_path, *dry)
    with wave.open(str(sound)) as file:
        stereo = np.frombuffer(file.readframes(file.getnframes()), "<i2").reshape(-1, 2)
    samples = stereo.mean(axis=1)
    size = 1 << 19
    frequencies = np.fft.rfftfreq(size, 1 / 44100)
    passage = passage_of(drill, whole_piece(drill))
    count_in_s = 4.0
    assert len(passage.events) == 9
    for event in passage.events:
        start_s = count_in_s + float(event.onset)
        # TimGM6mb has one sample, G flat 4, for all low keys: four octaves down its attack, with a strong tone at 0.8
        # of the pitch, lasts 1.1 s. What follows is the pitch.
        first_s, last_s = (1.2, 2.4) if event.hold > 2 else (0.25, 1.2)
        piece = samples[int((start_s + first_s) * 44100) : int((start_s + last_s) * 44100)]
        spectrum = np.abs(np.fft.rfft(piece * np.hanning(len(piece)), size))
        wanted_hz = event.notes[0].sounding_hz

        def loudest(hz: float, spectrum: np.ndarray = spectrum) -> tuple[float, float]:
            near = np.abs(1200 * np.log2(np.maximum(frequencies, 1.0) / hz)) < 60
            index = int(np.argmax(np.where(near, spectrum, 0)))
            return float(frequencies[index]), float(spectrum[index])

        found_hz, level = loudest(wanted_hz)
        assert abs(1200 * np.log2(found_hz / wanted_hz)) < 6.5, (event.count, wanted_hz, found_hz)
        assert max(loudest(wanted_hz / 2)[1], loudest(wanted_hz / 4)[1]) < level / 20, "an octave too low"
