"""What was really built of the view: the tables [view], [[view.mirror]] and [view.screen] of virtual.toml."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from rigwarp.rig import View
from rigwarp.rig.section import NOT_NEGATIVE, POSITIVE, SHARE_BELOW_1, Limits, TomlSection
from rigwarp.rig.toml_fields import meanings_of, number_key, read_table, told_key
from rigwarp.simulation.truth import PERCENT, BuiltTruth, CameraTruth, SurfaceTruth
from rigwarp.simulation.truth_parts import BUILT, parse_built, parse_surface, transfer_of

_OF_CAMERA = ("principal_px", "distortion", "blur_px", "vignetting", "response", "full_well_e", "read_noise_e")


@dataclass(frozen=True, kw_only=True)
class ViewMirrorTruth:
    """One of the view's mirrors as built."""

    built: BuiltTruth
    surface: SurfaceTruth | None = told_key("the table with the closed form of a mirror that rig.toml gives as a file")
    dirt: float = number_key(
        "relative rms of the light that is lost unevenly on it; a third of it becomes a veil", 0.0, SHARE_BELOW_1
    )


@dataclass(frozen=True, kw_only=True)
class ScreenTruth:
    """The display that is laid on the table: its glass, and what ruler and caliper did not show of pitch and height."""

    glass_mm: float = number_key("thickness of the glass over its pixels", 1.0, NOT_NEGATIVE)
    glass_index: float = number_key("refractive index of the glass", 1.52, Limits(at_least=1.0, at_most=2.5))
    pitch_percent: float = number_key("growth of its pixels' pitch that the ruler did not show", 0.0, PERCENT)
    thickness_error_mm: float = number_key("how much higher than said the top of its glass lies over the table", 0.0)


@dataclass(frozen=True, kw_only=True)
class ViewTruth:
    """The real view; `camera` is where it really stands, `mirrors` are one for each of the rig's."""

    camera: CameraTruth
    aperture_diameter_mm: float = number_key("diameter of the lens's aperture", 2.0, NOT_NEGATIVE)
    focus_mm: float = number_key("distance of the plane in focus before the mirrors bend it", 600.0, POSITIVE)
    mirrors: tuple[ViewMirrorTruth, ...] = told_key(
        "tables [[view.mirror]]: what went wrong in making and hanging each mirror, in rig.toml's order", name="mirror"
    )
    screen: ScreenTruth = told_key("the table [view.screen], the display that is laid on the table")


VIEW: Final = {
    "position_error_mm": "real minus stated position, [x, y, z]",
    "rotation_error_deg": "extra turn about the lens's centre, rotation vector along the table's axes",
    "focal_px": "real focal length in pixels",
    **meanings_of(CameraTruth, *_OF_CAMERA),
    **meanings_of(ViewTruth),
}
_VIEW_MIRROR: Final = {**BUILT, **meanings_of(ViewMirrorTruth)}


def parse_view_truth(document: TomlSection, view: View) -> ViewTruth:
    """Read [view] of virtual.toml."""
    section = document.section("view", VIEW, required=False)
    tables = list(section.sections("mirror", _VIEW_MIRROR))
    if len(tables) > len(view.mirrors):
        expected = f"at most the {len(view.mirrors)} of rig.toml"
        section.fail("mirror", found=f"{len(tables)} mirrors", expected=expected)
    empty = TomlSection(source=document.source, path="view.mirror", values={}, meanings=_VIEW_MIRROR)
    tables += [empty] * (len(view.mirrors) - len(tables))
    screen = section.section("screen", meanings_of(ScreenTruth), required=False)
    return read_table(
        ViewTruth,
        section,
        camera=_camera(section, view),
        mirrors=tuple(
            read_table(ViewMirrorTruth, table, built=parse_built(table, mirror.shape), surface=parse_surface(table))
            for table, mirror in zip(tables, view.mirrors, strict=True)
        ),
        screen=read_table(ScreenTruth, screen),
    )


def _camera(section: TomlSection, view: View) -> CameraTruth:
    width, height = view.resolution
    focal_px = section.number("focal_px", default=view.focal_px or float(width), limits=POSITIVE)
    turn = np.deg2rad(section.vector("rotation_error_deg", 3, default=(0.0, 0.0, 0.0)))
    return read_table(
        CameraTruth,
        section,
        placement=view.placement.moved(section.vector("position_error_mm", 3, default=(0.0, 0.0, 0.0)), turn),
        focal_px=np.array([focal_px, focal_px]),
        principal_px=section.vector("principal_px", 2, default=((width - 1) / 2, (height - 1) / 2)),
        thin_prism=np.zeros(4),
        response=transfer_of(section, "response", "srgb"),
        exposure=None,
    )
