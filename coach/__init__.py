"""Wellrung: a practice coach for natural harmonics over a bass line."""

import os

__version__ = "0.1.0"

# Small matrices only: numpy's own threads make them several times slower and take the core that the sound needs.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
