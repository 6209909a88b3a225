"""Parts of virtual.toml that more than one of its tables has: mirrors as built, transfer curves, whole numbers."""

import math
from typing import Any

import numpy as np

from rigwarp.rig import ConicShape, FacetsShape, MirrorShape, Transfer
from rigwarp.rig.section import POSITIVE, Limits, TomlSection, describe
from rigwarp.simulation import keys
from rigwarp.simulation.truth import BuiltRipple, BuiltTruth, Dent, FacetError, Hole, SurfaceTruth

_GAMMA = Limits(at_least=1.0, at_most=3.5)
_RIM = Limits(at_least=-50.0, at_most=50.0)
_PERCENT = Limits(above=-50.0, below=50.0)
_RIM = Limits(at_least=-50.0, at_most=50.0)
_FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))
_LARGEST_ORDER = 20  # Zernike or monomial order; beyond, plain powers lose their digits


def whole_number(section: TomlSection, key: str, *, default: int | None, at_least: int, at_most: int) -> int:
    """A whole number within limits."""
    if not section.has(key) and default is not None:
        return default
    expected = f"a whole number from {at_least} to {at_most}"
    if not section.has(key):
        section.fail(key, found="nothing", expected=expected)
    value = section.values[key]
    if isinstance(value, bool) or not isinstance(value, int) or not at_least <= value <= at_most:
        section.fail(key, found=describe(value), expected=expected)
    return int(value)


def parse_surface(document: TomlSection) -> SurfaceTruth | None:
    """Read [surface]; None where there is none."""
    if not document.has("surface"):
        return None
    section = document.section("surface", keys.SURFACE, required=True)
    section.choice("kind", ["polynomial"])
    radius_mm = section.number("radius_mm") if section.has("radius_mm") else math.inf
    if radius_mm == 0.0:
        section.fail("radius_mm", found="0", expected="a number other than 0")
    if section.has("aperture_size_mm") == section.has("aperture_radius_mm"):
        section.fail(
            "aperture_size_mm",
            found="both of aperture_size_mm and aperture_radius_mm" if section.has("aperture_size_mm") else "nothing",
            expected="one of aperture_size_mm and aperture_radius_mm",
        )
    size: tuple[float, float] | None = None
    if section.has("aperture_size_mm"):
        width, depth = section.numbers("aperture_size_mm", 2, limits=POSITIVE)
        size = (width, depth)
    return SurfaceTruth(
        radius_mm=radius_mm,
        conic_constant=section.number("conic_constant", default=0.0),
        terms=_terms(section),
        aperture_centre_mm=section.vector("aperture_centre_mm", 2, default=(0.0, 0.0)),
        aperture_size_mm=size,
        aperture_radius_mm=section.number("aperture_radius_mm", limits=POSITIVE) if size is None else None,
    )


def _terms(section: TomlSection) -> tuple[tuple[int, int, float], ...]:
    expected = "a list of [i, j, c] with whole powers i and j"
    listed = section.values.get("terms", [])
    if not isinstance(listed, list):
        section.fail("terms", found=describe(listed), expected=expected)
    terms = []
    for number, term in enumerate(listed):
        good = isinstance(term, list) and len(term) == 3 and all(_is_power(p) for p in term[:2]) and _is_number(term[2])
        if not good:
            section.fail("terms", index=f"[{number}]", found=describe(term), expected=expected)
        terms.append((int(term[0]), int(term[1]), float(term[2])))
    return tuple(terms)


