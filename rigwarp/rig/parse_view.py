"""The tables [view], [[view.mirror]], [view.target] and [view.top] of a rig file."""

import math

from rigwarp.rig.keys import TARGET, VIEW, VIEW_TOP
from rigwarp.rig.model import Table, Target, TopView, View
from rigwarp.rig.parse_areas import target_from
from rigwarp.rig.parse_mirror import mirror_from
from rigwarp.rig.parse_parts import camera_device, optical_placement, picture_size
from rigwarp.rig.section import POSITIVE, TomlSection, describe

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
    return View(
        device=_device(section),
        resolution=picture_size(section, default=(1920, 1080)),
        focal_px=section.number("focal_px", limits=POSITIVE) if section.has("focal_px") else None,
        lens=_lens(section),
        placement=optical_placement(section, what="camera"),
        position_tolerance_mm=section.number("position_tolerance_mm", default=1.0, limits=POSITIVE),
        rotation_tolerance_rad=math.radians(section.number("rotation_tolerance_deg", default=0.5, limits=POSITIVE)),
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
    top = section.section("top", VIEW_TOP, required=False)
    width_mm, depth_mm = top.numbers("size_mm", 2, default=table.size_mm, limits=POSITIVE)
    usual = max(width_mm, depth_mm) / _USUAL_TOP_PX
    view = TopView(
        size_mm=(width_mm, depth_mm),
        centre_mm=top.vector("centre_mm", 2, default=(0.0, 0.0)),
        mm_per_pixel=top.number("mm_per_pixel", default=usual, limits=POSITIVE),
    )
    if max(width_mm, depth_mm) / view.mm_per_pixel > _LARGEST_TOP_PX:
        top.fail(
            "mm_per_pixel",
            found=f"{view.mm_per_pixel:g}, which makes a picture of {max(view.pixels)} pixels",
            expected=f"at most {_LARGEST_TOP_PX} pixels along a side",
        )
    return view
