"""What came of the practice: the player's report, the student's reply, the teacher's class.

Begin with `figures.py`, which makes a `Report` of the log; `findings.py` says what is in it, part by part, `tables.py`
declares the columns of its tables for people and programs (JSON, CSV), and `lines.py` (terminal) and `page.py` with
`svg.py` (HTML) lay the parts out among drawings; `neck.py` puts its nodes on a fretboard. `reply.py` is the format of a
student's file, and `student.py` makes it. A teacher's side is `handed.py` (what was assigned), `inbox.py` (reads the
replies), `classroom.py` (whose each is), `work.py` and `advice.py` (what a student needs, a table of rules),
`overview.py` (a row a student and drill, its columns), `class_parts.py` (what the first page and a student's page say)
with `overview_lines.py` and `overview_page.py`. A new form of the report is a module beside `lines.py`; a new column of
a table is one row of its columns. May import every room before it.
"""
