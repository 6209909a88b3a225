"""virtual.toml -> VirtualTruth: every key checked, the first mistake told in one line."""

import math
import tomllib

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Placement, look_at, rotation_from_degrees
from rigwarp.rig import Rig
from rigwarp.rig.section import POSITIVE, Limits, TomlSection, describe
from rigwarp.simulation import keys, mishaps
from rigwarp.simulation.projector import HEXAGONAL_COUNTS
from rigwarp.simulation.truth import CameraTruth, ProjectorTruth, RoomTruth, SheetTruth, VirtualTruth
from rigwarp.simulation.truth_parts import parse_built, parse_surface, transfer_of, whole_number
from rigwarp.simulation.view.truth import parse_view_truth

FORMAT = "rigwarp virtual rig"
VERSION = 1

_SHARE = Limits(at_least=0.0, at_most=1.0)
_SHARE_BELOW_1 = Limits(at_least=0.0, below=1.0)
_NOT_NEGATIVE = Limits(at_least=0.0)
_PERCENT = Limits(above=-50.0, below=50.0)


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
    view = None if rig.view is None else parse_view_truth(document, rig.view)
    return VirtualTruth(
        seed=whole_number(document, "seed", default=0, at_least=0, at_most=2**31 - 1),
        surface=parse_surface(document),
        built=parse_built(document.section("built", keys.BUILT, required=False), rig.mirror.shape),
        projector=_projector(document.section("projector", keys.PROJECTOR, required=False), rig),
        camera=view.camera if view and not rig.projects else _camera(document, rig),
        room=_room(document.section("room", keys.ROOM, required=False)),
        sheet=_sheet(document.section("sheet", keys.SHEET, required=False), rig),
        mishaps=mishaps.parse_mishaps(document.section("mishaps", mishaps.KEYS, required=False)),
        view=view,
    )


def _check_version(document: TomlSection) -> None:
    if whole_number(document, "version", default=None, at_least=0, at_most=10**6) != VERSION:
        document.fail("version", found=describe(document.values["version"]), expected=str(VERSION))


def _projector(section: TomlSection, rig: Rig) -> ProjectorTruth:
    samples = whole_number(section, "pupil_samples", default=7, at_least=1, at_most=37)
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
        transfer=transfer_of(section, "gamma", rig.projector.transfer),
        toe=section.number("toe", default=0.0, limits=_SHARE),
        vignetting=section.number("vignetting", default=0.15, limits=_SHARE_BELOW_1),
        black_level=section.number("black_level", default=0.001, limits=_SHARE_BELOW_1),
        lamp=section.number("lamp", default=1.0, limits=Limits(above=0.0, at_most=2.0)),
    )


def _camera(document: TomlSection, rig: Rig) -> CameraTruth:
    section = document.section("camera", keys.CAMERA, required=True)
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
        response=transfer_of(section, "response", "srgb"),
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
