"""Is a CAD export fine enough: what its triangles leave open, carried to the table."""

from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import PixelMap
from rigwarp.rig import MeshShape, MirrorShape, Rig, inside_content
from rigwarp.tracing.cad.welding import edges_of, rounding_mm
from rigwarp.tracing.model import OpticalModel
from rigwarp.tracing.surfaces.panel import FlatSurface
from rigwarp.tracing.surfaces.surface import Tessellation
from rigwarp.words import number

_SHARE_OF_TOLERANCE = 0.1
_ORDER = 2.5  # power of the triangles' size that errors of slope go with (r^5 kernel; Wendland 2005, ch. 11)
_SAFELY = 0.8
_ASKED = 2_000  # vertices
_BENT_RAD = np.deg2rad(40.0)  # crease_deg = 40 joins what turns by less


@dataclass(frozen=True, kw_only=True)
class ZoneExport:
    """One zone's triangles."""

    zone: int
    name: str
    tessellation: Tessellation


@dataclass(frozen=True, kw_only=True)
class ExportCheck:
    """A mesh mirror's export.

    Attributes
    ----------
    zones : those that come from triangles.
    table_rms_mm, table_p95_mm : expected distance (2-D, 1-sigma) of the traced spots from the CAD model's over the
        content area: root mean square, and what 95 % of the pixels stay below.
    limit_mm : a tenth of the rig's tolerance for the picture.
    fine_enough : whether 95 % stay below the limit.
    usable : whether 95 % stay below the whole tolerance; if not, the design says nothing.
    advice : what to do when it is not, or when flat panels may be the triangles of a curved mirror; empty otherwise.
    """

    zones: tuple[ZoneExport, ...]
    table_rms_mm: float
    table_p95_mm: float
    limit_mm: float
    fine_enough: bool
    usable: bool
    advice: str


def check_export(model: OpticalModel, design: PixelMap, rig: Rig) -> ExportCheck | None:
    """Judge the triangles of a traced design; None where the mirror is no mesh or nothing is lit."""
    zones = tuple(
        ZoneExport(zone=s.zone, name=s.name, tessellation=t)
        for s in model.surfaces
        if (t := getattr(s, "tessellation", None)) is not None
    )
    wanted = inside_content(rig.content, design.table_mm)
    if not zones or not wanted.any():
        return None
    off_mm = np.sqrt(2.0) * design.sigma_mm[wanted]
    p95 = float(np.percentile(off_mm, 95))
    limit = _SHARE_OF_TOLERANCE * rig.tolerance.content_p95_mm
    return ExportCheck(
        zones=zones,
        table_rms_mm=float(np.sqrt(np.mean(off_mm**2))),
        table_p95_mm=p95,
        limit_mm=limit,
        fine_enough=p95 <= limit,
        usable=p95 <= rig.tolerance.content_p95_mm,
        advice=_folded_or_curved(model, rig.mirror.shape)
        if p95 <= limit
        else _advice(zones, p95, limit, _rounded_to_mm(model)),
    )


def _folded_or_curved(model: OpticalModel, shape: MirrorShape) -> str:
    """What to do if flat panels that are folded gently, each against its neighbours, are the triangles of a curve."""
    panels = [s for s in model.surfaces if isinstance(s, FlatSurface)]
    given = not isinstance(shape, MeshShape) or shape.crease_rad is not None
    if given or model.cad is None or len(panels) < max(2, len(model.surfaces)):
        return ""
    sides = model.cad.label[edges_of(model.cad.mesh.faces).faces]
    sides = sides[((sides >= 0) & (sides < len(panels))).all(axis=1) & (sides[:, 0] != sides[:, 1])]
    normals = np.stack([panel.T_mirror_from_surface[:3, 2] for panel in panels])
    sines = np.linalg.norm(np.cross(normals[sides[:, 0]], normals[sides[:, 1]]), axis=1)
    sines = sines[sines < np.sin(_BENT_RAD)]
    if not len(sines):
        return ""
    low, high = (float(np.rad2deg(np.arcsin(f(sines)))) for f in (np.min, np.max))
    return (
        f"It reads as {len(panels)} flat panels, each folded by {number(low, 2)} to {number(high, 2)} degrees against "
        "the next. If that is one curved mirror or bent sheet in a few triangles or strips, the design is wrong by "
        "far: write crease_deg = 40 under [mirror], and if it is too coarse then, export it with more strips or "
        f"triangles. If it is folded, write crease_deg = {number(low / 2, 2)}."
    )


def _rounded_to_mm(model: OpticalModel) -> float:
    """By how much the file's numbers are apart: steps of float32, or the last decimal that its vertices have."""
    if model.cad is None:
        return 0.0
    vertices = model.cad.mesh.vertices_mm
    vertices = vertices[:: max(1, len(vertices) // _ASKED)]
    steps = 2.0 * rounding_mm(model.cad.mesh)
    for decimal in (1.0, 0.1, 0.01, 1e-3, 1e-4):
        if decimal > 8.0 * steps and np.abs(vertices - decimal * np.rint(vertices / decimal)).max() <= 2.0 * steps:
            return decimal
    return steps


def _advice(zones: tuple[ZoneExport, ...], p95_mm: float, limit_mm: float, rounded_to_mm: float) -> str:
    worst = max(zones, key=lambda z: (z.tessellation.too_few, z.tessellation.noise_mm)).tessellation
    found = (
        f"The export leaves the design uncertain by {number(p95_mm, 2)} mm on the table, more than "
        f"{number(limit_mm, 2)} mm, a tenth of tolerance.content_p95_mm. "
    )
    if worst.too_few or worst.noise_mm > rounded_to_mm:
        share = _SAFELY * (limit_mm / p95_mm) ** (1.0 / _ORDER)
        chord = number(share**2 * worst.chord_mm, 1)
        return found + (
            "Its triangles are too coarse for the mirror's bends (edges of "
            f"{number(worst.edge_median_mm, 2)} mm, standing off it by {number(worst.chord_mm, 2)} mm): export it "
            f"again with a tolerance (chord height) of {chord} mm, edges of "
            f"{number(share * worst.edge_median_mm, 2)} mm or less, or as STEP, which needs none, or give it as conic "
            "or profile."
        )
    return found + (
        f"Its vertices stray {number(1000 * worst.noise_mm, 2)} µm from a smooth surface: export the mirror again as "
        "binary STL or with more decimals, its origin near the mirror, or with smaller triangles."
    )
