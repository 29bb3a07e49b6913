"""Opens files from elsewhere without harm: XML without entities, archives that don't grow beyond a limit."""

from __future__ import annotations

import codecs
import io
import re
import xml.etree.ElementTree as ET
import zipfile

import defusedxml.ElementTree
from defusedxml.common import DefusedXmlException

from coach.ground.plain import plain_text
from coach.ground.problem import CoachError, Problem
from coach.score.score import MAX_BYTES

MAX_TAGS = 1_500_000
MAX_ATTRIBUTES = 700_000
MAX_MEMBERS = 1_000
_TORN = "an unfinished copy or download? Get or export it again"
OTHER_FORMAT = "save it from your notation program as MusicXML or MIDI"
_DECLARATION = re.compile(r"^<\?xml[^>]*\?>")
_MEMBER = b"PK\x01\x02"
"""How an entry of an archive's directory begins (APPNOTE 4.3.12)."""


def parse_xml(data: bytes, where: str) -> ET.Element:
    """The root of an XML text; CoachError for entity bombs, external entities and what is no XML."""
    refuse_overfull(data, where)
    try:
        # The guarded parser is slow; a text in which no entity can be declared needs no guard. Expat loads no
        # external subset by itself.
        guarded = may_declare_entities(data)
        root: ET.Element = defusedxml.ElementTree.fromstring(data) if guarded else ET.fromstring(data)
    except DefusedXmlException as error:
        kind = type(error).__name__
        raise CoachError(
            f"the file declares or fetches entities ({kind}); that is not allowed", where, guess=OTHER_FORMAT
        ) from None
    except (defusedxml.ElementTree.ParseError, ValueError, LookupError) as error:
        line, column = getattr(error, "position", (0, -1))
        raise CoachError(Problem(f"this is not XML: {error}", where, line, column + 1, guess=_TORN)) from None
    return root


def refuse_overfull(data: bytes, where: str) -> None:
    """A tree takes up to 40 times the memory of its text; what a score needs is far below these limits."""
    for what, count, most in (
        ("tags", data.count(b"<"), MAX_TAGS),
        ("attributes", data.count(b"="), MAX_ATTRIBUTES),
    ):
        if count > most:
            message = f"the file has {count:,} {what}; at most {most:,} are read"
            raise CoachError(message, where, guess="export fewer bars or parts from your notation program")


def may_declare_entities(data: bytes) -> bool:
    """Whether an XML text may declare entities, as far as its bytes tell."""
    return b"<!ENTITY" in data or not _ascii_compatible(data)


def _ascii_compatible(data: bytes) -> bool:
    """Whether the bytes of `<!ENTITY` are what they seem: UTF-8, ASCII or Latin-1 by the file's own word."""
    head = data[:200].removeprefix(b"\xef\xbb\xbf").lstrip()
    if not head.startswith(b"<"):
        return False
    declared = re.match(rb"<\?xml[^>]*?encoding\s*=\s*[\"']([A-Za-z0-9._-]+)", head)
    if head.startswith(b"<?xml") and b"?>" not in head:
        return False
    return declared is None or declared[1].lower() in (b"utf-8", b"us-ascii", b"iso-8859-1")


def unpacked(data: bytes, where: str) -> bytes:
    """The score inside a compressed MusicXML file; other data comes back as it is."""
    if not data.startswith(b"PK"):
        return as_utf8(data, where)
    if data.count(_MEMBER) > MAX_MEMBERS:
        raise CoachError(f"the archive has more than {MAX_MEMBERS:,} files", where)
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return as_utf8(_read(archive, _score_name(archive, where), where), where)
    except CoachError:
        raise
    except Exception as error:  # zlib.error and whatever else a broken archive brings up
        if isinstance(error, RuntimeError) and "password" in str(error):
            message = "the archive is locked with a password"
            raise CoachError(message, where, guess="save it again without one") from None
        raise CoachError(f"the archive can't be read: {reason_of(error)}", where, guess=_TORN) from None


def as_utf8(data: bytes, where: str) -> bytes:
    """XML in UTF-16 as UTF-8, so that its bytes are what they seem; other data as it is."""
    if not data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return data
    try:
        text = data.decode("utf-16")
    except UnicodeDecodeError as error:
        raise CoachError(f"this is not XML: {reason_of(error)}", where, guess=_TORN) from None
    return _DECLARATION.sub("", text, count=1).encode()


def _score_name(archive: zipfile.ZipFile, where: str) -> str:
    """The name of the score in an archive: the one that its container tells, else the first that may be one."""
    names = archive.namelist()
    if "META-INF/container.xml" in names:
        container = parse_xml(_read(archive, "META-INF/container.xml", where), where)
        root_file = container.find(".//{*}rootfile")
        name = root_file.get("full-path", "") if root_file is not None else ""
        if name and name not in names:
            message = (
                f"the archive's container names '{plain_text(name)[:80]}', which the archive does not have"
            )
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
