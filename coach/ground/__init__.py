"""What every other room stands on: problems as people see them, safe text, numbers, days, files, tables of
keys.

Begin with `problem.py` (what is wrong with an input, where, what is allowed, the likely slip). `plain.py`
makes others' text harmless, `files.py` writes a file whole or not at all, `places.py` knows every path.
YAML with lines and columns is read by `compose.py`; `fields.py` and `kinds.py` turn a table of rows, one a
key, into reader, writer, schema and help. `codec.py` turns frozen dataclasses into JSON and back. Imports
no other room.
"""
