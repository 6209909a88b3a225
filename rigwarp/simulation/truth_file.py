"""virtual.toml -> VirtualTruth: every key checked, the first mistake told in one line."""

import math
import tomllib
from typing import Any

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Placement, look_at, rotation_from_degrees
from rigwarp.rig import ConicShape, FacetsShape, Rig, Transfer
from rigwarp.rig.section import POSITIVE, Limits, TomlSection, describe
from rigwarp.simulation import keys, mishaps
from rigwarp.simulation.projector import HEXAGONAL_COUNTS
from rigwarp.simulation.truth import (
    BuiltRipple,
    BuiltTruth,
    CameraTruth,
    Dent,
    FacetError,
    Hole,
    ProjectorTruth,
    RoomTruth,
    SheetTruth,
    SurfaceTruth,
    VirtualTruth,
)

FORMAT = "rigwarp virtual rig"
VERSION = 1

_SHARE = Limits(at_least=0.0, at_most=1.0)
_SHARE_BELOW_1 = Limits(at_least=0.0, below=1.0)
_NOT_NEGATIVE = Limits(at_least=0.0)
_GAMMA = Limits(at_least=1.0, at_most=3.5)
_PERCENT = Limits(above=-50.0, below=50.0)
_RIM = Limits(at_least=-50.0, at_most=50.0)
_FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))
_LARGEST_ORDER = 20  # Zernike or monomial order; beyond, plain powers lose their digits


def parse_truth(text: str, rig: Rig, *, source: str = "virtual.toml") -> VirtualTruth:
    """Read what was really built.

    Parameters
    ----------
    text : the file's contents (TOML 1.0).
    rig : the design that it belongs to; gives defaults such as the picture's middle.
    source : the name that messages give the file.

    Raises
    ------
    InputError
        On the first mistake, in one line: file, key, what was found, what was expected, what to do.
    """
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{source}: not valid TOML: {error}. Correct that line; text needs quotes.") from error
    document = TomlSection(source=source, path="", values=values, meanings=keys.TOP_LEVEL)
    if document.text("format") != FORMAT:
        document.fail("format", found=describe(values["format"]), expected=f'"{FORMAT}"')
    _check_version(document)
    return VirtualTruth(
        seed=_whole(document, "seed", default=0, at_least=0, at_most=2**31 - 1),
        surface=_surface(document.section("surface", keys.SURFACE, required=True)) if document.has("surface") else None,
        built=_built(document.section("built", keys.BUILT, required=False), rig),
        projector=_projector(document.section("projector", keys.PROJECTOR, required=False), rig),
        camera=_camera(document.section("camera", keys.CAMERA, required=True), rig),
        room=_room(document.section("room", keys.ROOM, required=False)),
        sheet=_sheet(document.section("sheet", keys.SHEET, required=False), rig),
        mishaps=mishaps.parse_mishaps(document.section("mishaps", mishaps.KEYS, required=False)),
    )


def _check_version(document: TomlSection) -> None:
    if _whole(document, "version", default=None, at_least=0, at_most=10**6) != VERSION:
        document.fail("version", found=describe(document.values["version"]), expected=str(VERSION))


def _whole(section: TomlSection, key: str, *, default: int | None, at_least: int, at_most: int) -> int:
    if not section.has(key) and default is not None:
        return default
    expected = f"a whole number from {at_least} to {at_most}"
    if not section.has(key):
        section.fail(key, found="nothing", expected=expected)
    value = section.values[key]
    if isinstance(value, bool) or not isinstance(value, int) or not at_least <= value <= at_most:
        section.fail(key, found=describe(value), expected=expected)
    return int(value)


def _surface(section: TomlSection) -> SurfaceTruth:
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


