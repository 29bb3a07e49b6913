"""`coach listen`: rows and JSON for a take, and a sentence with the way out for every file that is none."""

from __future__ import annotations

import json
import re
import wave

import numpy as np
import pytest
from scipy.io import wavfile

from coach.cli import main
from coach.listen.sound_file import read_sound
from tests.test_ear import BEAT_1_S, DRILL, RATE_HZ, take


def pcm(samples, channels=1):
    return np.repeat(np.round(np.clip(samples, -1, 1) * 32767).astype("<i2"), channels).tobytes()


def write(path, samples, channels=1, data=None):
    with wave.open(str(path), "wb") as file:
        file.setnchannels(channels)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(pcm(samples, channels) if data is None else data)
    return str(path)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("listen")
    (path / "ear.yaml").write_text(DRILL)
    for seed in (11, 12):
        write(path / f"clean{seed}.wav", take(seed=seed, click=True).samples)
    write(path / "take.wav", take({3: 18.0, 5: None}, seed=3, click=True).samples)
    return path


def listen(folder, name, *more):
    return main(
        [
            "listen",
            str(folder / name),
            "--drill",
            str(folder / "ear.yaml"),
            "--phrase",
            "one",
            "--tempo",
            "80",
            *more,
        ]
    )


def test_a_row_an_event_with_what_was_heard(folder, capsys):
    clean = [str(folder / "clean11.wav"), str(folder / "clean12.wav")]
    assert listen(folder, "take.wav", "--json", "--clean", *clean) == 0
    said = json.loads(capsys.readouterr().out)
    rows = said.pop("events")
    assert said.pop("begins_s") == pytest.approx(BEAT_1_S, abs=0.005)
    assert said == {
        "drill": "Ear",
        "phrase": "one",
        "layer": "together",
        "tempo_bpm": 80,
        "begins_by": "clicks",
        "or_begins_s": [],
    }
    assert [set(row) for row in rows] == [{"label", "event", "result", "certainty", "onset_ms", "why"}] * 9
    assert rows[1]["event"] == "G:<12>"
    assert (rows[2]["result"], rows[4]["result"]) == ("choked", "missing")
    assert sum(row["result"] in ("clean", "unsure") for row in rows) == 7


def test_one_clean_take_is_called_too_little(folder, capsys):
    assert listen(folder, "take.wav", "--clean", str(folder / "clean11.wav")) == 0
    assert (
        capsys.readouterr().err == "One clean take is little to learn from; give two or more with --clean.\n"
    )


def test_a_note_that_one_clean_take_lacks_is_said_to_differ_and_not_to_be_hidden(folder, capsys):
    # take.wav lacks event 5.
    clean = ["--clean", str(folder / "clean11.wav"), str(folder / "take.wav")]
    assert listen(folder, "clean12.wav", *clean) == 0
    row = next(line for line in capsys.readouterr().out.splitlines() if line.startswith("  5 "))
    assert "can't tell" in row
    assert row.endswith("its clean notes differ too much")


def test_a_take_is_not_its_own_clean_take(folder, capsys):
    assert listen(folder, "take.wav", "--clean", str(folder / "take.wav"), str(folder / "clean11.wav")) == 2
    assert "is the take itself" in capsys.readouterr().err


def test_people_get_a_table_and_are_told_what_the_ear_was_measured_on(folder, capsys):
    assert listen(folder, "take.wav", "--starts-at", str(BEAT_1_S)) == 0
    out = capsys.readouterr().out
    assert out.count("can't tell") == 9
    assert "\n  2  G:<12>  can't tell" in out
    assert out.startswith("one begins at 4.00 s, found by the clicks\n")
    assert "How long notes are held is not judged." in out
    assert "simulated and sampled strings" in out
    assert "--clean" in out


