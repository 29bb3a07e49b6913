"""Opens files from elsewhere without harm: XML without entities, archives that don't grow beyond a limit."""

from __future__ import annotations

import gc
import io
import xml.etree.ElementTree as ET
import zipfile
from typing import NoReturn
from xml.parsers import expat

from coach.ground.plain import plain_text
from coach.ground.problem import CoachError, Problem
from coach.score.score import MAX_BYTES

MAX_TAGS = 1_500_000
MAX_ATTRIBUTES = 700_000
MAX_MEMBERS = 1_000
_TORN = "an unfinished copy or download? Get or export it again"
OTHER_FORMAT = "save it from your notation program as MusicXML or MIDI"
_MEMBER = b"PK\x01\x02"
"""How an entry of an archive's directory begins (APPNOTE 4.3.12)."""


def parse_xml(data: bytes, where: str) -> ET.Element:
    """The root of an XML text; CoachError for one that declares more than its kind, is too large, or is no XML.

    Entities and default attributes let a small text grow without end. Nothing is ever fetched: expat loads no external
    subset by itself.
    """
    _refuse_overfull(data, where)
    guard = expat.ParserCreate(namespace_separator="}")

    def refuse(*_: object) -> NoReturn:
        message = "the file declares entities or attributes of its own; none are allowed"
        raise CoachError(Problem(message, where, guard.CurrentLineNumber, guess=OTHER_FORMAT))

    guard.EntityDeclHandler = guard.AttlistDeclHandler = refuse
    try:
        guard.Parse(data, True)
        return _tree(data)
    except expat.ExpatError as error:
        problem = Problem(f"this is not XML: {error}", where, error.lineno, error.offset + 1, guess=_TORN)
        raise CoachError(problem) from None
    except (ET.ParseError, ValueError, LookupError) as error:  # an encoding that nobody knows, for one
        raise CoachError(f"this is not XML: {error}", where, guess=_TORN) from None


def _tree(data: bytes) -> ET.Element:
    """The root of a proved text; the collector, which would go through the growing tree again and again, rests."""
    collects = gc.isenabled()
    gc.disable()
    try:
        return ET.fromstring(data)
    finally:
        if collects:
            gc.enable()


def _refuse_overfull(data: bytes, where: str) -> None:
    """A tree takes up to 40 times the memory of its text; what a score needs is far below these limits."""
    for what, count, most in (
        ("tags", data.count(b"<"), MAX_TAGS),
        ("attributes", data.count(b"="), MAX_ATTRIBUTES),
    ):
        if count > most:
            message = f"the file has {count:,} {what}; at most {most:,} are read"
            raise CoachError(message, where, guess="export fewer bars or parts from your notation program")


def unpacked(data: bytes, where: str) -> bytes:
    """The score inside a compressed MusicXML file; other data comes back as it is."""
    if not data.startswith(b"PK"):
        return data
    if data.count(_MEMBER) > MAX_MEMBERS:
        raise CoachError(f"the archive has more than {MAX_MEMBERS:,} files", where)
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return _read(archive, _score_name(archive, where), where)
    except CoachError:
        raise
    except Exception as error:  # zlib.error and whatever else a broken archive brings up
        if isinstance(error, RuntimeError) and "password" in str(error):
            message = "the archive is locked with a password"
            raise CoachError(message, where, guess="save it again without one") from None
        raise CoachError(f"the archive can't be read: {reason_of(error)}", where, guess=_TORN) from None


def _score_name(archive: zipfile.ZipFile, where: str) -> str:
    """The name of the score in an archive: the one that its container tells, else the first that may be one."""
    names = archive.namelist()
    if "META-INF/container.xml" in names:
        container = parse_xml(_read(archive, "META-INF/container.xml", where), where)
        root_file = container.find(".//{*}rootfile")
        name = root_file.get("full-path", "") if root_file is not None else ""
        if name and name not in names:
            shown = plain_text(name)[:80]
            message = f"the archive's container names '{shown}', which the archive does not have"
            raise CoachError(f"{message}; nothing outside it is read", where)
        if name:
            return name
    for name in names:
        if name.endswith((".musicxml", ".xml")) and "META-INF" not in name:
            return name
    raise CoachError("the archive has no MusicXML file in it", where, guess=OTHER_FORMAT)


def _read(archive: zipfile.ZipFile, name: str, where: str) -> bytes:
    with archive.open(name) as member:
        data = member.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        raise CoachError(
            f"unpacked, the archive is larger than {MAX_BYTES // 1_000_000} MB", where, guess="cut it first"
        )
    return data


def reason_of(error: Exception) -> str:
    """Why a library could not read a file, in words: a file that ends too soon has none of its own."""
    if isinstance(error, EOFError):
        return "it ends in the middle, as after an unfinished copy or download"
    return plain_text(str(error) or type(error).__name__)
