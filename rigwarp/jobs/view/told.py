"""What is said of any view's map, whatever it was measured by: its zones, and how steeply it looks."""

from typing import Any

import numpy as np

from rigwarp.files.records import ViewZoneRecord
from rigwarp.geometry import Array, ViewMap
from rigwarp.view import ViewCover, ViewPart

_STEEP = 1.0  # mm per mm: from this lean on a user should hear of it


def zone_record(part: ViewPart, view_map: ViewMap, moved_mm: Array, moved_rad: Array, **more: Any) -> ViewZoneRecord:
    """A part of the map; its mirror was moved by (3,) and turned by (3,)."""
    here = np.isin(view_map.zone, part.zones)
    lean = np.hypot(view_map.lean_x[here], view_map.lean_y[here])
    return ViewZoneRecord(
        zone=part.first_zone,
        mirror=part.mirror,
        reversed_=part.parity > 0,
        pixels=int(np.count_nonzero(here)),
        lean=float(np.median(lean)) if lean.size else None,
        moved_mm=float(np.linalg.norm(moved_mm)),
        moved_deg=float(np.degrees(np.linalg.norm(moved_rad))),
        **more,
    )


def steep(cover: ViewCover) -> list[str]:
    """Words where things that are hardly high seem to lie elsewhere."""
    steepest = cover.range_of(cover.lean)[1]
    if steepest <= _STEEP:
        return []
    return [
        f"Lines of sight lean by up to {steepest:.1f} mm per mm: a sheet of cardboard 1 mm thick seems to lie "
        f"{steepest:.1f} mm away from where it does"
    ]