def _built(section: TomlSection, rig: Rig) -> BuiltTruth:
    pieces = len(rig.mirror.shape.facets) if isinstance(rig.mirror.shape, FacetsShape) else 1
    zernike = [_zernike(table) for table in section.sections("zernike", keys.ZERNIKE)]
    astigmatism_mm = section.number("astigmatism_um", default=0.0) / 1000.0
    if astigmatism_mm != 0.0:
        double = 2.0 * math.radians(section.number("astigmatism_deg", default=0.0))
        zernike += [(2, 2, astigmatism_mm * math.cos(double)), (2, -2, astigmatism_mm * math.sin(double))]
    return BuiltTruth(
        radius_percent=section.number("radius_percent", default=0.0, limits=_PERCENT),
        zernike=tuple(zernike),
        zernike_radius_mm=_aperture_radius_mm(section, rig, needed=bool(zernike)),
        zernike_centre_mm=section.vector("aperture_centre_mm", 2, default=(0.0, 0.0)),
        dents=tuple(_dent(table, pieces) for table in section.sections("dent", keys.DENT)),
        ripples=tuple(_ripple(table) for table in section.sections("ripple", keys.RIPPLE)),
        facets=tuple(_facet(table, pieces) for table in section.sections("facet", keys.FACET)),
        seat_shift_mm=section.vector("seat_shift_mm", 3, default=(0.0, 0.0, 0.0)),
        seat_turn_rad=np.deg2rad(section.vector("seat_turn_deg", 3, default=(0.0, 0.0, 0.0))),
        holes=tuple(_hole(table, pieces) for table in section.sections("hole", keys.HOLE)),
        rim_mm=_rim_mm(section, rig),
    )


def _rim_mm(section: TomlSection, rig: Rig) -> float:
    rim_mm = section.number("rim_mm", default=0.0, limits=_RIM)
    if rim_mm != 0.0 and isinstance(rig.mirror.shape, FacetsShape):
        section.fail("rim_mm", found=f"{rim_mm:g} on a mirror of panels", expected="0, or no such line")
    return rim_mm


def _hole(section: TomlSection, pieces: int) -> Hole:
    return Hole(
        piece=_whole(section, "facet", default=0, at_least=0, at_most=pieces - 1),
        position_mm=section.vector("position_mm", 2),
        radius_mm=section.number("diameter_mm", limits=POSITIVE) / 2.0,
    )


def _aperture_radius_mm(section: TomlSection, rig: Rig, *, needed: bool) -> float:
    shape = rig.mirror.shape
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
    n = _whole(section, "n", default=None, at_least=0, at_most=_LARGEST_ORDER)
    m = _whole(section, "m", default=None, at_least=-n, at_most=n)
    if (n - m) % 2:
        section.fail("m", found=str(m), expected=f"an {'odd' if n % 2 else 'even'} number, like n = {n}")
    return n, m, section.number("um") / 1000.0


def _dent(section: TomlSection, pieces: int) -> Dent:
    return Dent(
        piece=_whole(section, "facet", default=0, at_least=0, at_most=pieces - 1),
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
        piece=_whole(section, "facet", default=None, at_least=0, at_most=pieces - 1),
        tilt_rad=(float(tilt[0]), float(tilt[1])),
        curvature_per_mm=1.0 / radius_mm,
        bend_rad=math.radians(section.number("bend_deg", default=0.0)),
        twist_per_mm=section.number("twist_mrad_per_mm", default=0.0) / 1000.0,
    )


def _projector(section: TomlSection, rig: Rig) -> ProjectorTruth:
    samples = _whole(section, "pupil_samples", default=7, at_least=1, at_most=37)
    if samples not in HEXAGONAL_COUNTS:
        section.fail("pupil_samples", found=str(samples), expected="1, 7, 19 or 37")
    return ProjectorTruth(
        position_error_mm=section.vector("position_error_mm", 3, default=(0.0, 0.0, 0.0)),
        rotation_error_rad=np.deg2rad(section.vector("rotation_error_deg", 3, default=(0.0, 0.0, 0.0))),
        throw_ratio_percent=section.number("throw_ratio_percent", default=0.0, limits=_PERCENT),
        blur_px=section.number("blur_px", default=0.5, limits=_NOT_NEGATIVE),
        pupil_diameter_mm=section.number("pupil_diameter_mm", default=3.0, limits=_NOT_NEGATIVE),
        pupil_samples=samples,
        focus_mm=section.number("focus_mm", limits=POSITIVE) if section.has("focus_mm") else None,
        transfer=_transfer(section, "gamma", rig.projector.transfer),
        toe=section.number("toe", default=0.0, limits=_SHARE),
        vignetting=section.number("vignetting", default=0.15, limits=_SHARE_BELOW_1),
        black_level=section.number("black_level", default=0.001, limits=_SHARE_BELOW_1),
        lamp=section.number("lamp", default=1.0, limits=Limits(above=0.0, at_most=2.0)),
    )


def _transfer(section: TomlSection, key: str, default: Transfer) -> Transfer:
    if not section.has(key):
        return default
    if section.values[key] == "srgb":
        return "srgb"
    return section.number(key, limits=_GAMMA)


