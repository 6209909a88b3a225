"""rig.toml -> Rig: every key checked, the first mistake told in one line.

Only what cannot be guessed has to be given: what the projector is and where it stands, the mirror's shape, and the
sizes of table and content. Everything else has the default that the example in the design shows: no lens shift, gamma
2.2, parts in the table frame, content in the middle with about 1080 pixels along its longer side, a 1920 x 1080 camera
number 0, the A3 sheet that ships with the package, and the usual tolerances.
"""

import math
import re
import tomllib
from collections.abc import Mapping
from typing import Any, cast

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Placement, look_at, rotation_from_degrees
from rigwarp.rig.keys import MEASURED_LENGTHS, OBSTACLE, PROJECTOR, TARGET, TOP_LEVEL, VIEW
from rigwarp.rig.model import (
    CHANNELS,
    CameraSpec,
    Channel,
    Lens,
    Measured,
    Obstacle,
    Projector,
    Rig,
    Table,
    Target,
    Tolerance,
    TopView,
    Transfer,
    View,
)
from rigwarp.rig.parse_areas import area_of_table, parse_content, parse_table, target_from
from rigwarp.rig.parse_mirror import MESH_ENDINGS, file_name, mirror_from, part_placement
from rigwarp.rig.section import MISSING, POSITIVE, Limits, TomlSection, describe
from rigwarp.rig.toml_fields import meanings_of, read_table

FORMAT = "rigwarp rig"
VERSION = 1

_OF_THE_PROJECTOR = ("projector", "mirror", "content")  # where a view is there, a rig may lack all of them
_GAMMA = Limits(at_least=1.0, at_most=3.5)


def parse_rig(text: str, *, source: str = "rig.toml") -> Rig:
    """Read a rig file.

    Parameters
    ----------
    text : the file's contents (TOML 1.0).
    source : the name that messages give the file.

    Returns
    -------
    Rig
        Angles in radians, rotations as matrices. Files that it names are not looked at.

    Raises
    ------
    InputError
        On the first mistake, in one line: file, key, what was found, what was expected, what to do. Unknown keys are
        reported before missing ones of the same table, so that a misspelt key is called that.
    """
    try:
        values = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # numbers of thousands of digits are no TOMLDecodeError
        hint = _typing_slip(text, error) or "Correct that line; text needs quotes."
        raise InputError(f"{source}: not valid TOML: {error}. {hint}") from error
    return rig_from_values(values, source=source)


def rig_from_values(values: Mapping[str, Any], *, source: str = "rig.toml") -> Rig:
    """The same from what the TOML file holds, read already; InputError as `parse_rig`."""
    document = TomlSection(source=source, path="", values=values, meanings=TOP_LEVEL)
    _check_format(document)
    table, target = parse_table(document), target_from(document.section("target", TARGET, required=False))
    view = parse_view(document, table, target)
    projects = view is None or any(document.has(key) for key in _OF_THE_PROJECTOR)
    return Rig(
        name=document.text("name", default="unnamed rig"),
        projector=_projector(document) if projects or view is None else view_as_projector(view),
        mirror=mirror_from(document, "mirror") if projects or view is None else view.mirrors[0],
        obstacles=tuple(
            Obstacle(file=file_name(section, MESH_ENDINGS), placement=part_placement(section))
            for section in document.sections("obstacle", OBSTACLE)
        ),
        table=table,
        content=parse_content(document, table) if projects or view is None else area_of_table(table),
        camera=_camera(document),
        target=target,
        tolerance=read_table(Tolerance, document.section("tolerance", meanings_of(Tolerance), required=False)),
        measured=tuple(
            read_table(Measured, section, what=section.choice("what", MEASURED_LENGTHS))
            for section in document.sections("measured", meanings_of(Measured))
        ),
        view=view,
        projects=projects,
    )


