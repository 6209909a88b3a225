"""Where a design's light goes, in numbers: each zone's part of the picture, and what is lost to which cause."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, PixelMap, plane_hit
from rigwarp.reports.measures.pixel_scale import determinant, pixel_light, table_jacobian
from rigwarp.rig import Content, Rig, inside_content
from rigwarp.tracing import LightFate, OpticalModel

_MOST_TRACED = 20_000  # blocked pixels that are followed past what blocks them


@dataclass(frozen=True, kw_only=True)
class ZoneLight:
    """One smooth piece of mirror: its share of the projector's light, and of the content area that it lights."""

    zone: int
    name: str
    light: float
    content_share: float


@dataclass(frozen=True, kw_only=True)
class LightPaths:
    """Shares of the projector's light, by what becomes of it.

    Attributes
    ----------
    reflected : reaches the table plane by one reflection.
    passes_mirror : goes past the mirror and nowhere near the table.
    spill, spill_on_content : goes past the mirror straight to the table plane; of that, onto the content area.
    blocked_before, blocked_after : stopped by an obstacle or the mirror itself before and after the mirror.
    blocked_from_content : of both, what would land on the content area if nothing were in the way.
    upward : leaves the mirror without coming down.
    double_bounce : meets the mirror a second time.
    stray, stray_on_content : meets a chamfer, a rounding or another face of a CAD model that is no piece of mirror; of
        that, thrown onto the content area.
    zones : every zone of the design, lit or not.
    """

    reflected: float
    passes_mirror: float
    spill: float
    spill_on_content: float
    blocked_before: float
    blocked_after: float
    blocked_from_content: float
    upward: float
    double_bounce: float
    stray: float
    stray_on_content: float
    zones: tuple[ZoneLight, ...]

    def rows(self) -> list[tuple[str, str]]:
        """What becomes of light that is lost, and how much, as text; causes that take nothing are left out."""
        lost = [
            ("  passes the mirror", self.passes_mirror),
            ("  passes the mirror and spills onto the table plane", self.spill),
            ("    of that, onto the content", self.spill_on_content),
            ("  blocked before the mirror", self.blocked_before),
            ("  blocked after the mirror", self.blocked_after),
            ("    of what is blocked, meant for the content", self.blocked_from_content),
            ("  leaves upward", self.upward),
            ("  meets the mirror twice", self.double_bounce),
            ("  meets chamfers, roundings or other faces beside the mirror", self.stray),
            ("    of that, thrown onto the content", self.stray_on_content),
        ]
        shown = [(what, _percent(share)) for what, share in lost if share > 0.0]
        return [("light lost, by cause", _percent(1.0 - self.reflected)), *shown] if shown else []

    def zone_rows(self) -> list[tuple[str, str, str, str]]:
        """Number, name, share of the light and of the content area of each zone, as text."""
        return [(str(z.zone), z.name, _percent(z.light), _percent(z.content_share)) for z in self.zones]


def judge_light(model: OpticalModel, design: PixelMap, reason: NDArray[np.uint8], rig: Rig) -> LightPaths:
    """Add up the light of a traced design.

    Parameters
    ----------
    design : traced from the model.
    reason : (H, W) `LightFate` of each pixel, of the same trace.
    """
    light = pixel_light(rig.projector)
    share = {code: float(light[reason == code].sum()) for code in LightFate}
    source = rig.projector.placement.position_mm

    def past_the_mirror(rays: Array) -> Array:
        way = plane_hit(np.broadcast_to(source, rays.shape), rays, model.table_height_mm)[:, None]
        return (source + way * rays)[:, :2]

    return LightPaths(
        reflected=share[LightFate.LIT],
        passes_mirror=share[LightFate.MISSES_MIRROR],
        spill=share[LightFate.SPILL],
        spill_on_content=_on_content(model, reason == LightFate.SPILL, rig, past_the_mirror),
        blocked_before=share[LightFate.SHADOW_IN],
        blocked_after=share[LightFate.SHADOW_OUT],
        blocked_from_content=_blocked_from_content(
            model, (reason == LightFate.SHADOW_IN) | (reason == LightFate.SHADOW_OUT), rig
        ),
        upward=share[LightFate.UPWARD],
        double_bounce=share[LightFate.DOUBLE_BOUNCE],
        stray=share[LightFate.STRAY],
        stray_on_content=_on_content(model, reason == LightFate.STRAY, rig, model.stray_spots_mm),
        zones=_zones(model, design, rig),
    )


def _zones(model: OpticalModel, design: PixelMap, rig: Rig) -> tuple[ZoneLight, ...]:
    light = pixel_light(rig.projector)
    area = np.abs(determinant(table_jacobian(design)))
    on_content = inside_content(rig.content, design.table_mm)
    return tuple(
        ZoneLight(
            zone=surface.zone,
            name=surface.name,
            light=float(light[design.zone == surface.zone].sum()),
            content_share=float(np.nansum(area[on_content & (design.zone == surface.zone)]) / _area_mm2(rig.content)),
        )
        for surface in model.surfaces
    )


def _on_content(model: OpticalModel, where: NDArray[np.bool_], rig: Rig, spots_mm: Callable[[Array], Array]) -> float:
    """Share of the projector's light of the pixels `where`, whose rays (N, 3) meet the table at `spots_mm` (N, 2)."""
    v, u = np.nonzero(where)
    spots = spots_mm(model.pixel_rays(np.stack([u, v], axis=-1).astype(float)))
    return float(pixel_light(rig.projector)[where][inside_content(rig.content, spots)].sum())


def _blocked_from_content(model: OpticalModel, blocked: NDArray[np.bool_], rig: Rig) -> float:
    """Share of the projector's light that is blocked on its way to the content area, from every k-th such pixel."""
    v, u = np.nonzero(blocked)
    every = max(1, len(u) // _MOST_TRACED)
    pixels = np.stack([u, v], axis=-1)[::every].astype(float)
    spots = model.trace(pixels, extended=True).table_mm
    light = pixel_light(rig.projector)[v, u]
    sampled = light[::every]
    meant = sampled[inside_content(rig.content, spots)].sum() / max(float(sampled.sum()), 1e-300)
    return float(meant * light.sum())


def _area_mm2(content: Content) -> float:
    width, height = content.size_mm
    return float(width * height * (np.pi / 4.0 if content.shape == "circle" else 1.0))


def _percent(share: float) -> str:
    return f"{100.0 * share:.1f} %"
