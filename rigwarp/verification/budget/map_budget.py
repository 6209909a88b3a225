"""The uncertainty budget of a warp on the table, region by region, and what the check grid says of it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from rigwarp.camera import CameraModel, SheetSigma
from rigwarp.camera.table.shares import camera_shares
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, at_height
from rigwarp.rig import Content, Table, Target, inside_content
from rigwarp.rig.canvas import content_to_table, table_to_content
from rigwarp.table_map.uncertainty import LENS_PX
from rigwarp.verification.budget.causes import (
    Cause,
    CheckGrid,
    GridCoverage,
    Kind,
    Part,
    RegionBudget,
    judge_grid,
    rectangular,
)

FLATNESS_MM = 0.2
"""Assumed: the table's surface lies within ± this of its height in rig.toml; nothing in a scan tells."""
_GRID = 41  # places across the content: some 1300 on a circle, enough for a mean of what varies slowly
_STRIDE, _PIXELS = 4, 16
"""Of every 4th lit pixel each way, the 16 around a place are averaged: a patch of several triangles of the mesh, since
where in its triangle a place lies is no reason to call its mesh better."""
_THIRDS = (("centre", 0.0, 1 / 3), ("middle", 1 / 3, 2 / 3), ("rim", 2 / 3, 1.0 + 1e-9))

_ASSUMED, _MEASURED = "assumed, not measured: within ± {flatness_mm:g} mm", "photograph of the sheet on the table"
_TABLE: tuple[tuple[Part, str, str, Kind, str], ...] = (
    ("repeatable", "decode", "decoding noise", "A", "photo noise carried through the fit"),
    ("repeatable", "processing", "what the camera does to its pictures", "A", "noise beyond the sensor's, by places"),
    ("repeatable", "light", "changing light, taken out", "A", "scatter of the photographs' own gains"),
    ("repeatable", "bands", "bands, taken out", "A", "scatter of each photograph's own bands"),
    ("repeatable", "curve", "camera's curve, by a single period", "B", "what powers of 1.7 to 2.2 leave in stripes"),
    ("repeatable", "motion", "motion of the camera, taken out", "A", "phases of the stripes in each photograph"),
    ("repeatable", "map_fit", "fit of the map", "A", "samples held out of the fit, beyond their noise"),
    ("repeatable", "ripple", "ripple, beyond what samples tell", "B", "the beam's width on the mirror"),
    ("repeatable", "border", "border between zones", "A", "its line's uncertainty times the jump of the light"),
    ("repeatable", "unproven", "map's sigma not proven", "A", "by how much samples held out scatter further"),
    ("repeatable", "mesh", "mesh of the warp", "B", "computed: how far the mesh strays from the map"),
    ("repeatable", "unexplained", "seen on the check grid only", "A", "check dots, beyond all that explains them"),
    ("common", "lens", "camera lens", "A", "photographs of the board; the pose follows the lens"),
    ("common", "pose", "camera pose", "A", "photograph of the sheet, lens given"),
    ("common", "lens_model", "lens beyond its model", "B", f"{LENS_PX:g} camera pixels, common practice"),
    ("common", "print_scale", "print scale of the sheet", "B", "a steel rule read by eye"),
    ("common", "sheet_height", "height of the sheet", "B", "thickness and flatness of the paper"),
    ("common", "flatness", "table height and flatness", "B", _ASSUMED),
)
_ALL = tuple(Cause(part=part, key=key, name=name, kind=kind, how=how) for part, key, name, kind, how in _TABLE)
"""In the order of a budget; those that a result knows nothing about are left out."""


@dataclass(frozen=True, kw_only=True)
class WarpSigmas:
    """What is known of lit pixels, (N,), see `thinned`: where light lands (N, 2), 1-sigma per axis by cause in mm.

    `mesh_mm` is how far the mesh puts content off, a length; `zone` the smooth piece of mirror; `unproven` the share of
    the map's random sigma that held-out samples show beyond it, 0 where they bear it out. `parts_mm` are parts of the
    random sigma besides decoding and fit, (N,) by cause; `decode_shares` of decoding's variance, by cause;
    `motion_px` the 1-sigma of a motion of the camera that was taken out, camera pixels.
    """

    table_mm: Array
    decode_mm: Array
    random_mm: Array
    mesh_mm: Array
    zone: NDArray[np.int16]
    unproven: float = 0.0
    parts_mm: Mapping[str, Array] = field(default_factory=dict)
    decode_shares: Mapping[str, float] = field(default_factory=dict)
    motion_px: float = 0.0