def _typing_slip(text: str, error: Exception) -> str:
    """The usual reasons for a line that is no TOML, looked for where the parser stopped; "" where none is seen."""
    at = re.search(r"at line (\d+)", str(error))
    lines = text.splitlines()
    line = lines[min(int(at[1]), len(lines)) - 1] if at and lines else ""
    code = line.partition("#")[0]
    if re.search(r"[\u201c\u201d\u201e\u00ab\u00bb\u2018\u2019]", code):
        return 'That line has typographic quotes: write the straight ones, ", as on a keyboard.'
    if re.search(r"=\s*-?\d+,\d+\s*$", code):
        return "That line has a decimal comma: write a point, as in 1.2."
    return ""


def _check_format(document: TomlSection) -> None:
    found = document.values.get("format")
    if found != FORMAT:
        document.fail(
            "format",
            found="nothing" if found is None else describe(found),
            expected=f'"{FORMAT}"',
            advice=f'If this is a rig file, write format = "{FORMAT}" at its top.',
        )
    version = document.values.get("version")
    if type(version) is not int or version != VERSION:
        found = "nothing" if version is None else describe(version)
        newer = type(version) is int and version > VERSION
        advice = "The file was made for a newer rigwarp: update rigwarp." if newer else "Write version = 1."
        document.fail("version", found=found, expected=str(VERSION), advice=advice)


def _projector(document: TomlSection) -> Projector:
    section = document.section("projector", PROJECTOR, required=True)
    return read_table(
        Projector,
        section,
        resolution=picture_size(section),
        placement=optical_placement(section, what="projector"),
        transfer=_transfer(section),
    )


def _transfer(section: TomlSection) -> Transfer:
    value = section.values.get("gamma", 2.2)
    if value == "srgb":
        return "srgb"
    if isinstance(value, str):
        section.fail("gamma", found=describe(value), expected=f'a number{_GAMMA} or "srgb"')
    return section.number("gamma", default=2.2, limits=_GAMMA)


def _camera(document: TomlSection) -> CameraSpec:
    section = document.section("camera", meanings_of(CameraSpec), required=False)
    return CameraSpec(
        resolution=picture_size(section, default=(1920, 1080)),
        device=camera_device(section),
        channel=cast(Channel, section.choice("channel", CHANNELS, default="grey")),
    )


SMALLEST_PICTURE_PX = 16  # along one side; smaller is a slip of the pen
LARGEST_PICTURE_PX = 16384  # the largest texture side of today's GPUs


def picture_size(section: TomlSection, *, default: Any = MISSING) -> tuple[int, int]:
    """`resolution`: (width, height) pixels."""
    width, height = section.integers(
        "resolution", 2, at_least=SMALLEST_PICTURE_PX, at_most=LARGEST_PICTURE_PX, default=default
    )
    return width, height


def camera_device(section: TomlSection) -> int | str:
    """`device`: which camera."""
    device = section.values.get("device", 0)
    is_index = type(device) is int and device >= 0
    is_name = isinstance(device, str) and device.strip() != ""
    if not (is_index or is_name):
        section.fail("device", found=describe(device), expected="a number from 0, or text")
    return cast(int | str, device)


def optical_placement(section: TomlSection, *, what: str) -> Placement:
    """Where a projector or camera (`what`) stands and looks: rotation_deg, or aim_mm with roll_deg."""
    position_mm = section.vector("position_mm", 3)
    if section.has("rotation_deg") and section.has("aim_mm"):
        section.fail(
            "aim_mm",
            found="a second definition of the orientation beside rotation_deg",
            expected="one of the two",
            advice="Remove either aim_mm (with roll_deg) or rotation_deg.",
        )
    if section.has("roll_deg") and not section.has("aim_mm"):
        section.fail(
            "roll_deg", found="no aim_mm", expected="aim_mm beside it", advice="Add aim_mm or remove roll_deg."
        )
    if section.has("rotation_deg"):
        return Placement(position_mm=position_mm, rotation=rotation_from_degrees(section.vector("rotation_deg", 3)))
    if not section.has("aim_mm"):
        section.fail(
            "rotation_deg", found="nothing", expected="rotation_deg or aim_mm", advice=f"Say where the {what} looks."
        )
    aim_mm = section.vector("aim_mm", 3)
    if np.array_equal(aim_mm, position_mm):
        section.fail("aim_mm", found="the same point as position_mm", expected="another point")
    return Placement(
        position_mm=position_mm,
        rotation=look_at(position_mm, aim_mm, math.radians(section.number("roll_deg", default=0.0))),
    )