def test_one_silent_channel_is_left_out(folder, tmp_path, capsys):
    samples = np.frombuffer(pcm(take(seed=2, click=True).samples), "<i2")
    data = np.stack([samples, np.zeros_like(samples)], axis=1).tobytes()
    write(tmp_path / "left.wav", None, 2, data)
    assert main(["listen", str(tmp_path / "left.wav"), "--drill", str(folder / "ear.yaml"), *PLAYED]) == 0
    assert capsys.readouterr().out.count("can't tell") == 9


PLAYED = ["--phrase", "one", "--tempo", "80"]
SILENCE = np.zeros(RATE_HZ)
HISS = 0.1 * np.random.default_rng(1).standard_normal(12 * RATE_HZ)


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("gone.wav", None, "there is no such file"),
        ("empty.wav", b"", "the file is empty (record the take again)"),
        ("song.wav", b"ID3\x03" + bytes(100), "a file of MP3 (export it as WAV with 16 or 24 bits)"),
        ("text.wav", b"hello", "not a WAV file (export it as WAV"),
        ("silent.wav", SILENCE, "the take is silent (is the right input chosen, and its level up?)"),
        (
            "blink.wav",
            np.full(1, 0.5),
            "the phrase was not heard in this take (are phrase and tempo right? --starts-at gives the time of beat 1)",
        ),
        (
            "hiss.wav",
            HISS,
            "the phrase was not heard in this take; where it fits best, 4 of 9 events were not heard:"
            " 1 E:0, 2 G:<12>, 3 D:<7>, 5 D:<12> (are phrase and tempo right? --starts-at gives the time of beat 1)",
        ),
    ],
)
def test_what_is_no_take_gets_one_sentence_with_the_way_out(folder, tmp_path, capsys, name, content, says):
    path = tmp_path / name
    if isinstance(content, bytes):
        path.write_bytes(content)
    elif content is not None:
        write(path, content)
    assert main(["listen", str(path), "--drill", str(folder / "ear.yaml"), *PLAYED]) == 1
    err = capsys.readouterr().err
    assert says in err
    assert err.count("\n") == 1


def test_samples_far_above_full_scale_are_no_sound(folder, tmp_path, capsys):
    path = tmp_path / "scale.wav"
    wavfile.write(path, RATE_HZ, 1e200 * HISS)
    assert main(["listen", str(path), "--drill", str(folder / "ear.yaml"), *PLAYED]) == 1
    assert main(["tune", "--listen", "--from", str(path)]) == 1
    err = capsys.readouterr().err
    assert err.count("its samples are far above full scale (export it as WAV") == 2
    assert err.count("\n") == 2


def test_a_take_that_ends_too_soon_says_by_how_much(folder, tmp_path, capsys):
    short = write(tmp_path / "short.wav", take(seed=2, click=True).samples[: 8 * RATE_HZ])
    assert main(["listen", short, "--drill", str(folder / "ear.yaml"), *PLAYED]) == 1
    assert "the take ends at 8.0 s, but the last event needs 9." in capsys.readouterr().err


def test_a_take_that_begins_too_late_says_by_how_much(folder, tmp_path, capsys):
    late = write(tmp_path / "late.wav", take(seed=2).samples[round((BEAT_1_S + 0.4) * RATE_HZ) :])
    assert main(["listen", late, "--drill", str(folder / "ear.yaml"), *PLAYED]) == 1
    assert "late.wav: the take begins 0.4 s after beat 1 (record from before" in capsys.readouterr().err


@pytest.mark.parametrize(("click", "by"), [(True, "the clicks"), (False, "its notes")])
def test_the_first_line_says_where_the_phrase_begins_and_how_that_was_found(
    folder, tmp_path, capsys, click, by
):
    path = write(tmp_path / "twice.wav", np.tile(take(seed=2, click=click).samples, 2))
    assert main(["listen", path, "--drill", str(folder / "ear.yaml"), *PLAYED]) == 0
    first, second = capsys.readouterr().out.splitlines()[:2]
    places = {"4.0", "16.0"}
    found = next(place for place in places if first.startswith(f"one begins at {place[:-1]}"))
    assert first.endswith(f" s, found by {by}")
    (other,) = places - {found}
    assert second == f"Its notes fit nearly as well at {other} s; --starts-at chooses."


