"""Whether a bench is good enough, from one leg of the reference: view, steadiness, focus, beam width."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from rigwarp.geometry import Array
from rigwarp.samples.bench import SampleBench
from rigwarp.samples.frames import DISC_MRAD, disc_radius_px, middle_px
from rigwarp.samples.leg import Leg

_LOW, _HIGH = 0.2, 0.8  # of the light: where the half-shadow's width is read
_LEAST_SCALE = 1.5  # camera pixels per projector pixel: six per period of the finest stripes
_STEADY = 0.01
_SIZE_OFF = 0.02  # of the seat's picture: blur and waves are as much off
_PUPIL_OFF = 0.2  # share by which bench.toml's pupil may differ
_LEAST_CONTRAST = 0.15  # of the finest stripes by way of the reference


@dataclass(frozen=True, kw_only=True)
class Readiness:
    """One point of the pre-flight: what, what was found, whether it will do, and what to do if not."""

    what: str
    found: str
    good: bool
    advice: str = ""


def readiness_of(bench: SampleBench, leg: Leg) -> list[Readiness]:
    """All points, in the order in which they should be put right."""
    return [
        _in_view(leg), _in_middle(bench, leg), _scale(leg), _steady(leg), _focus(leg), _large_enough(bench, leg),
        _size(bench, leg), _pupil(bench, leg),
    ]  # fmt: skip


def _in_view(leg: Leg) -> Readiness:
    rim = np.concatenate([leg.lit[0], leg.lit[-1], leg.lit[:, 0], leg.lit[:, -1]])
    return Readiness(
        what="the seat's whole picture is in the photograph",
        found="it is" if not rim.any() else "it is cut off at the photograph's border",
        good=not rim.any(),
        advice="Move the camera back or turn it.",
    )


def _in_middle(bench: SampleBench, leg: Leg) -> Readiness:
    away = np.nanmean(leg.position.reshape(-1, 2), axis=0) - middle_px(bench)
    reach = disc_radius_px(bench, DISC_MRAD[-1])
    off = float(np.hypot(*away))
    return Readiness(
        what="the middle of the projector's picture falls on the middle of the seat",
        found=f"{off:.0f} px beside it",
        good=off < reach,
        advice=f"Move the seat until it is less than {reach:.0f} px: the discs must lie inside its picture.",
    )


def _scale(leg: Leg) -> Readiness:
    scale = 1.0 / float(np.sqrt(abs(np.linalg.det(leg.affine[:, :2]))))
    return Readiness(
        what="camera pixels per projector pixel",
        found=f"{scale:.2f}",
        good=scale >= _LEAST_SCALE,
        advice=f"Move the camera nearer: {_LEAST_SCALE:g} or more are needed, 2 to 3 are good.",
    )


def _steady(leg: Leg) -> Readiness:
    return Readiness(
        what="light from the first to the last photograph",
        found=f"{100 * leg.drift:+.2f} %",
        good=abs(leg.drift) < _STEADY,
        advice="Let the projector warm up for 20 minutes, and fix the camera's exposure, gain and white balance.",
    )


def _focus(leg: Leg) -> Readiness:
    contrast = [float(np.median(leg.contrast[axis, 4][leg.lit])) for axis in ("x", "y")]
    return Readiness(
        what="contrast of the finest stripes, 4 pixels",
        found=f"{contrast[0]:.2f} and {contrast[1]:.2f}",
        good=min(contrast) > _LEAST_CONTRAST,
        advice="Focus the projector on the screen by way of the reference, then the camera.",
    )


def _large_enough(bench: SampleBench, leg: Leg) -> Readiness:
    half = 0.5 * np.nanmin(
        np.nanmax(leg.position.reshape(-1, 2), axis=0) - np.nanmin(leg.position.reshape(-1, 2), axis=0)
    )
    mrad = 1000.0 * float(half) * bench.pixel_mm / bench.far_mm
    return Readiness(
        what="light around the largest disc",
        found=f"to {mrad:.0f} mrad from the middle; veil is measured up to there",
        good=mrad > 1.5 * DISC_MRAD[-1],
        advice="Use a larger opening, or put the screen nearer.",
    )


def _size(bench: SampleBench, leg: Leg) -> Readiness:
    found, stated = picture_of_opening_px(bench, leg), _stated_opening_px(bench)
    off = float(np.mean(found / stated))
    return Readiness(
        what="size of the seat's picture",
        found=f"{found[0]:.0f} x {found[1]:.0f} px; by bench.toml {stated[0]:.0f} x {stated[1]:.0f}",
        good=abs(off - 1.0) < _SIZE_OFF,
        advice="Measure the opening and the way from lens to mirror again; if they are right, write "
        f"throw_ratio = {bench.throw_ratio * off:.3f} into bench.toml. As it is all blur and waves are "
        f"{100 * abs(off - 1.0):.0f} % off.",
    )


def _stated_opening_px(bench: SampleBench) -> Array:
    """(2,) projector pixels that the opening has by bench.toml: its edges in the plane are nearer, and further away."""
    across, down = (0.5 * side for side in bench.opening_mm)
    ways = bench.near_mm + across * np.sin(bench.angle_rad) * np.array([-1.0, 1.0])
    halves = np.array([across * np.cos(bench.angle_rad) * np.mean(1.0 / ways), down / bench.near_mm])
    return np.asarray(2.0 * halves * bench.throw_ratio * bench.resolution[0])


def picture_of_opening_px(bench: SampleBench, leg: Leg) -> Array:
    """(2,) projector pixels between the middles of opposite half-shadows."""
    return np.array([sum(_crossing(*edge, 0.5) for edge in edges) for edges in _edges(bench, leg)])


def _pupil(bench: SampleBench, leg: Leg) -> Readiness:
    found, sigma = pupil_by_shadow(bench, leg)
    return Readiness(
        what="width of the projector's pupil, by the seat's half-shadow",
        found=f"{found:.2f} mm, 1-sigma {sigma:.2f}; bench.toml says {bench.pupil_mm:g}; the beam is then "
        f"{found * bench.far_mm / (bench.near_mm + bench.far_mm):.2f} mm wide on the mirror",
        good=abs(found / bench.pupil_mm - 1.0) < _PUPIL_OFF,
        advice=f"Write pupil_mm = {found:.1f} into bench.toml.",
    )


def pupil_by_shadow(bench: SampleBench, leg: Leg) -> tuple[float, float]:
    """Width of the pupil and its 1-sigma, mm: the edge of the opening throws a half-shadow of D times far / near.

    The pupil is taken for a disc, evenly lit.
    """

    def share(t: float) -> float:
        """Part of a disc of radius 1 on one side of a chord at t."""
        return float(1.0 - (np.arccos(t) - t * np.sqrt(1.0 - t**2)) / np.pi)

    reach = [brentq(lambda t, q=q: share(t) - q, -1.0, 1.0) for q in (_LOW, _HIGH)]
    widths = []
    for edges in _edges(bench, leg):
        for edge in edges:
            low, high = (_crossing(*edge, q) for q in (_LOW, _HIGH))
            # in the plane of incidence the two edges lie nearer to and further from the projector: the mean counts
            widths.append((low - high) * bench.pixel_mm / (reach[1] - reach[0]) * 2.0)
    per_edge = np.array(widths) * bench.near_mm / bench.far_mm
    return float(per_edge.mean()), float(per_edge.std(ddof=1) / 2.0)


def _edges(bench: SampleBench, leg: Leg) -> list[list[tuple[Array, Array]]]:
    """Light outwards from the middle to the two edges in the plane, and to the two across it."""
    rows, columns = np.indices(leg.lit.shape)
    place = np.stack([columns, rows, np.ones(leg.lit.shape)], axis=-1) @ leg.affine.T - middle_px(bench)
    found = []
    for k in (0, 1):
        near = np.abs(place[..., 1 - k]) < 20
        along, light = place[..., k][near], leg.white[near].astype(np.float64)
        found.append([_profile(side * along, light) for side in (-1.0, 1.0)])
    return found


def _profile(place: Array, light: Array) -> tuple[Array, Array]:
    """Mean light in steps of half a projector pixel outwards from the middle, in shares of its plateau."""
    which = np.floor(2.0 * place[place > 0]).astype(int)
    count = np.bincount(which)
    mean: Array = np.bincount(which, light[place > 0]) / np.maximum(count, 1)
    places = np.asarray((np.arange(len(mean)) + 0.5) / 2.0, np.float64)
    plateau = float(np.median(mean[(places > 10) & (places < 40)]))
    return places, np.asarray(mean / plateau)


def _crossing(places: Array, light: Array, level: float) -> float:
    """Outermost place where the light falls through a level."""
    last = int(np.flatnonzero(light > level)[-1])
    if last + 1 >= len(light):
        return float(places[-1])
    share = (light[last] - level) / max(light[last] - light[last + 1], 1e-9)
    return float(places[last] + share * (places[last + 1] - places[last]))
