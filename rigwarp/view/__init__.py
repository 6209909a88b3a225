"""The view: which place on the table each pixel of the installation's own camera sees over its mirrors.

A ray is a place on the table plus a lean (mm sideways per mm of height). The map is fitted by the same estimator as the
projector's, with the camera in the projector's place.
"""

from rigwarp.view.cover import ViewCover, cover_of
from rigwarp.view.design import trace_view
from rigwarp.view.fit import PartFit, ViewFit, fit_view, register_seen
from rigwarp.view.lean import LEAN_KNOWN, LeanDoubt
from rigwarp.view.lit import Lit, lit_by_projector, lit_by_screen
from rigwarp.view.look_up import height_of, pixels_of, points
from rigwarp.view.parts import ViewPart, view_parts
from rigwarp.view.screen import Screen, ScreenLaid, ScreenSeen, seen_by_screen
from rigwarp.view.screen_sheet import laid_by_sheet, screen_by_sheet
from rigwarp.view.seen import Seen, joined_seen, seen_by_projector

__all__ = [
    "LEAN_KNOWN",
    "LeanDoubt",
    "Lit",
    "PartFit",
    "Screen",
    "ScreenLaid",
    "ScreenSeen",
    "Seen",
    "ViewCover",
    "ViewFit",
    "ViewPart",
    "cover_of",
    "fit_view",
    "height_of",
    "joined_seen",
    "laid_by_sheet",
    "lit_by_projector",
    "lit_by_screen",
    "pixels_of",
    "points",
    "register_seen",
    "screen_by_sheet",
    "seen_by_projector",
    "seen_by_screen",
    "trace_view",
    "view_parts",
]
