"""Structured light: which frames are shown, and how each one looks.

A pattern set is a list of frames in the order they are shown: uniform grey levels from black to white (the references,
and the steps that linearise the response), then phase-shifted sinusoids along x and along y.
"""

from rigwarp.patterns.pattern_set import LevelFrame, PatternFrame, PatternSet, PhaseFrame, fast_set
from rigwarp.patterns.periods import choose_periods_px, code_separation

__all__ = ["LevelFrame", "PatternFrame", "PatternSet", "PhaseFrame", "choose_periods_px", "code_separation", "fast_set"]
