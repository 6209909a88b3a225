"""An independent photographer of dots: analytic discs, OpenCV's own lens model, no code of the package."""

import cv2
import numpy as np
from scipy.sparse import csr_array, diags_array
from scipy.spatial import cKDTree

SUPERSAMPLING = 8


def corner_points(camera):
    """Table mm (h + 1, w + 1, 2) of the pixels' corners: cv2.undistortPoints, then the plane z = 0."""
    width, height = camera.resolution
    points = np.stack(np.meshgrid(np.arange(width + 1) - 0.5, np.arange(height + 1) - 0.5), axis=-1)
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 20, 1e-12)
    flat = cv2.undistortPoints(points.reshape(-1, 1, 2), camera.matrix, camera.distortion, criteria=criteria)
    rotation, shift = camera.R_camera_from_table, camera.t_camera_from_table_mm
    origin = -rotation.T @ shift
    ray = np.column_stack([flat.reshape(-1, 2), np.ones(len(flat))]) @ rotation
    table_mm = (origin - ray * (origin[2] / ray[:, 2:]))[:, :2]
    return table_mm.reshape(height + 1, width + 1, 2)


class Scene:
    """Discs on a table seen by a lens; `discs` = [(x, y, dot id, strength)]."""

    def __init__(self, camera, discs, diameter_mm, *, stretch=None):
        self.camera = camera
        width, height = camera.resolution
        unstretch = np.linalg.inv(np.eye(2) if stretch is None else stretch).T
        tree = cKDTree(np.array([d[:2] for d in discs]) @ unstretch)
        corners = corner_points(camera)
        near, _ = tree.query(corners @ unstretch, distance_upper_bound=diameter_mm / 2 + 2.0)
        rows, columns = np.nonzero(np.isfinite(near[:-1, :-1]))
        fine = (np.arange(SUPERSAMPLING) + 0.5) / SUPERSAMPLING
        t, s = (a.ravel()[None, :, None] for a in np.meshgrid(fine, fine, indexing="ij"))
        a, b = corners[rows, columns][:, None], corners[rows, columns + 1][:, None]
        c, d = corners[rows + 1, columns][:, None], corners[rows + 1, columns + 1][:, None]
        samples_mm = (1 - t) * ((1 - s) * a + s * b) + t * ((1 - s) * c + s * d)
        distance, nearest = tree.query(samples_mm @ unstretch, k=2, distance_upper_bound=diameter_mm / 2)
        which, *hit = np.nonzero(np.isfinite(distance))
        disc = nearest[which, *hit]
        strength = np.array([d[3] for d in discs])[disc] / SUPERSAMPLING**2
        pixel = rows[which] * width + columns[which]
        self._share = csr_array((strength, (pixel, disc)), shape=(width * height, len(discs)))
        self._dot = np.array([d[2] for d in discs])

    def cover(self, pixels):
        """Make the table black at (H, W) camera pixels."""
        self._share = diags_array((~pixels).astype(float).ravel()) @ self._share

    def photograph(self, lit, rng, *, noise=0.004, ambient=0.03, haze=0.01, blur_px=0.7, exposure=0.6, bits=8):
        """Photo with the dots of `lit` (bool per dot id) shown: vignetting, haze, blur, noise, sRGB code."""
        width, height = self.camera.resolution
        light = (self._share @ lit[self._dot].astype(float)).reshape(height, width)
        light = light + 10 * haze * cv2.blur(cv2.blur(light, (151, 151)), (151, 151))
        v, u = np.mgrid[:height, :width]
        radius = np.hypot((u - width / 2) / width, (v - height / 2) / width)
        light = (exposure * light + ambient) * (1 - 0.8 * radius**2)
        light = cv2.GaussianBlur(light, (0, 0), blur_px)
        light = light + rng.normal(size=light.shape) * np.sqrt(noise**2 + 0.0004 * np.maximum(light, 0))
        light = np.clip(light, 0, 1)
        code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
        top = 2**bits - 1
        return np.round(code * top).astype(np.uint8 if bits == 8 else np.uint16)

    def photos(self, plan, rng, **how):
        """All photos of a plan, in order."""
        n = len(plan.ids)
        lit = [np.zeros(n, bool), np.ones(n, bool), *(column.astype(bool) for column in plan.words.T)]
        return [self.photograph(shown, rng, **how) for shown in lit]
