"""A module a command: options in, text out; the only place that prints.

Begin with `coach/cli.py`, the table of commands, `options.py`, where options are declared, and `common.py`, through
which all output goes. A module is imported only when its command is called.
"""
