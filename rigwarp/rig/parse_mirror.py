"""The [mirror] table of a rig file: four kinds of shape."""

import itertools
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Array, Placement, rotation_from_degrees
from rigwarp.rig.keys import MIRROR, MIRROR_KINDS
from rigwarp.rig.model import ConicShape, Facet, FacetsShape, MeshShape, Mirror, MirrorShape, ProfileShape, Sheet
from rigwarp.rig.section import NOT_NEGATIVE, TomlSection, describe, listed, section_by
from rigwarp.rig.toml_fields import meanings_of, read_table

MESH_ENDINGS = (".stl", ".ply", ".obj", ".3mf", ".glb", ".gltf", ".step", ".stp")
_SIDES = {
    f"{sign}{axis}": direction * unit
    for axis, unit in zip("xyz", np.eye(3), strict=True)
    for sign, direction in (("+", 1.0), ("-", -1.0))
}
_FLAT_MM = 0.1  # corners may be typed with one decimal; at 400 mm from the table this much moves light by under 1 mm
_COINCIDENT_MM = 1e-6


def mirror_from(document: TomlSection, path: str, values: Mapping[str, Any] | None = None) -> Mirror:
    """The mirror in a table of a rig file, which stands at `path`; `values` where that is in a list of tables."""
    values = document.table(path) if values is None else values
    told = 'mirrors of kind = {others}, and this one is of kind "{form}"'
    section, kind = section_by(document, path, values, "kind", MIRROR, MIRROR_KINDS, told=told)
    return read_table(
        Mirror,
        section,
        shape=_shape(section, kind),
        placement=part_placement(section),
        material=section.text("material") if section.has("material") else None,
    )


def part_placement(section: TomlSection) -> Placement:
    """Placement of a mirror or an obstacle; without the keys its own frame is the table frame."""
    return Placement(
        position_mm=section.vector("position_mm", 3, default=(0.0, 0.0, 0.0)),
        rotation=rotation_from_degrees(section.vector("rotation_deg", 3, default=(0.0, 0.0, 0.0))),
    )


def file_name(section: TomlSection, endings: tuple[str, ...]) -> str:
    """The name of a file in the rig folder, by its ending."""
    name = section.text("file")
    if not name.isprintable() or not name.lower().endswith(endings):
        section.fail("file", found=describe(name), expected=f"a name ending in {listed(endings)}")
    return name


def _shape(section: TomlSection, kind: str) -> MirrorShape:
    if kind == "mesh":
        file = file_name(section, MESH_ENDINGS)
        return read_table(MeshShape, section, file=file, reflecting_side=_reflecting_side(section))
    if kind == "conic":
        return _conic(section)
    if kind == "profile":
        return ProfileShape(file=file_name(section, (".csv",)))
    return _facets(section)


def _reflecting_side(section: TomlSection) -> Array:
    """(3,) unit vector in the mirror frame."""
    if isinstance(section.values.get("reflecting_side"), list):
        return _direction(section, "reflecting_side")
    return _SIDES[section.choice("reflecting_side", list(_SIDES), default="+z")]


def _direction(section: TomlSection, key: str) -> Array:
    vector = section.vector(key, 3)
    length = np.linalg.norm(vector)
    if length == 0.0:
        section.fail(key, found="a vector of length zero", expected="a direction [x, y, z]")
    return vector / length


def _conic(section: TomlSection) -> ConicShape:
    radius_mm = _bend(section, "radius_mm")
    conic_constant = section.number("conic_constant", default=0.0)
    inner_mm, outer_mm = section.numbers("aperture_mm", 2, limits=NOT_NEGATIVE)
    if inner_mm >= outer_mm:
        section.fail(
            "aperture_mm", found=f"[{inner_mm:g}, {outer_mm:g}]", expected="an inner radius below the outer one"
        )
    if (1.0 + conic_constant) * outer_mm**2 >= radius_mm**2:
        largest_mm = abs(radius_mm) / math.sqrt(1.0 + conic_constant)
        section.fail(
            "aperture_mm",
            index="[1]",
            found=f"{outer_mm:g}",
            expected=f"a radius below {largest_mm:g}, where this conic turns vertical and ends",
            advice="Make the aperture smaller, or check radius_mm and conic_constant.",
        )
    return ConicShape(
        radius_mm=radius_mm,
        conic_constant=conic_constant,
        coefficients_mm=section.numbers("coefficients_mm", None, default=()),
        aperture_mm=(inner_mm, outer_mm),
    )


def _facets(section: TomlSection) -> FacetsShape:
    facets = tuple(_facet(panel) for panel in section.sections("facet", meanings_of(Facet)))
    if not facets:
        raise InputError(
            f"{section.source}: mirror.facet: found no panel, expected at least one table [[mirror.facet]]. "
            "Add one for each panel, with corners_mm."
        )
    return FacetsShape(facets=facets, sheet=_sheet(section))


def _sheet(section: TomlSection) -> Sheet | None:
    if not section.has("sheet_mm"):
        for key in ("fold_radius_mm", "k_factor"):
            if section.has(key):
                section.fail("sheet_mm", found="nothing", expected=f"the thickness of the sheet beside {key}")
        return None
    return read_table(Sheet, section)


def _facet(section: TomlSection) -> Facet:
    corners_mm = section.points("corners_mm")
    _check_outline(section, corners_mm)
    given = [key for key in ("bend_radius_mm", "bend_axis") if section.has(key)]
    if len(given) == 1:
        absent = "bend_axis" if given == ["bend_radius_mm"] else "bend_radius_mm"
        section.fail(absent, found="nothing", expected=f"both {absent} and {given[0]}, or neither for a flat panel")
    if not given:
        _check_flat(section, corners_mm)
        return Facet(corners_mm=corners_mm, bend_radius_mm=None, bend_axis=None)
    radius_mm = _bend(section, "bend_radius_mm")
    return Facet(corners_mm=corners_mm, bend_radius_mm=radius_mm, bend_axis=_direction(section, "bend_axis"))


def _bend(section: TomlSection, key: str) -> float:
    """A radius of curvature, either way."""
    radius_mm = section.number(key)
    if radius_mm == 0.0:
        section.fail(key, found="0", expected="a number other than 0")
    return radius_mm


def _check_outline(section: TomlSection, corners_mm: Array) -> None:
    if len(corners_mm) < 3:
        section.fail("corners_mm", found=f"{len(corners_mm)} corners", expected="at least 3")
    for i, j in itertools.combinations(range(len(corners_mm)), 2):
        if np.linalg.norm(corners_mm[i] - corners_mm[j]) < _COINCIDENT_MM:
            section.fail(
                "corners_mm", index=f"[{j}]", found=f"the same point as corner [{i}]", expected="another point"
            )
    spread = np.linalg.svd(corners_mm - corners_mm.mean(axis=0), compute_uv=False)
    if spread[1] < 1e-6 * spread[0]:
        section.fail("corners_mm", found="corners on one straight line", expected="corners that enclose an area")


def _check_flat(section: TomlSection, corners_mm: Array) -> None:
    centred = corners_mm - corners_mm.mean(axis=0)
    off_mm = np.abs(centred @ np.linalg.svd(centred)[2][2])
    worst = int(np.argmax(off_mm))
    if off_mm[worst] > _FLAT_MM:
        section.fail(
            "corners_mm",
            index=f"[{worst}]",
            found=f"a corner {off_mm[worst]:.2f} mm off the plane through the panel's corners",
            expected=f"at most {_FLAT_MM:g} mm",
            advice="Correct the corner, split the panel, or give bend_radius_mm and bend_axis.",
        )
