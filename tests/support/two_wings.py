"""A camera that looks up into two flat wings, in closed form: a flat mirror is a pinhole on its other side.

The camera stands at (0, 0, 100) with R = I (picture x = +x, y = +y, looking up). The fold is the y line at z = 400; the
wings rise outwards by `rise_deg` (negative: they fall, and then look past each other, so that both see the middle).
"""

import numpy as np

from rigwarp.geometry import ViewMap
from rigwarp.rig import TopView

CAMERA = np.array([0.0, 0.0, 100.0])
FOLD_Z = 400.0


class TwoWings:
    """Pixels to table and back.

    Parameters
    ----------
    size, focal_px : of the camera; the middle of the picture is the optical axis.
    reach_mm : how far the wings reach sideways.
    """

    def __init__(self, *, rise_deg=15.0, size=(1920, 1080), focal_px=1400.0, reach_mm=1e9):
        self.size, self.focal_px, self.reach_mm = size, focal_px, reach_mm
        self.centre = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
        angle = np.radians(rise_deg)
        self.normals = np.array([[-s * np.sin(angle), 0.0, np.cos(angle)] for s in (1.0, -1.0)])  # right, left

    def wing_of(self, pixels_px):
        return np.where(pixels_px[..., 0] > self.centre[0], 0, 1)

    def rays(self, pixels_px):
        """Where each pixel's ray meets its wing and where it runs from there; the wing."""
        wing = self.wing_of(pixels_px)
        direction = np.concatenate([(pixels_px - self.centre) / self.focal_px, np.ones((*wing.shape, 1))], axis=-1)
        normal = self.normals[wing]
        share = ((np.array([0.0, 0.0, FOLD_Z]) - CAMERA) * normal).sum(-1) / (direction * normal).sum(-1)
        hit = CAMERA + share[..., None] * direction
        return hit, direction - 2 * (direction * normal).sum(-1)[..., None] * normal, wing

    def table(self, pixels_px):
        """Table mm and lean; NaN past the ends of the wings."""
        hit, direction, _ = self.rays(pixels_px)
        along = -hit[..., 2] / direction[..., 2]
        seen = (np.abs(hit[..., 0]) <= self.reach_mm)[..., None]
        lean = -direction[..., :2] / direction[..., 2:]
        return np.where(seen, hit[..., :2] + along[..., None] * direction[..., :2], np.nan), np.where(
            seen, lean, np.nan
        )

    def view_map(self, sigma_mm=0.05):
        u, v = np.meshgrid(np.arange(self.size[0]), np.arange(self.size[1]))
        pixels = np.stack([u, v], axis=-1).astype(float)
        table, lean = self.table(pixels)
        seen = np.isfinite(table[..., 0])
        return ViewMap(
            x_mm=table[..., 0],
            y_mm=table[..., 1],
            sigma_mm=np.where(seen, sigma_mm, np.nan),
            zone=np.where(seen, self.wing_of(pixels), -1).astype(np.int16),
            measured=seen,
            lean_x=lean[..., 0],
            lean_y=lean[..., 1],
        )

    def pixel(self, points_mm, wing):
        """(N, 2) pixels at which a wing shows points (N, 3): by the mirrored camera. Not asked whether it reaches."""
        normal = self.normals[wing]
        points_mm = np.asarray(points_mm, float)
        mirrored = points_mm - 2 * ((points_mm - [0.0, 0.0, FOLD_Z]) @ normal)[..., None] * normal - CAMERA
        return mirrored[..., :2] / mirrored[..., 2:] * self.focal_px + self.centre

    def shows(self, pixels_px, wing):
        """Whether a pixel belongs to the wing, its mirror and the picture."""
        hit, _, found = self.rays(pixels_px)
        inside = ((pixels_px >= 0) & (pixels_px <= np.array(self.size) - 1)).all(-1)
        return inside & (found == wing) & (np.abs(hit[..., 0]) <= self.reach_mm)

    def photograph(self, light):
        """The picture (H, W) uint8 of a flat table that is `light(mm)`, 0..255, at (..., 2) mm; 4 rays a pixel."""
        u, v = np.meshgrid(np.arange(self.size[0]), np.arange(self.size[1]))
        total = np.zeros((self.size[1], self.size[0]))
        for du, dv in ((-0.25, -0.25), (0.25, -0.25), (-0.25, 0.25), (0.25, 0.25)):
            table, _ = self.table(np.stack([u + du, v + dv], axis=-1))
            seen = np.isfinite(table[..., 0])
            total += np.where(seen, light(np.nan_to_num(table)), 0.0)
        return np.rint(total / 4).astype(np.uint8)


def top(size_mm=(800, 500), mm_per_pixel=2.0, centre_mm=(0.0, 0.0)):
    return TopView(size_mm=size_mm, centre_mm=np.array(centre_mm, float), mm_per_pixel=mm_per_pixel)