def _camera(section: TomlSection, rig: Rig) -> CameraTruth:
    width, height = rig.camera.resolution
    focal = section.values.get("focal_px")
    fx, fy = (
        section.numbers("focal_px", 2, limits=POSITIVE)
        if isinstance(focal, list)
        else (section.number("focal_px", limits=POSITIVE),) * 2
    )
    return CameraTruth(
        placement=_camera_placement(section),
        focal_px=np.array([fx, fy]),
        principal_px=section.vector("principal_px", 2, default=((width - 1) / 2, (height - 1) / 2)),
        distortion=section.vector("distortion", 5, default=(0.0,) * 5),
        thin_prism=section.vector("thin_prism", 4, default=(0.0,) * 4),
        blur_px=section.number("blur_px", default=0.6, limits=_NOT_NEGATIVE),
        vignetting=section.number("vignetting", default=0.25, limits=_SHARE_BELOW_1),
        response=_transfer(section, "response", "srgb"),
        exposure=section.number("exposure", limits=POSITIVE) if section.has("exposure") else None,
        full_well_e=section.number("full_well_e", default=12000.0, limits=POSITIVE),
        read_noise_e=section.number("read_noise_e", default=5.0, limits=_NOT_NEGATIVE),
    )


def _camera_placement(section: TomlSection) -> Placement:
    position = section.vector("position_mm", 3)
    if section.has("aim_mm") == section.has("rotation_deg"):
        found = "both of aim_mm and rotation_deg" if section.has("aim_mm") else "nothing"
        section.fail("aim_mm", found=found, expected="one of aim_mm and rotation_deg")
    if section.has("rotation_deg"):
        if section.has("roll_deg"):
            section.fail("roll_deg", found="a roll beside rotation_deg", expected="roll_deg only together with aim_mm")
        return Placement(position_mm=position, rotation=rotation_from_degrees(section.vector("rotation_deg", 3)))
    aim = section.vector("aim_mm", 3)
    if not np.linalg.norm(aim - position) > 0.0:
        section.fail("aim_mm", found="the camera's own position", expected="another point")
    roll = math.radians(section.number("roll_deg", default=0.0))
    return Placement(position_mm=position, rotation=look_at(position, aim, roll))


def _room(section: TomlSection) -> RoomTruth:
    tilt = section.numbers("board_tilt_deg", 2, default=(0.0, 0.0), limits=Limits(at_least=-10.0, at_most=10.0))
    return RoomTruth(
        ambient=section.number("ambient", default=0.03, limits=_NOT_NEGATIVE),
        haze=section.number("haze", default=0.03, limits=_SHARE_BELOW_1),
        albedo=section.number("albedo", default=0.8, limits=Limits(above=0.0, at_most=1.0)),
        texture=section.number("texture", default=0.01, limits=Limits(at_least=0.0, below=0.2)),
        table_margin_mm=section.number("table_margin_mm", default=20.0, limits=_NOT_NEGATIVE),
        table_height_error_mm=section.number("table_height_error_mm", default=0.0),
        table_bow_mm=section.number("table_bow_mm", default=0.0, limits=Limits(at_least=-20.0, at_most=20.0)),
        board_height_error_mm=section.number("board_height_error_mm", default=0.0),
        board_tilt=(math.tan(math.radians(tilt[0])), math.tan(math.radians(tilt[1]))),
    )


def _sheet(section: TomlSection, rig: Rig) -> SheetTruth:
    square_mm = section.number("square_mm", limits=POSITIVE) if section.has("square_mm") else None
    marker_mm = section.number("marker_mm", limits=POSITIVE) if section.has("marker_mm") else None
    printed_mm = square_mm or rig.target.square_mm
    if not (marker_mm or rig.target.marker_mm) < printed_mm:
        key = "marker_mm" if marker_mm else "square_mm"
        found = f"markers of {marker_mm or rig.target.marker_mm:g} mm in squares of {printed_mm:g} mm"
        section.fail(key, found=found, expected="markers that are smaller than the squares")
    error = section.numbers("scale_error_percent", 2, default=(0.0, 0.0), limits=_PERCENT)
    return SheetTruth(
        scale_error=(error[0] / 100.0, error[1] / 100.0),
        thickness_mm=section.number("thickness_mm", default=0.0, limits=_NOT_NEGATIVE),
        paper=section.number("paper", default=0.85, limits=_SHARE),
        ink=section.number("ink", default=0.05, limits=_SHARE),
        square_mm=square_mm,
        marker_mm=marker_mm,
        turned_rad=math.radians(section.number("turned_deg", default=0.0)),
    )