_LARGEST_TOP_PX = 16384  # along one side: the largest picture that is drawn in one piece
_NOT_LIVE = ("run:", "genicam:")  # kinds of camera that the live top view does not open
_USUAL_TOP_PX = 1600  # along the longer side, where mm_per_pixel is not given


def parse_view(document: TomlSection, table: Table, target: Target) -> View | None:
    """Read and check [view]; None where the rig has none. `target` is what [view.target] is by default."""
    if not document.has("view"):
        return None
    section = document.section("view", VIEW, required=True)
    if not section.has("focal_px") and not section.has("lens"):
        section.number("focal_px", limits=POSITIVE)  # says that it is missing
    return read_table(
        View,
        section,
        device=_device(section),
        resolution=picture_size(section, default=(1920, 1080)),
        lens=_lens(section),
        placement=optical_placement(section, what="camera"),
        mirrors=tuple(
            mirror_from(document, f"view.mirror[{i}]", values) for i, values in enumerate(_mirror_tables(section))
        ),
        target=target_from(section.section("target", TARGET, required=True)) if section.has("target") else target,
        top=_top(section, table),
    )


def _device(section: TomlSection) -> int | str:
    device = camera_device(section)
    if str(device).lstrip().startswith(_NOT_LIVE):
        expected = "a number, path or stream address"
        section.fail("device", found=describe(device), expected=expected, advice="Others serve camera.device alone.")
    return device


def _mirror_tables(section: TomlSection) -> list[dict[str, object]]:
    """The raw tables [[view.mirror]]: at least one."""
    expected = "at least one table [[view.mirror]]"
    tables = section.values.get("mirror", [])
    if not isinstance(tables, list) or not all(isinstance(one, dict) for one in tables):
        advice = "Write [[view.mirror]] with double brackets."
        section.fail("mirror", found=describe(tables), expected=expected, advice=advice)
    if not tables:
        section.fail("mirror", found="nothing", expected=expected, advice="Add the mirror that the camera looks into.")
    return tables


def _lens(section: TomlSection) -> str | None:
    if not section.has("lens"):
        return None
    name = section.text("lens")
    if not name.isprintable() or not name.lower().endswith(".json"):
        section.fail("lens", found=describe(name), expected="a name ending in .json")
    return name


def _top(section: TomlSection, table: Table) -> TopView:
    top = section.section("top", meanings_of(TopView), required=False)
    width_mm, depth_mm = top.numbers("size_mm", 2, default=table.size_mm, limits=POSITIVE)
    usual = max(width_mm, depth_mm) / _USUAL_TOP_PX
    mm_per_pixel = top.number("mm_per_pixel", default=usual, limits=POSITIVE)
    view = read_table(TopView, top, size_mm=(width_mm, depth_mm), mm_per_pixel=mm_per_pixel)
    if max(width_mm, depth_mm) / view.mm_per_pixel > _LARGEST_TOP_PX:
        top.fail(
            "mm_per_pixel",
            found=f"{view.mm_per_pixel:g}, which makes a picture of {max(view.pixels)} pixels",
            expected=f"at most {_LARGEST_TOP_PX} pixels along a side",
        )
    return view


def view_as_projector(view: View, lens: Lens | None = None) -> Projector:
    """The camera as the projector that would light what it sees, with its calibrated lens where there is one."""
    focal_px = view.focal_px if lens is None else float(lens.matrix[0, 0])
    return Projector(
        resolution=view.resolution,
        throw_ratio=(focal_px or float(view.resolution[0])) / view.resolution[0],
        lens_shift=(0.0, 0.0),
        placement=view.placement,
        position_tolerance_mm=view.position_tolerance_mm,
        rotation_tolerance_rad=view.rotation_tolerance_rad,
        transfer=1.0,
        lens=lens,
    )
