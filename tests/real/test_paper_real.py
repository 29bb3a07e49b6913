"""The printed page, as PDF and from a browser: pages, paper, words that neither overlap nor leave, rulers in true mm.

Outside: poppler's `pdfinfo`, `pdftotext -bbox` and `pdftoppm`; ISO 216 (A4) and ANSI/ASME Y14.1 (Letter); one point is
25.4/72 mm (PDF, ISO 32000).
"""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import dataclass, replace
from datetime import date
from html import unescape
from pathlib import Path

import numpy as np
import pytest

from coach.music.drill import Assignment, Drill
from coach.paper.engrave import page_fonts
from coach.paper.page import HTML_AIR_MM, html_page
from coach.paper.pdf import fitted_page
from coach.paper.sheet import PAPERS, RULER_MM
from coach.score.load import load_drill, read_drill
from tests.real.conftest import chromium

pytestmark = pytest.mark.real
DRILLS = sorted((Path(__file__).parents[2] / "drills").glob("*.yaml"))
POINT_MM = 25.4 / 72


@dataclass(frozen=True)
class Word:
    """A word on a page and its box in mm, from the top left."""

    text: str
    left: float
    top: float
    right: float
    bottom: float


NEEDED = ("pdfinfo", "pdftotext", "pdftoppm")


@pytest.fixture(autouse=True)
def poppler() -> None:
    if any(shutil.which(program) is None for program in NEEDED):
        pytest.skip("needs poppler: apt-get install poppler-utils")


def told(*command: str) -> str:
    # Poppler remarks on standard error that it does not know a mark of PDF 2.0.
    return subprocess.run(command, check=True, capture_output=True, text=True, timeout=60).stdout


def pages_of(pdf: Path) -> list[list[Word]]:
    """The words of each page."""
    pages = []
    for page in told("pdftotext", "-bbox", str(pdf), "-").split("<page ")[1:]:
        boxes = re.findall(r'<word xMin="(.*?)" yMin="(.*?)" xMax="(.*?)" yMax="(.*?)">(.*?)</word>', page)
        pages.append(
            [
                Word(unescape(text), *(float(number) * POINT_MM for number in (x0, y0, x1, y1)))
                for x0, y0, x1, y1, text in boxes
            ]
        )
    return pages


def printed(drill: Drill, paper: str, folder: Path) -> Path:
    pdf = folder / f"{paper}.pdf"
    pdf.write_bytes(fitted_page(drill, paper).pdf())
    return pdf


def from_browser(page: str, folder: Path) -> Path:
    """A page as a browser prints it."""
    file, pdf = folder / "page.html", folder / "browser.pdf"
    file.write_text(page, encoding="utf-8")
    told(
        chromium(), "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder / 'profile'}",
        "--no-pdf-header-footer", f"--print-to-pdf={pdf}", file.as_uri(),
    )  # fmt: skip
    return pdf


def overlapping(words: list[Word]) -> list[tuple[str, str]]:
    """Pairs of words whose boxes share more than a hair: a box has the height of the font, above and below the ink."""
    pairs = []
    for index, one in enumerate(words):
        for other in words[index + 1 :]:
            wide = min(one.right, other.right) - max(one.left, other.left)
            high = min(one.bottom, other.bottom) - max(one.top, other.top)
            if wide > 0.2 and high > 0.45 * min(one.bottom - one.top, other.bottom - other.top):
                pairs.append((one.text, other.text))
    return pairs


def assigned(drill: Drill) -> Drill:
    return replace(
        drill, assignment=Assignment("Zoë Ångström", "Herr Adler", 64, date(2026, 12, 24), "Slower.")
    )


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("path", DRILLS, ids=lambda path: path.stem)
def test_a_drill_is_one_page_on_which_no_word_overlaps_or_leaves(
    path: Path, paper: str, tmp_path: Path
) -> None:
    drill = assigned(load_drill(path))
    pdf = printed(drill, paper, tmp_path)
    facts = told("pdfinfo", str(pdf))
    width, height = (
        float(number) * POINT_MM for number in re.findall(r"Page size: +([\d.]+) x ([\d.]+)", facts)[0]
    )
    assert (width, height) == pytest.approx((PAPERS[paper].width_mm, PAPERS[paper].height_mm), abs=0.1)
    pages = pages_of(pdf)
    # Sixteen bars on three staves for five strings are more than a page.
    assert len(pages) == (2 if path.stem == "the-mill-at-turning-tide" else 1)
    for words in pages:
        assert overlapping(words) == []
        for word in words:
            assert 9 < word.left < word.right < width - 9, word
            assert 5 < word.top < word.bottom < height - 4, word
        text = " ".join(word.text for word in words)
        for wanted in (drill.title, "for Zoë Ångström", "due 24 Dec 2026", "page "):
            assert wanted in text
    assert "natural harmonic, touched at" in " ".join(word.text for word in pages[0]), "the signs come first"


