"""Parts of virtual.toml that more than one of its tables has: mirrors as built, transfer curves."""

import math
from typing import Any, Final

from rigwarp.rig import ConicShape, FacetsShape, MirrorShape, Transfer
from rigwarp.rig.section import POSITIVE, Limits, TomlSection, describe
from rigwarp.rig.toml_fields import meanings_of, read_table
from rigwarp.simulation.truth import BuiltRipple, BuiltTruth, Dent, FacetError, Hole, SurfaceTruth

BUILT: Final = {
    **meanings_of(BuiltTruth),
    "astigmatism_um": "rms of the astigmatism over the aperture",
    "astigmatism_deg": "direction in which the astigmatism raises the rim, from the mirror's x",
}
SURFACE: Final = {
    "kind": 'always "polynomial": a conic plus terms c x^i y^j',
    **meanings_of(SurfaceTruth),
}
ZERNIKE: Final = {
    "n": "radial order",
    "m": "azimuthal order, negative for the sine terms",
    "um": "rms over the aperture (orthonormal term)",
}
RIPPLE: Final = {
    **meanings_of(BuiltRipple),
    "rings": "true for rings around the mirror's origin, as a lathe leaves them",
}
_GAMMA = Limits(at_least=1.0, at_most=3.5)
_LARGEST_ORDER = 20  # Zernike or monomial order; beyond, plain powers lose their digits


def parse_surface(document: TomlSection) -> SurfaceTruth | None:
    """Read [surface]; None where there is none."""
    if not document.has("surface"):
        return None
    section = document.section("surface", SURFACE, required=True)
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
    return read_table(
        SurfaceTruth,
        section,
        radius_mm=radius_mm,
        terms=_terms(section),
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
    zernike = [_zernike(table) for table in section.sections("zernike", ZERNIKE)]
    astigmatism_mm = section.number("astigmatism_um", default=0.0) / 1000.0
    if astigmatism_mm != 0.0:
        double = 2.0 * math.radians(section.number("astigmatism_deg", default=0.0))
        zernike += [(2, 2, astigmatism_mm * math.cos(double)), (2, -2, astigmatism_mm * math.sin(double))]

    def on_pieces(key: str, kind: type[Dent] | type[Hole]) -> tuple[Any, ...]:
        tables = section.sections(key, meanings_of(kind))
        return tuple(
            read_table(kind, one, piece=one.whole("facet", default=0, at_least=0, at_most=pieces - 1)) for one in tables
        )

    return read_table(
        BuiltTruth,
        section,
        zernike=tuple(zernike),
        zernike_radius_mm=_aperture_radius_mm(section, shape, needed=bool(zernike)),
        dents=on_pieces("dent", Dent),
        ripples=tuple(_ripple(table) for table in section.sections("ripple", RIPPLE)),
        facets=tuple(_facet(table, pieces) for table in section.sections("facet", meanings_of(FacetError))),
        holes=on_pieces("hole", Hole),
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
    n = section.whole("n", at_least=0, at_most=_LARGEST_ORDER)
    m = section.whole("m", at_least=-n, at_most=n)
    if (n - m) % 2:
        section.fail("m", found=str(m), expected=f"an {'odd' if n % 2 else 'even'} number, like n = {n}")
    return n, m, section.number("um") / 1000.0


def _ripple(section: TomlSection) -> BuiltRipple:
    rings = section.values.get("rings", False)
    if not isinstance(rings, bool):
        section.fail("rings", found=describe(rings), expected="true or false")
    if rings and section.has("direction_deg"):
        section.fail("direction_deg", found="a direction of rings", expected="either rings = true or direction_deg")
    direction_rad = None if rings else math.radians(section.number("direction_deg", default=0.0))
    return read_table(BuiltRipple, section, direction_rad=direction_rad)


def _facet(section: TomlSection, pieces: int) -> FacetError:
    radius_mm = section.number("bend_radius_mm") if section.has("bend_radius_mm") else math.inf
    if radius_mm == 0.0:
        section.fail("bend_radius_mm", found="0", expected="a number other than 0")
    piece = section.whole("facet", at_least=0, at_most=pieces - 1)
    return read_table(FacetError, section, piece=piece, curvature_per_mm=1.0 / radius_mm)


def transfer_of(section: TomlSection, key: str, default: Transfer) -> Transfer:
    """A transfer curve: a power or "srgb"."""
    if not section.has(key):
        return default
    if section.values[key] == "srgb":
        return "srgb"
    return section.number(key, limits=_GAMMA)
