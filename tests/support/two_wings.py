"""A camera that looks up into two flat wings, in closed form: a flat mirror is a pinhole on its other side.

The camera stands at (0, 0, 100) with R = I (picture x = +x, y = +y, looking up). The fold is the y line at z = 400; the
wings rise outwards by `rise_deg` (negative: they fall, and then look past each other, so that both see the middle).
"""

from functools import cache, cached_property

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
        total = np.zeros((self.size[1], self.size[0]))
        for table in self._rays_of_pixels:
            seen = np.isfinite(table[..., 0])
            total += np.where(seen, light(np.nan_to_num(table)), 0.0)
        return np.rint(total / 4).astype(np.uint8)

    @cached_property
    def _rays_of_pixels(self):
        """Where on the table (H, W, 2) four rays of each pixel end."""
        u, v = np.meshgrid(np.arange(self.size[0]), np.arange(self.size[1]))
        quarters = ((-0.25, -0.25), (0.25, -0.25), (-0.25, 0.25), (0.25, 0.25))
        return [self.table(np.stack([u + du, v + dv], axis=-1))[0] for du, dv in quarters]


def top(size_mm=(800, 500), mm_per_pixel=2.0, centre_mm=(0.0, 0.0)):
    return TopView(size_mm=size_mm, centre_mm=np.array(centre_mm, float), mm_per_pixel=mm_per_pixel)


RISE_DEG, SIZE, FOCAL_PX, REACH_MM = -15.0, (480, 270), 250.0, 220.0
"""Of the small rig: wings that look past each other."""


@cache
def small_wings(scale=1):
    """Those of the small rig, seen by a camera with `scale` times as many pixels along each side."""
    size = (scale * SIZE[0], scale * SIZE[1])
    return TwoWings(rise_deg=RISE_DEG, size=size, focal_px=scale * FOCAL_PX, reach_mm=REACH_MM)


def rig_toml(*, device="0", more="", scale=1):
    """The small rig as a file, without a projector."""
    drop = REACH_MM * np.tan(np.radians(RISE_DEG))
    wings = "".join(
        f"""
[[view.mirror]]
kind = "facets"
position_mm = [0.0, 0.0, {FOLD_Z}]
[[view.mirror.facet]]
corners_mm = [[0.0, -300.0, 0.0], [0.0, 300.0, 0.0], [{s * REACH_MM}, 300.0, {drop}], [{s * REACH_MM}, -300.0, {drop}]]
"""
        for s in (1, -1)
    )
    return f"""
format = "rigwarp rig"
version = 1
name = "Two wings"
[table]
shape = "rectangle"
size_mm = [1200.0, 700.0]
[target]
squares = [10, 7]
square_mm = 60.0
marker_mm = 48.0
dictionary = "DICT_4X4_50"
[view]
device = {device}
resolution = [{scale * SIZE[0]}, {scale * SIZE[1]}]
focal_px = {scale * FOCAL_PX}
position_mm = [0.0, 0.0, {CAMERA[2]}]
rotation_deg = [0.0, 0.0, 0.0]
{more}{wings}
[view.top]
size_mm = [1200.0, 600.0]
mm_per_pixel = 4.0
"""


def sheet_light(target, paper=200.0, ink=25.0, table=90.0):
    """Light of a table on which the printed board of a `Target` lies: OpenCV's own drawing of it, 4 px to the mm."""
    import cv2

    from rigwarp.camera import charuco_board

    width, height = (n * target.square_mm for n in target.squares)
    drawn = charuco_board(target).generateImage((int(4 * width), int(4 * height)))
    c, s = np.cos(target.rotation_rad), np.sin(target.rotation_rad)

    def light(mm):
        x, y = mm[..., 0] - target.centre_mm[0], mm[..., 1] - target.centre_mm[1]
        at = (np.stack([c * x + s * y + width / 2, height / 2 - (c * y - s * x)], axis=-1) * 4 - 0.5).astype(np.float32)
        bright = cv2.remap(drawn, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderValue=128).astype(float)
        inside = (np.abs(at - [2 * width, 2 * height]) < [2 * width, 2 * height]).all(axis=-1)
        return np.where(inside, ink + (paper - ink) * bright / 255.0, table)

    return light


def make_rig(root, **how):
    """A rig folder whose view is known exactly, without having been scanned."""
    from rigwarp.files import make_view_current, new_run, open_rig, write_view_map
    from rigwarp.files.top_file import write_top
    from rigwarp.view import LEAN_KNOWN
    from rigwarp.view.top import build_top

    root.mkdir(exist_ok=True)
    (root / "rig.toml").write_text(rig_toml(**how))
    folder = open_rig(root, without_projector=True)
    view = small_wings(how.get("scale", 1)).view_map()
    with new_run(root / "views", "view fit", folder) as run:
        write_view_map(run / "view.npz", view, LEAN_KNOWN, rig_hash=folder.rig_hash)
        write_top(run / "top.npz", build_top(view, folder.rig.view.top), rig_hash=folder.rig_hash)
    make_view_current(root, run)
    return root