def test_a_take_in_which_the_phrase_is_nowhere_surely_is_refused_to_be_judged_or_learnt_from(
    folder, tmp_path, capsys
):
    # Twice a music that has seven of the phrase's nine events, as another piece in its key may.
    part = take({3: None, 6: None}, seed=2, click=True).samples
    other = write(tmp_path / "other.wav", np.tile(part, 2))
    says = "other.wav: the phrase may begin at"
    assert main(["listen", other, "--drill", str(folder / "ear.yaml"), *PLAYED]) == 1
    assert says in (err := capsys.readouterr().err)
    assert "(is the take whole, and of this phrase alone?)" in err
    assert listen(folder, "take.wav", "--clean", other) == 1
    assert says in capsys.readouterr().err
    # Beside others that are clear it is left out.
    assert listen(folder, "take.wav", "--clean", str(folder / "clean11.wav"), other) == 0
    with_it, err = capsys.readouterr()
    assert says in err
    assert "Nothing is learnt from it.\n" in err
    assert listen(folder, "take.wav", "--clean", str(folder / "clean11.wav")) == 0
    assert capsys.readouterr().out == with_it


def test_a_wrong_time_of_beat_1_is_told_and_moves_no_clean_take(folder, capsys):
    clean = ["--clean", str(folder / "clean11.wav"), str(folder / "clean12.wav")]
    status = listen(folder, "take.wav", "--starts-at", "2.5", *clean)
    said = capsys.readouterr()
    assert (
        "take.wav: the phrase begins at 4.0 s, by its notes, not at 2.5 s. Is --starts-at right?\n"
        in said.err
    )
    # What was learnt is the phrase, so that hardly a note is clean where it is not.
    assert said.out.count("  clean ") <= 2
    assert status == 1 or "seem to have failed" in said.err or said.out.count("can't tell") >= 5


@pytest.mark.parametrize(
    ("said_s", "click", "by"),
    [
        (3.85, True, "clicks"),
        (4.05, True, "clicks"),
        (4.2, True, "clicks"),
        (3.85, False, "notes"),
        (4.2, False, "notes"),
    ],
)
def test_where_the_take_says_another_beat_1_than_the_player_nearby_the_onsets_count_from_that(
    folder, tmp_path, capsys, said_s, click, by
):
    path = write(tmp_path / "take.wav", take({4: "40"}, seed=3, click=click).samples)
    clean = ["--clean", str(folder / "clean11.wav"), str(folder / "clean12.wav")]
    command = ["listen", path, "--drill", str(folder / "ear.yaml"), *PLAYED, *clean, "--json", "--starts-at"]
    assert main([*command, str(said_s)]) == 0
    said, err = capsys.readouterr()
    told = re.fullmatch(
        rf".*take.wav: the {by} say that beat 1 is at ([\d.]+) s, not {said_s:g}; the onsets count from there.\n",
        err,
    )
    assert told
    assert float(told[1]) == pytest.approx(BEAT_1_S, abs=0.015)
    assert json.loads(said)["begins_by"] == by
    onsets_ms = [row["onset_ms"] for row in json.loads(said)["events"] if row["onset_ms"] is not None]
    assert max(onsets_ms) == pytest.approx(40.0, abs=15.0)
    assert np.median(onsets_ms) == pytest.approx(0.0, abs=12.0)
    # Of a time that is as good as what is heard nothing is said.
    assert main([*command, str(BEAT_1_S)]) == 0
    said, err = capsys.readouterr()
    assert (json.loads(said)["begins_by"], err) == (by, "")


