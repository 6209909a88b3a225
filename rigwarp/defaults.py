"""Defaults, bounds and choices that the help of a command tells, apart from the rooms that work by them.

The rooms bring NumPy and OpenCV along, which help does not need.
"""

from typing import Final, Literal

KINDS: Final = {
    "conic": "round-table",
    "profile": "round-table",
    "mesh": "freeform-desk",
    "facets": "folded-counter",
    "bent": "folded-counter",
}
"""Kind of a rig's own mirror -> the scenario whose numbers it starts from."""
SET_NAMES: Final = ("fast", "fine", "gray", "short")
"""Of pattern sets."""
MAX_EXPOSURES: Final = 8
"""That a set is taken with."""
DWELL_S: Final = 10.0
"""From picture to picture of a folder."""
FADE_S: Final = 1.5
"""The last part of it, in which the next one comes up."""
Drawing = Literal["auto", "gl", "cpu"]
"""Who draws."""
SampleCount = Literal["auto", "fine", "quick"]
"""How finely content is sampled."""
PORT: Final = 8373
"""The page's."""
LOCAL: Final = "127.0.0.1"
"""Where nobody else on the network sees it."""
THICKNESS_MM: Final = 6.0
"""Of the plate under a mould: stiff enough to be printed and clamped."""
