"""A session that listens, in a terminal, whose microphone is held by another program, or goes and comes back."""

from __future__ import annotations

import contextlib
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.real.conftest import need
from tests.real.test_terminal_real import DRILL, Terminal, coach

pytestmark = pytest.mark.real

SETTINGS = """screen: {tour_seen: true}
practice: {pause_s: 0}
sound: {input: mic, hearing_note_seen: true, silent_note_seen: true}
listening: {on: true, note_seen: true}
"""
HELD = """
#include <errno.h>
#include <alsa/asoundlib.h>
#include <alsa/pcm_external.h>
SND_PCM_PLUGIN_DEFINE_FUNC(held) { return -EBUSY; }
SND_PCM_PLUGIN_SYMBOL(held);
"""
"""A device of the system's sound library that refuses as a card does that another program holds (open(2): EBUSY)."""
CARDS = """
pcm_type.held {{ lib "{library}" }}
pcm.null {{ type null }}
pcm.default {{ type held }}
pcm.gone {{ type no_such_type }}
namehint.pcm [ "gone|Gone" "default|Built-in Mic" "null|Nothing" ]
"""


@contextlib.contextmanager
def session(home: Path) -> Iterator[Terminal]:
    """A session in a terminal, its first item ready; at the end it is left with the keys."""
    need("tmux")
    drill = home / "practice" / "drills" / "quick.yaml"
    drill.parent.mkdir(parents=True)
    drill.write_text(DRILL)
    (home / "practice" / "settings.yaml").write_text(SETTINGS)
    words = ["env", f"HOME={home}", f"XDG_STATE_HOME={home}", coach(), "practice", "quick", "--through"]
    window = Terminal(home, (100, 30), " ".join([*words, "--folder", str(home / "practice")]))
    try:
        window.wait("minutes planned")
        window.press("Space")
        window.wait("hear it")
        yield window
        window.end_session()
        window.press("q", "q", "q")
        window.wait("STATUS=0")
    finally:
        window.close()


def listens(window: Terminal) -> None:
    window.wait(lambda text: text.splitlines()[0].endswith("listening"))


def says_clean(window: Terminal) -> None:
    window.wait("1-4 choked")
    window.press("Space")
    window.wait("saved, clean")


def test_a_microphone_that_another_program_holds_is_named_and_practice_goes_on(tmp_path, monkeypatch):
    need("gcc")
    library = tmp_path / "held.so"
    build = ["gcc", "-DPIC", "-shared", "-fPIC", "-x", "c", "-", "-o", str(library), "-lasound"]
    subprocess.run(build, input=HELD, text=True, check=True)
    (tmp_path / "asound.conf").write_text(CARDS.format(library=library))
    monkeypatch.setenv("ALSA_CONFIG_PATH", str(tmp_path / "asound.conf"))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    listed = subprocess.run([coach(), "sound"], capture_output=True, text=True, check=True).stdout
    assert "* Built-in Mic  (ALSA, rates unknown: another program may be using it)" in listed
    assert "Gone" not in listed
    assert "Nothing" not in listed
    with session(tmp_path) as window:
        window.wait("not listening: another program may be using Built-in Mic")
        window.press("Space")
        says_clean(window)


def test_a_microphone_that_goes_in_a_repetition_is_missed_in_one_line_and_heard_again(pulse, tmp_path):
    load = ["load-module", "module-null-sink", "sink_name=mic", "sink_properties=device.description=mic"]
    module = pulse.control(*load).stdout.strip()
    with session(tmp_path) as window:
        listens(window)
        window.press("Space")
        window.wait("count-in")
        pulse.control("unload-module", module)
        window.wait("microphone lost: going on without it until it is back")
        says_clean(window)
        window.wait("1-4 choked")
        pulse.control(*load)
        listens(window)
        assert "microphone" not in window.text()