# The fullest pages, one with a low string more, one with fingers; `letter` is the shorter paper.
@pytest.mark.parametrize(
    ("name", "paper"),
    [
        ("first-pour", "a4"),
        ("the-great-bell", "letter"),
        ("small-bells", "letter"),
        ("lantern-on-the-weir", "a4"),
    ],
)
def test_a_browser_prints_the_same_page(name: str, paper: str, tmp_path: Path) -> None:
    drill = assigned(load_drill(DRILLS[0].parent / f"{name}.yaml"))
    fitted = fitted_page(drill, paper, HTML_AIR_MM)
    (words,) = pages_of(
        from_browser(html_page(fitted.sheet, paper, fitted.note_rows, page_fonts()), tmp_path)
    )
    assert overlapping(words) == []
    text = " ".join(word.text for word in words)
    for wanted in (drill.title, "for Zoë Ångström", "due 24 Dec 2026", "page 1 of 1", "Take care."):
        assert wanted in text
    assert max(word.bottom for word in words) < PAPERS[paper].height_mm - 4


@pytest.mark.parametrize("paper", PAPERS)
def test_the_ruler_is_true_in_mm_on_paper(paper: str, tmp_path: Path) -> None:
    (words,) = pages_of(printed(load_drill(DRILLS[0].parent / "two-sluices.yaml"), paper, tmp_path))
    (true,) = (word for word in words if word.text == "true")
    numbers = [
        word
        for word in words
        if abs(word.top - true.top) < 0.5 and word.text.isdecimal() and word.left < true.left
    ]
    middles = {int(word.text): (word.left + word.right) / 2 for word in numbers}
    assert sorted(middles) == list(range(0, RULER_MM + 1, 10))
    for mm, x in middles.items():
        assert x - middles[0] == pytest.approx(mm, abs=0.1)


def test_nothing_but_black_and_white_is_printed(tmp_path: Path) -> None:
    pdf = printed(load_drill(DRILLS[0]), "a4", tmp_path)
    told("pdftoppm", "-r", "50", str(pdf), str(tmp_path / "page"))
    (file,) = tmp_path.glob("*.ppm")
    _, _, _, pixels = file.read_bytes().split(b"\n", 3)
    colours = np.frombuffer(pixels, np.uint8).reshape(-1, 3).astype(int)
    assert np.ptp(colours, axis=1).max() <= 2
    assert 0.02 < (colours[:, 0] < 128).mean() < 0.2


def test_a_long_drill_takes_pages_and_parts_no_phrase_from_its_first_line(tmp_path: Path) -> None:
    bars = "\n".join("      - {bass: '1 E:0', harmonics: '1 G:<7>, 3 D:<5>', cue: count}" for _ in range(6))
    phrases = "".join(f"  - name: Part{number}\n    bars:\n{bars}\n" for number in range(12))
    head = (
        "drill: 1\ntitle: Many Bars\ninstrument: bass\nmeter: 4/4\ntempo: {start: 50, goal: 70}\nphrases:\n"
    )
    drill, _ = read_drill(head + phrases, "x.yaml")
    assert drill is not None
    pages = pages_of(printed(drill, "a4", tmp_path))
    assert len(pages) > 3
    seen: list[str] = []
    for number, words in enumerate(pages, 1):
        assert overlapping(words) == []
        assert f"page {number} of {len(pages)}" in " ".join(word.text for word in words)
        lowest = (
            max(word.bottom for word in words if word.text == "‹7›")
            if any(w.text == "‹7›" for w in words)
            else 0
        )
        for word in words:
            if word.text.startswith("Part"):
                seen.append(word.text)
                assert word.bottom < lowest, f"{word.text} stands at the foot of page {number}"
    assert sorted(seen) == sorted(f"Part{number}" for number in range(12))
