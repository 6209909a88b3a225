"""Defaults that the help of a command tells, apart from the jobs, which are slow to import."""

from typing import Final

PORT: Final = 8373
"""The page's."""
LOCAL: Final = "127.0.0.1"
"""Where nobody else on the network sees it."""
THICKNESS_MM: Final = 6.0
"""Of the plate under a mould: stiff enough to be printed and clamped."""
