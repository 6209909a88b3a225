"""Stripes by a virtual light path without photographs: light followed from all over the projector's pupil and off all
phases of a ripple, first order in both, for tests of what a fine ripple leaves of modulation."""

from dataclasses import dataclass

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.decode import Modulation
from rigwarp.geometry import Array, plane_hit, reflect, rotation_from_vector
from rigwarp.tracing import OpticalModel

PERIODS_PX = np.array([18.0, 22.75, 24.25, 25.25])
_CELL_PX = 24.0
_REACH_MM = 245.0
_LOSS = 0.93  # of the modulation is left by light from all around and the projector's curve


@dataclass(frozen=True, kw_only=True)
class Blur:
    """What blurs: the ripple's rms slope and direction in the mirror's frame, the pupil's sigma and the distance at
    which it is focused, the variances of the lens along u and v and of the camera, and the noise of a cell's
    modulation (0.0015: what small virtual rigs show)."""

    slope_mrad: float = 0.0
    direction_deg: float = 0.0
    pupil_mm: float = 1.0
    focus_mm: float = 220.0
    lens_px2: tuple[float, float] = (0.7, 0.7)
    camera_px2: float = 0.45
    noise: float = 0.0015


def stripes(built: OpticalModel, camera: CameraModel, blur: Blur, rng: np.random.Generator) -> Modulation:
    """The modulation of a projector's stripes in cells on a round table, by way of one mirror."""
    u, v = (np.arange(0.5 * _CELL_PX, n, _CELL_PX) for n in built.projector.resolution)
    pixels = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    table_mm = built.trace(pixels).table_mm
    lit = np.linalg.norm(np.nan_to_num(table_mm, nan=1e9), axis=-1) < _REACH_MM
    pixels, table_mm = pixels[lit], table_mm[lit]
    by_pupil, by_slope, by_camera, sight = seen_aside(built, camera, pixels, table_mm)
    focused = by_pupil - built.projector.focal_px / blur.focus_mm * np.eye(2)
    radius, angle = 2.0 * blur.pupil_mm * np.sqrt((np.arange(64) + 0.5) / 64), 2.399963 * np.arange(64)
    pupil = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=-1)  # Vogel's spiral fills a disc evenly
    unit = np.array([np.cos(np.deg2rad(blur.direction_deg)), np.sin(np.deg2rad(blur.direction_deg))])
    slopes = 1e-3 * np.sqrt(2.0) * blur.slope_mrad * np.sin(2.0 * np.pi * (np.arange(48) + 0.5) / 48)[:, None] * unit
    found = []
    for axis in (0, 1):
        turns = 2.0j * np.pi / PERIODS_PX
        beam = np.exp(turns * (pupil @ focused[:, axis].T).T[..., None]).mean(axis=1)
        ripple = np.exp(turns * (slopes @ by_slope[:, axis].T).T[..., None]).mean(axis=1)
        plain = blur.lens_px2[axis] + blur.camera_px2 * np.sum(by_camera[:, axis] ** 2, axis=-1)
        gaussian = np.exp(-2.0 * np.pi**2 * plain[:, None] / PERIODS_PX**2)
        clean = _LOSS * np.abs(beam * ripple) * gaussian
        found.append(clean * (1.0 + blur.noise * rng.normal(size=clean.shape)))
    return Modulation(
        camera_px=sight, pixels_px=pixels, periods_u_px=PERIODS_PX, periods_v_px=PERIODS_PX, u=found[0], v=found[1]
    )


def seen_aside(
    built: OpticalModel, camera: CameraModel, pixels: Array, table_mm: Array
) -> tuple[Array, Array, Array, Array]:
    """Projector pixels per mm in the pupil, per radian of slope and per camera pixel, (N, 2, 2) each, and
    the camera's pixels (N, 2): traced."""

    def landing(model, at=pixels):
        return model.trace(at, extended=True).table_mm

    steps = 0.5 * np.eye(2)
    to_px = np.linalg.inv(np.stack([landing(built, pixels + s) - landing(built, pixels - s) for s in steps], axis=-1))
    lateral = built.projector.placement.rotation[:, :2]
    beside = [(landing(built.moved(0.05 * e, *np.zeros((3, 3)))), 0.05) for e in lateral.T]
    pupil = np.stack([(there - landing(built)) / step for there, step in beside], axis=-1)
    trace = built.trace(pixels, extended=True)
    hit, normal = built.mirror.to_table(trace.mirror_mm), trace.normal @ built.mirror.rotation.T
    direction = built.pixel_rays(pixels)
    tilted = []
    for about in ([0.0, -1.0, 0.0], [1.0, 0.0, 0.0]):  # a slope along x turns the normal about -y, one along y about x
        ends = []
        for slope in (1e-5, -1e-5):
            turned = normal @ rotation_from_vector(slope * built.mirror.rotation @ np.array(about)).T
            off = reflect(direction, turned)
            ends.append(hit[:, :2] + plane_hit(hit, off, 0.0)[:, None] * off[:, :2])
        tilted.append((ends[0] - ends[1]) / 2e-5)
    sight = camera.project(np.concatenate([table_mm, np.zeros((len(table_mm), 1))], axis=-1))
    camera_px = np.stack([camera.to_plane(sight + s, 0.0) - camera.to_plane(sight - s, 0.0) for s in steps], axis=-1)
    return to_px @ pupil, to_px @ np.stack(tilted, axis=-1), to_px @ camera_px, sight
