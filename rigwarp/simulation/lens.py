"""The camera's lens: table points to pixels and pixels to rays, with its own arithmetic."""

from dataclasses import dataclass, replace

import numpy as np

from rigwarp.geometry import Array
from rigwarp.simulation.table import TableForm
from rigwarp.simulation.truth import CameraTruth

_BEYOND = 1.15  # the lens model is followed to this multiple of the picture's corner, then goes on straight
_INVERSE_STEPS = 40  # ordinary lenses need 4 or 5
_UNDISTORTED = 1e-13  # of the ideal image coordinates: 1e-10 px
_RAYS_AT_ONCE = 16_384  # stays within the cache


@dataclass(frozen=True, kw_only=True)
class Lens:
    """Pinhole with radial, tangential and thin-prism distortion (OpenCV's rational model without k4..k6).

    `largest_radius` is the ideal image radius up to which the polynomial is used: beyond the field it may fold back,
    which no glass does.
    """

    focal_px: Array
    principal_px: Array
    distortion: Array
    thin_prism: Array
    largest_radius: float

    def project(self, x: Array, y: Array, z: Array) -> tuple[Array, Array]:
        """Camera-frame coordinates (any shape) to pixels; NaN for points that are not in front of the camera."""
        with np.errstate(divide="ignore", invalid="ignore"):
            front = np.where(z > 0.0, z, np.nan)
            x, y = self._distort(x / front, y / front)
        return x * self.focal_px[0] + self.principal_px[0], y * self.focal_px[1] + self.principal_px[1]

    def rays(self, u_px: Array, v_px: Array) -> tuple[Array, Array]:
        """Ideal image coordinates X/Z, Y/Z of pixels (any shape): the distortion undone iteratively, to 1e-13."""
        wanted_x = np.asarray((u_px - self.principal_px[0]) / self.focal_px[0], float)
        wanted_y = np.asarray((v_px - self.principal_px[1]) / self.focal_px[1], float)
        x, y = np.zeros(wanted_x.shape), np.zeros(wanted_x.shape)
        flat = (wanted_x.ravel(), wanted_y.ravel(), x.ravel(), y.ravel())
        for start in range(0, wanted_x.size, _RAYS_AT_ONCE):
            part = slice(start, start + _RAYS_AT_ONCE)
            flat[2][part], flat[3][part] = self._undistort(flat[0][part], flat[1][part])
        return x, y

    def _undistort(self, wanted_x: Array, wanted_y: Array) -> tuple[Array, Array]:
        """Newton's method with the radial part's derivative; the small rest makes it converge linearly, but fast."""
        k1, k2, _, _, k3 = self.distortion
        x, y = wanted_x.copy(), wanted_y.copy()
        for _ in range(_INVERSE_STEPS):
            r2 = np.minimum(x * x + y * y, self.largest_radius**2)
            radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
            bend = 2.0 * (k1 + r2 * (2.0 * k2 + r2 * 3.0 * k3))  # d(radial)/d(r2), twice
            fx, fy = self._distort(x, y)
            ex, ey = wanted_x - fx, wanted_y - fy
            along = bend * (x * ex + y * ey) / (radial + bend * r2)
            x, y = x + (ex - along * x) / radial, y + (ey - along * y) / radial
            if max(np.abs(ex).max(initial=0.0), np.abs(ey).max(initial=0.0)) < _UNDISTORTED:
                break
        return x, y

    def _distort(self, x: Array, y: Array) -> tuple[Array, Array]:
        k1, k2, p1, p2, k3 = self.distortion
        s1, s2, s3, s4 = self.thin_prism
        r2 = x * x + y * y
        scale = np.sqrt(np.minimum(1.0, self.largest_radius**2 / np.maximum(r2, 1e-30)))
        xi, yi = x * scale, y * scale
        r2 = xi * xi + yi * yi
        radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        xy = 2.0 * xi * yi
        dx = xi * radial + p1 * xy + p2 * (r2 + 2.0 * xi * xi) + r2 * (s1 + s2 * r2)
        dy = yi * radial + p2 * xy + p1 * (r2 + 2.0 * yi * yi) + r2 * (s3 + s4 * r2)
        return dx / scale, dy / scale


def true_lens(camera: CameraTruth, resolution: tuple[int, int]) -> Lens:
    """The lens of the real camera."""
    width, height = resolution
    corners = np.array([[-0.5, -0.5], [width - 0.5, -0.5], [width - 0.5, height - 0.5], [-0.5, height - 0.5]])
    free = Lens(
        focal_px=camera.focal_px,
        principal_px=camera.principal_px,
        distortion=camera.distortion,
        thin_prism=camera.thin_prism,
        largest_radius=np.inf,
    )
    x, y = free.rays(corners[:, 0], corners[:, 1])
    return replace(free, largest_radius=float(_BEYOND * np.hypot(x, y).max()))


class TableView:
    """The camera above the table: which pixel sees which spot."""

    def __init__(self, camera: CameraTruth, lens: Lens, form: TableForm) -> None:
        self._lens = lens
        self._R = camera.placement.rotation.T
        self._centre_mm = camera.placement.position_mm
        self._form = form

    def to_pixels(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
        """Pixels (u, v) that see (N,) spots on the table; NaN behind the camera."""
        return self.space_to_pixels(x_mm, y_mm, self._form.z_mm(x_mm, y_mm))

    def space_to_pixels(self, x_mm: Array, y_mm: Array, z_mm: Array) -> tuple[Array, Array]:
        """Pixels (u, v) that see (N,) points of the table frame."""
        dx, dy, dz = x_mm - self._centre_mm[0], y_mm - self._centre_mm[1], z_mm - self._centre_mm[2]
        R = self._R
        return self._lens.project(
            R[0, 0] * dx + R[0, 1] * dy + R[0, 2] * dz,
            R[1, 0] * dx + R[1, 1] * dy + R[1, 2] * dz,
            R[2, 0] * dx + R[2, 1] * dy + R[2, 2] * dz,
        )

    def to_table(self, u_px: Array, v_px: Array) -> tuple[Array, Array]:
        """Spots (x, y) on the table that pixels see; NaN where they look past it."""
        x, y = self._lens.rays(u_px, v_px)
        R = self._R.T
        dx, dy, dz = (R[i, 0] * x + R[i, 1] * y + R[i, 2] for i in range(3))
        with np.errstate(divide="ignore", invalid="ignore"):
            centre = tuple(np.full_like(dx, c) for c in self._centre_mm)
            t = self._form.reach((centre[0], centre[1], centre[2]), (dx, dy, dz))
            t = np.where(t > 0.0, t, np.nan)
        return self._centre_mm[0] + t * dx, self._centre_mm[1] + t * dy
