"""What was really built of the view: the tables [view], [[view.mirror]] and [view.screen] of virtual.toml."""

from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array
from rigwarp.rig import View
from rigwarp.rig.section import POSITIVE, Limits, TomlSection
from rigwarp.simulation import keys
from rigwarp.simulation.truth import BuiltTruth, CameraTruth, SurfaceTruth
from rigwarp.simulation.truth_parts import parse_built, parse_surface, transfer_of

_NOT_NEGATIVE = Limits(at_least=0.0)
_SHARE_BELOW_1 = Limits(at_least=0.0, below=1.0)


@dataclass(frozen=True, kw_only=True)
class ViewMirrorTruth:
    """One of the view's mirrors as built; `dirt` is the relative rms of its unevenly lost light and its veil."""

    built: BuiltTruth
    surface: SurfaceTruth | None
    dirt: float


@dataclass(frozen=True, kw_only=True)
class ScreenTruth:
    """The display that is laid on the table: its glass, and what ruler and caliper did not show of pitch and height."""

    glass_mm: float
    glass_index: float
    pitch_percent: float
    thickness_error_mm: float


@dataclass(frozen=True, kw_only=True)
class ViewTruth:
    """The real view.

    Attributes
    ----------
    camera : the camera itself, where it really stands.
    aperture_diameter_mm : of the lens.
    focus_mm : distance along the axis of the plane in focus, as if there were no mirror.
    mirrors : one for each of the rig's.
    screen : the display for scans by screen.
    """

    camera: CameraTruth
    aperture_diameter_mm: float
    focus_mm: float
    mirrors: tuple[ViewMirrorTruth, ...]
    screen: ScreenTruth


def parse_view_truth(document: TomlSection, view: View) -> ViewTruth:
    """Read [view] of virtual.toml."""
    section = document.section("view", keys.VIEW, required=False)
    tables = list(section.sections("mirror", keys.VIEW_MIRROR))
    if len(tables) > len(view.mirrors):
        expected = f"at most the {len(view.mirrors)} of rig.toml"
        section.fail("mirror", found=f"{len(tables)} mirrors", expected=expected)
    empty = TomlSection(source=document.source, path="view.mirror", values={}, meanings=keys.VIEW_MIRROR)
    tables += [empty] * (len(view.mirrors) - len(tables))
    screen = section.section("screen", keys.VIEW_SCREEN, required=False)
    return ViewTruth(
        camera=_camera(section, view),
        aperture_diameter_mm=section.number("aperture_diameter_mm", default=2.0, limits=_NOT_NEGATIVE),
        focus_mm=section.number("focus_mm", default=600.0, limits=POSITIVE),
        mirrors=tuple(
            ViewMirrorTruth(
                built=parse_built(table, mirror.shape),
                surface=parse_surface(table),
                dirt=table.number("dirt", default=0.0, limits=_SHARE_BELOW_1),
            )
            for table, mirror in zip(tables, view.mirrors, strict=True)
        ),
        screen=ScreenTruth(
            glass_mm=screen.number("glass_mm", default=1.0, limits=_NOT_NEGATIVE),
            glass_index=screen.number("glass_index", default=1.52, limits=Limits(at_least=1.0, at_most=2.5)),
            pitch_percent=screen.number("pitch_percent", default=0.0, limits=Limits(above=-50.0, below=50.0)),
            thickness_error_mm=screen.number("thickness_error_mm", default=0.0),
        ),
    )


def _camera(section: TomlSection, view: View) -> CameraTruth:
    width, height = view.resolution
    focal_px = section.number("focal_px", default=view.focal_px or float(width), limits=POSITIVE)
    turn = np.deg2rad(section.vector("rotation_error_deg", 3, default=(0.0, 0.0, 0.0)))
    middle: Array = np.array([(width - 1) / 2, (height - 1) / 2])
    return CameraTruth(
        placement=view.placement.moved(section.vector("position_error_mm", 3, default=(0.0, 0.0, 0.0)), turn),
        focal_px=np.array([focal_px, focal_px]),
        principal_px=section.vector("principal_px", 2, default=tuple(middle)),
        distortion=section.vector("distortion", 5, default=(0.0,) * 5),
        thin_prism=np.zeros(4),
        blur_px=section.number("blur_px", default=0.6, limits=_NOT_NEGATIVE),
        vignetting=section.number("vignetting", default=0.25, limits=_SHARE_BELOW_1),
        response=transfer_of(section, "response", "srgb"),
        exposure=None,
        full_well_e=section.number("full_well_e", default=12000.0, limits=POSITIVE),
        read_noise_e=section.number("read_noise_e", default=5.0, limits=_NOT_NEGATIVE),
    )
