"""The built borders between the zones of a mirror, found in the samples."""

from rigwarp.table_map.borders.border import Border
from rigwarp.table_map.borders.borders import JUMP, Borders, find_borders

__all__ = ["JUMP", "Border", "Borders", "find_borders"]
