"""Wellrung: a practice coach for natural harmonics over a bass line."""

__version__ = "0.1.0"
