"""The practice log: what was played and how it was rated, as lines of text in files that only one machine
writes.

Begin with `entries.py` (a repetition, a correction, an entry) and `log.py` (the log, opened for one
player). Below it, `lines.py` is one line with its checksum, `disk.py` the files, `pen.py` what writes,
`shelf.py` what this folder's files hold and lack, `book.py` their records. What follows from the lines is a
`Fold` (`fold.py`), kept by `cache.py`, which may be deleted at any time. `docs/log-format.md` describes the
files. May import ground, strings, music and rating.
"""
