"""One practice session: a machine without input or output, its host, and practice entered from an answers
file.

Begin with `machine.py`, whose table `ROWS` is the whole behaviour, then `handlers.py`, `states.py`,
`events.py` and `notices.py` (what the player is told). `coaching.py` is the one seam to learning. `host.py`
carries out what the machine asks; `desk.py` is one run's folder, settings, drills and log. What a microphone
or pedal thinks comes in as `events.Suggest`. The machine reads no clock, file or device; host and desk do.
"""