@dataclass(frozen=True, kw_only=True)
class MapBudget:
    """The budget: causes, regions (thirds of the content's reach, all of it, zones), and the check grid's verdict.

    `check` is None before a verification; `camera_known` is False for a camera that came without a covariance;
    `flatness_mm` is what was assumed of the table, None where it was measured.
    """

    causes: tuple[Cause, ...]
    regions: tuple[RegionBudget, ...]
    check: GridCoverage | None
    camera_known: bool
    flatness_mm: float | None


def map_budget(
    warp: WarpSigmas,
    camera: CameraModel,
    *,
    content: Content,
    table: Table,
    target: Target,
    sheet: SheetSigma,
    check: CheckGrid | None = None,
    flatness_mm: float = FLATNESS_MM,
    shape_sigma: Callable[[Array], Array] | None = None,
) -> MapBudget:
    """Make the budget of a warp.

    Parameters
    ----------
    warp : the map, its random uncertainty and the mesh.
    camera : lens and pose with their covariance.
    content, table, target : of the rig.
    sheet : how well the sheet on the table is known.
    check : residuals of check dots, where there was a verification.
    flatness_mm : half width of what the table's surface may be off, where its shape was not measured.
    shape_sigma : places (N, 2) -> 1-sigma per axis of positions there, (N,), from the measured shape of the table; the
        map's random part is taken to hold it.

    Raises
    ------
    MeasurementError
        When no lit pixel has a place and an uncertainty.

    Notes
    -----
    Per axis: the root of half the summed variance of x and y. A surface that lies dz too high is seen by the camera dz
    tan(theta) beside its place, theta the angle of the camera's ray to the vertical.
    """
    places = _content_grid(content)
    pixels = _Nearest(warp, shape_sigma)
    found = {**pixels.at(places), **_common(camera, places, table.height_mm, sheet, target)}
    if warp.motion_px > 0.0:
        found["motion"] = warp.motion_px * _mm_per_px(camera, places, table.height_mm)
    found["flatness"] = (
        rectangular(flatness_mm) * _slant(camera, places, table.height_mm) / np.sqrt(2.0)
        if shape_sigma is None
        else shape_sigma(places)
    )
    coverage = None
    if check is not None:
        moved_mm = warp.motion_px * _mm_per_px(camera, check.points_mm, table.height_mm)
        predicted = np.sqrt(sum((sigma**2 for sigma in pixels.at(check.points_mm).values()), moved_mm**2))
        coverage, unexplained = judge_grid(check, predicted, places)
        found["unexplained"] = unexplained
    causes = tuple(_worded(cause, flatness_mm, shape_sigma is not None) for cause in _ALL if cause.key in found)
    groups = _groups(content, places, pixels.zones(places))
    return MapBudget(
        causes=causes,
        regions=tuple(_region(name, here, {c.key: found[c.key] for c in causes}) for name, here in groups),
        check=coverage,
        camera_known="lens" in found,
        flatness_mm=flatness_mm if shape_sigma is None else None,
    )


def thinned(lit: BoolArray) -> BoolArray:
    """(H, W) lit pixels, or every so manieth of them where that leaves enough to judge by."""
    few = np.zeros_like(lit)
    few[::_STRIDE, ::_STRIDE] = lit[::_STRIDE, ::_STRIDE]
    return few if np.count_nonzero(few) >= _PIXELS else lit


