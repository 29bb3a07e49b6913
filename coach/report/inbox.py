"""Students' files in a teacher's folder: each one read, or told apart with a sentence, and none touched.

A file is trusted with nothing: the codec checks every field for its type and range (`coach.report.student`), and makes
every text plain before it is shown.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from coach.ground.codec import value_of
from coach.ground.frozen import frozen
from coach.ground.plain import plain_text
from coach.ground.problem import NEWER_WROTE_IT, CoachError, Problem, reason_of
from coach.ground.source import FileKind, read_bytes
from coach.log.lines import KINDS
from coach.report.handed import FILE as HANDED
from coach.report.reply import KIND, VERSION, Reply, digest

STUDENT_FILE = FileKind(file="a student's reply", max_bytes=4_000_000)
SUFFIXES = (".json", ".jsonl", ".txt", "")
"""Of files that may be a student's: mail programs change names."""


@frozen
class StudentFile:
    """One readable file."""

    path: str
    reply: Reply
    edited: bool
    """Its checksum does not fit: changed by hand or on the way."""


def read_folder(folder: Path) -> tuple[list[StudentFile], list[Problem]]:
    """Every student's file in a folder, in order of name, and a sentence for each that is none.

    Of several files of one student one counts for a drill that is in them (`coach.report.classroom` decides).
    CoachError where the folder can't be read.
    """
    if not os.path.isdir(folder):
        guess = "put your students' replies in one folder and name it"
        raise CoachError("is not a folder", str(folder), guess=guess)
    files: list[StudentFile] = []
    problems: list[Problem] = []
    try:
        paths = sorted(path for path in folder.iterdir() if os.path.isfile(path))
    except OSError as error:
        raise CoachError(f"can't be read: {reason_of(error)}", str(folder)) from None
    for path in paths:
        if path.suffix.lower() not in SUFFIXES or path.name.startswith(".") or path.name == HANDED:
            continue
        try:
            file = read_student(path)
        except CoachError as error:
            problems.extend(error.problems)
            continue
        files.append(file)
        if file.edited:
            changed = "was changed after it was written; its row says so"
            problems.append(Problem(changed, str(path), severity="warning"))
    return files, problems


def read_student(path: Path) -> StudentFile:
    """One student's file; CoachError with a sentence that says what it is instead."""
    where = str(path)
    data = read_bytes(path, STUDENT_FILE)
    body = _parsed(data, where)
    version = body.get("version")
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise CoachError("is a student's reply without a version", where, guess="edited by hand?")
    if version != VERSION:
        older = "ask the student to update and write it again" if version < VERSION else "update this program"
        raise CoachError(
            f"is a reply of version {version}; this program reads version {VERSION}",
            where,
            guess=f"{older}; the file is as it was",
        )
    edited = _edited(body)
    try:
        rest = {
            key: part for key, part in body.items() if key not in ("wellrung", "version", "program", "sha256")
        }
        return StudentFile(where, value_of(Reply, rest), edited)
    except (ValueError, RecursionError) as error:
        # A file that nobody changed says what its writer meant, so the writer knows more than this program.
        guess = "ask for it again" if edited else NEWER_WROTE_IT
        raise CoachError(
            f"is a student's reply, but has errors: {plain_text(str(error), 120)}", where, guess=guess
        ) from None


def _edited(body: Mapping[str, Any]) -> bool:
    """Whether the checksum does not fit."""
    try:
        return body.get("sha256") != digest(body)
    except (ValueError, RecursionError):
        return True


def _parsed(data: bytes, where: str) -> dict[str, Any]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise CoachError("is not text, so not a student's reply", where) from None
    try:
        body = json.loads(text)
    except (ValueError, RecursionError):
        head = text[:200]
        if head.startswith(tuple(f'{{"{kind}":"' for kind in KINDS)):
            guess = "ask for `coach report --for-teacher`"
            raise CoachError("is a practice log, not a reply", where, guess=guess) from None
        if '"wellrung"' in head and f'"{KIND}"' in head:
            raise CoachError(
                "is a student's reply, but cut off or damaged", where, guess="ask for it again"
            ) from None
        raise CoachError("is not a student's reply", where) from None
    if not isinstance(body, dict) or body.get("wellrung") != KIND:
        raise CoachError("is not a student's reply", where, guess="`coach report --for-teacher` writes one")
    return body
