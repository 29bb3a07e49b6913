"""Hostile input, made by mutation and thrown at everything that reads what others wrote.

`python -m tests.fuzz --runs N --seed S [--target NAME]` prints a table of what became of every run. The suite runs the
same targets with a few fixed seeds (`tests/test_hostile_input.py`).
"""
