"""Structured light: which frames are shown, and how each one looks.

A pattern set is a list of frames in the order they are shown: uniform grey levels from black to white (the references,
and the steps that linearise the response), then phase-shifted sinusoids along x and along y, in one set after the bars
of a Gray code. The first wave of each axis comes once more at the end. Sets for scans of single zones have one picture
more, after the grey levels, which all of them show alike.
"""

from rigwarp.patterns.frames import GrayFrame, LevelFrame, PatternFrame, PhaseFrame, PlaidFrame, StripeFrame
from rigwarp.patterns.pattern_set import PatternSet
from rigwarp.patterns.sets import (
    SETS,
    choose_periods_px,
    fast_set,
    fine_set,
    gray_set,
    make_set,
)

__all__ = [
    "SETS",
    "GrayFrame",
    "LevelFrame",
    "PatternFrame",
    "PatternSet",
    "PhaseFrame",
    "PlaidFrame",
    "StripeFrame",
    "choose_periods_px",
    "fast_set",
    "fine_set",
    "gray_set",
    "make_set",
]
