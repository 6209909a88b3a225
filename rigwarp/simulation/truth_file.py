"""virtual.toml -> VirtualTruth: every key checked, the first mistake told in one line."""

import math
import tomllib
from typing import Final

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Placement, look_at, rotation_from_degrees
from rigwarp.rig import Rig
from rigwarp.rig.section import POSITIVE, Limits, TomlSection, describe
from rigwarp.rig.toml_fields import meanings_of, read_table
from rigwarp.simulation import mishaps
from rigwarp.simulation.projector import HEXAGONAL_COUNTS
from rigwarp.simulation.truth import CameraTruth, ProjectorTruth, RoomTruth, SheetTruth, VirtualTruth
from rigwarp.simulation.truth_parts import BUILT, parse_built, parse_surface, transfer_of
from rigwarp.simulation.view.truth import parse_view_truth

FORMAT = "rigwarp virtual rig"
VERSION = 1
TOP_LEVEL: Final = {
    "format": f'always "{FORMAT}"',
    "version": "the version of this format, 1",
    **meanings_of(VirtualTruth),
}
CAMERA: Final = {
    "position_mm": "centre of the lens in the table frame, [x, y, z]",
    "aim_mm": "a point on its optical axis, together with roll_deg",
    "roll_deg": "turn about the optical axis",
    "rotation_deg": "R_table_from_camera = Rz Ry Rx of these three angles, instead of aim_mm",
    **meanings_of(CameraTruth),
}


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
    document = TomlSection(source=source, path="", values=values, meanings=TOP_LEVEL)
    if document.text("format") != FORMAT:
        document.fail("format", found=describe(values["format"]), expected=f'"{FORMAT}"')
    if document.whole("version", at_least=0, at_most=10**6) != VERSION:
        document.fail("version", found=describe(values["version"]), expected=str(VERSION))
    room = document.section("room", meanings_of(RoomTruth), required=False)
    tilt = room.numbers("board_tilt_deg", 2, default=(0.0, 0.0), limits=Limits(at_least=-10.0, at_most=10.0))
    view = None if rig.view is None else parse_view_truth(document, rig.view)
    return VirtualTruth(
        seed=document.whole("seed", default=0, at_least=0, at_most=2**31 - 1),
        surface=parse_surface(document),
        built=parse_built(document.section("built", BUILT, required=False), rig.mirror.shape),
        projector=_projector(document.section("projector", meanings_of(ProjectorTruth), required=False), rig),
        camera=view.camera if view and not rig.projects else _camera(document, rig),
        room=read_table(RoomTruth, room, board_tilt=tuple(math.tan(math.radians(one)) for one in tilt)),
        sheet=_sheet(document.section("sheet", meanings_of(SheetTruth), required=False), rig),
        mishaps=mishaps.parse_mishaps(document.section("mishaps", mishaps.KEYS, required=False)),
        view=view,
    )


def _projector(section: TomlSection, rig: Rig) -> ProjectorTruth:
    samples = section.whole("pupil_samples", default=7, at_least=1, at_most=37)
    if samples not in HEXAGONAL_COUNTS:
        section.fail("pupil_samples", found=str(samples), expected="1, 7, 19 or 37")
    transfer = transfer_of(section, "gamma", rig.projector.transfer)
    return read_table(ProjectorTruth, section, pupil_samples=samples, transfer=transfer)


def _camera(document: TomlSection, rig: Rig) -> CameraTruth:
    section = document.section("camera", CAMERA, required=True)
    width, height = rig.camera.resolution
    focal = section.values.get("focal_px")
    fx, fy = (
        section.numbers("focal_px", 2, limits=POSITIVE)
        if isinstance(focal, list)
        else (section.number("focal_px", limits=POSITIVE),) * 2
    )
    return read_table(
        CameraTruth,
        section,
        placement=_camera_placement(section),
        focal_px=np.array([fx, fy]),
        principal_px=section.vector("principal_px", 2, default=((width - 1) / 2, (height - 1) / 2)),
        response=transfer_of(section, "response", "srgb"),
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


def _sheet(section: TomlSection, rig: Rig) -> SheetTruth:
    sheet = read_table(SheetTruth, section)
    square_mm, marker_mm = sheet.square_mm or rig.target.square_mm, sheet.marker_mm or rig.target.marker_mm
    if not marker_mm < square_mm:
        key = "marker_mm" if sheet.marker_mm else "square_mm"
        found = f"markers of {marker_mm:g} mm in squares of {square_mm:g} mm"
        section.fail(key, found=found, expected="markers that are smaller than the squares")
    return sheet