def _is_power(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= _LARGEST_ORDER


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def parse_built(section: TomlSection, shape: MirrorShape) -> BuiltTruth:
    """Read how a mirror of some designed shape was built."""
    pieces = len(shape.facets) if isinstance(shape, FacetsShape) else 1
    zernike = [_zernike(table) for table in section.sections("zernike", keys.ZERNIKE)]
    astigmatism_mm = section.number("astigmatism_um", default=0.0) / 1000.0
    if astigmatism_mm != 0.0:
        double = 2.0 * math.radians(section.number("astigmatism_deg", default=0.0))
        zernike += [(2, 2, astigmatism_mm * math.cos(double)), (2, -2, astigmatism_mm * math.sin(double))]
    return BuiltTruth(
        radius_percent=section.number("radius_percent", default=0.0, limits=_PERCENT),
        zernike=tuple(zernike),
        zernike_radius_mm=_aperture_radius_mm(section, shape, needed=bool(zernike)),
        zernike_centre_mm=section.vector("aperture_centre_mm", 2, default=(0.0, 0.0)),
        dents=tuple(_dent(table, pieces) for table in section.sections("dent", keys.DENT)),
        ripples=tuple(_ripple(table) for table in section.sections("ripple", keys.RIPPLE)),
        facets=tuple(_facet(table, pieces) for table in section.sections("facet", keys.FACET)),
        seat_shift_mm=section.vector("seat_shift_mm", 3, default=(0.0, 0.0, 0.0)),
        seat_turn_rad=np.deg2rad(section.vector("seat_turn_deg", 3, default=(0.0, 0.0, 0.0))),
        holes=tuple(_hole(table, pieces) for table in section.sections("hole", keys.HOLE)),
        rim_mm=section.number("rim_mm", default=0.0, limits=_RIM),
    )


def _hole(section: TomlSection, pieces: int) -> Hole:
    return Hole(
        piece=whole_number(section, "facet", default=0, at_least=0, at_most=pieces - 1),
        position_mm=section.vector("position_mm", 2),
        radius_mm=section.number("diameter_mm", limits=POSITIVE) / 2.0,
    )


def _aperture_radius_mm(section: TomlSection, shape: MirrorShape, *, needed: bool) -> float:
    if section.has("aperture_radius_mm"):
        return section.number("aperture_radius_mm", limits=POSITIVE)
    if isinstance(shape, ConicShape):
        return shape.aperture_mm[1]
    if needed:
        section.fail(
            "aperture_radius_mm",
            found="nothing",
            expected="a radius, because the mirror has no round outline of its own",
        )
    return 1.0


def _zernike(section: TomlSection) -> tuple[int, int, float]:
    n = whole_number(section, "n", default=None, at_least=0, at_most=_LARGEST_ORDER)
    m = whole_number(section, "m", default=None, at_least=-n, at_most=n)
    if (n - m) % 2:
        section.fail("m", found=str(m), expected=f"an {'odd' if n % 2 else 'even'} number, like n = {n}")
    return n, m, section.number("um") / 1000.0


def _dent(section: TomlSection, pieces: int) -> Dent:
    return Dent(
        piece=whole_number(section, "facet", default=0, at_least=0, at_most=pieces - 1),
        position_mm=section.vector("position_mm", 2),
        sigma_mm=section.number("width_mm", limits=POSITIVE) / _FWHM_PER_SIGMA,
        depth_mm=section.number("depth_um") / 1000.0,
    )


def _ripple(section: TomlSection) -> BuiltRipple:
    rings = section.values.get("rings", False)
    if not isinstance(rings, bool):
        section.fail("rings", found=describe(rings), expected="true or false")
    if rings and section.has("direction_deg"):
        section.fail("direction_deg", found="a direction of rings", expected="either rings = true or direction_deg")
    return BuiltRipple(
        amplitude_mm=section.number("amplitude_um") / 1000.0,
        period_mm=section.number("period_mm", limits=POSITIVE),
        direction_rad=None if rings else math.radians(section.number("direction_deg", default=0.0)),
        phase_rad=math.radians(section.number("phase_deg", default=0.0)),
    )


def _facet(section: TomlSection, pieces: int) -> FacetError:
    tilt = np.deg2rad(section.vector("tilt_deg", 2, default=(0.0, 0.0)))
    radius_mm = section.number("bend_radius_mm") if section.has("bend_radius_mm") else math.inf
    if radius_mm == 0.0:
        section.fail("bend_radius_mm", found="0", expected="a number other than 0")
    return FacetError(
        piece=whole_number(section, "facet", default=None, at_least=0, at_most=pieces - 1),
        tilt_rad=(float(tilt[0]), float(tilt[1])),
        curvature_per_mm=1.0 / radius_mm,
        bend_rad=math.radians(section.number("bend_deg", default=0.0)),
        twist_per_mm=section.number("twist_mrad_per_mm", default=0.0) / 1000.0,
    )


def transfer_of(section: TomlSection, key: str, default: Transfer) -> Transfer:
    """A transfer curve: a power or "srgb"."""
    if not section.has(key):
        return default
    if section.values[key] == "srgb":
        return "srgb"
    return section.number(key, limits=_GAMMA)