class _Nearest:
    """Values of the lit pixels around a place, as a root mean square."""

    def __init__(self, warp: WarpSigmas, shape_sigma: Callable[[Array], Array] | None) -> None:
        if not len(warp.zone):
            raise MeasurementError("no lit projector pixel has a place with an uncertainty: there is nothing to budget")
        self._tree = cKDTree(warp.table_mm)
        self._zone = warp.zone
        decode = warp.decode_mm**2
        shape = 0.0 if shape_sigma is None else shape_sigma(warp.table_mm) ** 2
        parts = {key: part**2 for key, part in warp.parts_mm.items() if np.any(part > 0.0)}
        blamed = {key: share * decode for key, share in warp.decode_shares.items() if share > 0.0}
        self._variances = {
            "decode": np.maximum(decode - sum(blamed.values()), 0.0),
            "map_fit": np.maximum(warp.random_mm**2 - decode - shape - sum(parts.values()), 0.0),
            "mesh": warp.mesh_mm**2 / 2.0,
            **{key: np.asarray(parts.get(key, 0.0) + blamed.get(key, 0.0)) for key in {**parts, **blamed}},
        }
        if warp.unproven > 0.0:
            self._variances["unproven"] = (warp.unproven * warp.random_mm) ** 2
        self._count = min(_PIXELS, len(self._zone))

    def at(self, places_mm: Array) -> dict[str, Array]:
        """1-sigma per axis by cause at (N, 2) places; (N,) each."""
        _, near = self._tree.query(places_mm, k=range(1, self._count + 1))
        return {key: np.sqrt(values[near].mean(axis=1)) for key, values in self._variances.items()}

    def zones(self, places_mm: Array) -> NDArray[np.int16]:
        """(N,) zone of the nearest lit pixel."""
        return np.asarray(self._zone[self._tree.query(places_mm)[1]])


def _common(
    camera: CameraModel, places: Array, height_mm: float, sheet: SheetSigma, target: Target
) -> dict[str, Array]:
    """What the camera and the sheet do to scan and check alike, by cause, at (N, 2) places."""
    found = {"lens_model": LENS_PX * _mm_per_px(camera, places, height_mm)}
    shares = camera_shares(camera, places, height_mm, sheet=sheet, centre_mm=target.centre_mm)
    if shares is not None:
        found |= {name: getattr(shares, f"{name}_mm") for name in ("lens", "pose", "print_scale", "sheet_height")}
    return found


def _mm_per_px(camera: CameraModel, places: Array, height_mm: float) -> Array:
    """(N,) table mm per camera pixel at (N, 2) places, root mean square over the axes."""
    jacobian = camera.plane_jacobian(camera.project(at_height(places, height_mm)), height_mm)
    return np.asarray(np.sqrt(np.sum(jacobian**2, axis=(-1, -2)) / 2.0))


def _slant(camera: CameraModel, places: Array, height_mm: float) -> Array:
    """(N,) tangent of the angle between the camera's rays to (N, 2) places and the vertical."""
    away = np.linalg.norm(places - camera.position_mm[:2], axis=-1)
    return np.asarray(away / (camera.position_mm[2] - height_mm))


def _worded(cause: Cause, flatness_mm: float, measured: bool) -> Cause:
    if cause.key != "flatness":
        return cause
    if measured:
        return replace(cause, kind="A", how=_MEASURED)
    return replace(cause, how=_ASSUMED.format(flatness_mm=flatness_mm))


def _content_grid(content: Content) -> Array:
    """(N, 2) places evenly over the content area, table frame, mm."""
    share = (np.arange(_GRID) + 0.5) / _GRID
    grid = np.stack(np.meshgrid(share, share), axis=-1).reshape(-1, 2) * content.pixels - 0.5
    places = content_to_table(content, grid)
    return places[inside_content(content, places)]


def _groups(content: Content, places: Array, zone: NDArray[np.int16]) -> list[tuple[str, BoolArray]]:
    """Name and members of each region: by thirds from the content's middle to its edge, all, and zones if several."""
    centred = np.abs((table_to_content(content, places) + 0.5) / content.pixels - 0.5) * 2.0
    reach = np.linalg.norm(centred, axis=-1) if content.shape == "circle" else centred.max(axis=-1)
    groups = [(name, np.asarray((reach >= low) & (reach < high))) for name, low, high in _THIRDS]
    groups.append(("all", np.ones(len(places), bool)))
    zones = np.unique(zone)
    return groups + ([(f"zone {z}", np.asarray(zone == z)) for z in zones] if len(zones) > 1 else [])


def _region(name: str, here: BoolArray, sigmas: dict[str, Array]) -> RegionBudget:
    """Root mean square of each cause over the region; places that the camera does not see are left out."""
    known = here & np.all([np.isfinite(sigma) for sigma in sigmas.values()], axis=0)
    if not known.any():
        return RegionBudget(name=name, n=0, sigma_mm=dict.fromkeys(sigmas, float("nan")))
    mean = {key: float(np.sqrt(np.mean(sigma[known] ** 2))) for key, sigma in sigmas.items()}
    return RegionBudget(name=name, n=int(known.sum()), sigma_mm=mean)