def test_a_form_of_wav_that_is_not_read_is_named(folder, tmp_path, capsys):
    path = tmp_path / "eight.wav"
    wavfile.write(path, RATE_HZ, np.full(RATE_HZ, 130, np.uint8))
    assert main(["listen", str(path), "--drill", str(folder / "ear.yaml"), *PLAYED]) == 1
    assert (
        "eight.wav: it has 8-bit samples; those of 16 to 32 bits are read (export" in capsys.readouterr().err
    )


def test_a_folder_in_place_of_a_take_names_a_take_in_it(folder, capsys):
    assert main(["listen", str(folder), "--drill", str(folder / "ear.yaml"), *PLAYED]) == 1
    err = capsys.readouterr().err
    assert "this is a folder, not a WAV file (name a file in it: " in err
    assert "clean11.wav)" in err


def test_another_piece_than_was_played_is_noticed(folder, tmp_path, capsys):
    samples = take(seed=2, click=True).samples.copy()
    played = round(BEAT_1_S * RATE_HZ)
    # The count-in is right, and nothing is played after it.
    samples[played:] = 3e-4 * np.random.default_rng(5).standard_normal(len(samples) - played)
    path = write(tmp_path / "other.wav", samples)
    clean = [str(folder / "clean11.wav"), str(folder / "clean12.wav")]
    command = ["listen", path, "--drill", str(folder / "ear.yaml"), *PLAYED, "--clean", *clean]
    assert main(command) == 1
    assert "the phrase was not heard in this take" in capsys.readouterr().err
    assert main([*command, "--starts-at", str(BEAT_1_S)]) == 1
    assert "events were not heard (are --drill, --phrase, --tempo" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--phrase", "two", "--tempo", "80"], "has no phrase 'two'; it has one"),
        (["--phrase", "one", "--tempo", "fast"], "'fast' is not a whole number from 20 to 300"),
        (
            ["--phrase", "one", "--tempo", "80", "--layer", "drums"],
            "not a layer of one; it has bass, harmonics, together",
        ),
        (["--phrase", "one", "--tempo", "80", "--starts-at", "-1"], "outside 0 to 3600 seconds"),
    ],
)
def test_wrong_options_say_what_is_allowed(folder, capsys, options, says):
    assert main(["listen", str(folder / "take.wav"), "--drill", str(folder / "ear.yaml"), *options]) == 2
    assert says in capsys.readouterr().err


def test_open_strings_have_to_be_all_there(folder, tmp_path, capsys):
    one = write(
        tmp_path / "open.wav", np.concatenate([SILENCE, take(seed=2).samples[4 * RATE_HZ : 5 * RATE_HZ]])
    )
    assert listen(folder, "take.wav", "--open-strings", one) == 1
    assert "open.wav: no pluck is the open E string, near 41.2 Hz" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("subtype", "exact"), [("PCM_16", 1e-4), ("PCM_24", 1e-6), ("PCM_32", 1e-6), ("FLOAT", 1e-6)]
)
def test_wav_forms_read_as_scipy_reads_them(tmp_path, subtype, exact):
    samples = (0.5 * np.sin(np.arange(4000) / 9.0)).astype(np.float32)
    kinds = {"PCM_16": ("<i2", 32767), "PCM_32": ("<i4", 2**31 - 1), "FLOAT": ("<f4", 1)}
    path = tmp_path / "form.wav"
    if subtype == "PCM_24":
        whole = np.round(samples * (2**23 - 1)).astype("<i4")
        data = whole.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
        with wave.open(str(path), "wb") as file:
            file.setparams((1, 3, 44100, 0, "NONE", ""))
            file.writeframes(data)
    else:
        kind, full = kinds[subtype]
        wavfile.write(path, 44100, (samples * full).astype(kind))
    rate_hz, expected = wavfile.read(path)
    scale = 1.0 if expected.dtype.kind == "f" else float(np.iinfo(expected.dtype).max)
    sound = read_sound(str(path))
    assert (sound.rate_hz, len(sound.samples)) == (rate_hz, len(expected))
    assert np.abs(sound.samples - expected / scale).max() < exact
