"""The mishaps at work: what each photograph gets of them, and what becomes of the pile of photographs."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline
from scipy.ndimage import map_coordinates

from rigwarp.geometry import Array, Placement
from rigwarp.simulation.lens import Lens, TableView
from rigwarp.simulation.mishaps import Mishaps, Motion
from rigwarp.simulation.sensor import Moved, Picture
from rigwarp.simulation.table import TableForm
from rigwarp.simulation.truth import CameraTruth

_GRID_PX = 16.0  # the shift of the picture is worked out on this grid: in between a cubic spline is right to 1e-5 px
_SHADOW_RIM = 0.05  # softness of a shadow's rim, of its radius
_SMOOTHED_CODES = 12.0  # steps in brightness beyond this many code values pass for edges, which noise reduction keeps


class Incidents:
    """What goes wrong at each photograph; `number` counts from 1."""

    def __init__(
        self, mishaps: Mishaps, camera: CameraTruth, lens: Lens, form: TableForm, resolution: tuple[int, int]
    ) -> None:
        self._mishaps = mishaps
        self._camera, self._lens, self._form = camera, lens, form
        self._resolution = resolution
        self._view = TableView(camera, lens, form)
        self._spots: tuple[Array, Array] | None = None

    def lamp(self, number: int) -> float:
        """The projector's light, 1 at first."""
        return 1.0 + self._mishaps.lamp_drift * self._mishaps.share(number)

    def daylight(self, number: int) -> float:
        """Room light that was not there when the exposure was set, as a share of projected white."""
        first, last = self._mishaps.sunshine_at
        sun = self._mishaps.sunshine if first <= number <= last else 0.0
        return self._mishaps.daylight * self._mishaps.share(number) + sun

    def shade(self, number: int) -> Picture | None:
        """(H, W) share of all light that reaches what each pixel sees, or None where nobody walks by."""
        someone = self._mishaps.passer_by
        if someone is None or not someone.first <= number <= someone.last:
            return None
        if self._spots is None:
            width, height = self._resolution
            u, v = np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float))
            self._spots = self._view.to_table(u, v)
        on_the_way = (number - someone.first) / max(1, someone.last - someone.first)
        x, y = someone.from_mm + on_the_way * (someone.to_mm - someone.from_mm)
        beyond = np.hypot(self._spots[0] - x, self._spots[1] - y) / someone.radius_mm - 1.0
        inside = 1.0 / (1.0 + np.exp(np.clip(np.nan_to_num(beyond, nan=np.inf) / _SHADOW_RIM, -50.0, 50.0)))
        return np.asarray(1.0 - someone.depth * inside, np.float32)

    def metered(self, radiance: Picture, white: Callable[[], Picture]) -> float:
        """What an exposure on automatic makes of a picture (H, W): a factor on the gain that suits projected white."""
        if self._mishaps.auto_exposure == 0.0:
            return 1.0
        mean = max(float(radiance.mean(dtype=float)), 1e-12)
        limit = self._mishaps.auto_exposure_limit
        factor = (float(white().mean(dtype=float)) / mean) ** self._mishaps.auto_exposure
        return float(np.clip(factor, 1.0 / limit, limit))

    def pose(self, number: int) -> Placement:
        """Where the camera stands, table-from-camera."""
        creep, share = self._mishaps.creep, self._mishaps.share(number)
        shift_mm, turn_rad = share * creep.shift_mm, share * self._turn(creep)
        if self._mishaps.knock_at is not None and number >= self._mishaps.knock_at:
            shift_mm, turn_rad = shift_mm + self._mishaps.knock.shift_mm, turn_rad + self._turn(self._mishaps.knock)
        return self._camera.placement.moved(shift_mm, turn_rad)

    def moved(self, number: int) -> Moved | None:
        """What turns the picture (H, W) of the camera where it stood into its picture from where it stands now.

        None where nothing has moved. The light comes from the same spots of the table, which each pixel's ray finds.
        A picture that is sharper than two pixels' sampling allows rings a little, as any picture moved by parts of a
        pixel; beyond the frame it goes on as at its rim.
        """
        pose, before = self.pose(number), self._camera.placement
        if np.array_equal(pose.position_mm, before.position_mm) and np.array_equal(pose.rotation, before.rotation):
            return None
        rows, columns = self._seen_before(pose)

        def resampled(picture: Picture) -> Picture:
            place = np.stack([rows, columns])
            return np.maximum(map_coordinates(picture, place, order=3, mode="nearest"), 0.0).astype(np.float32)

        return resampled

    def bands(self, random: np.random.Generator) -> Picture | float:
        """(H, 1) factor on the light of each row; where in its period the mains is, nobody knows."""
        if self._mishaps.bands == 0.0:
            return 1.0
        row = np.arange(self._resolution[1], dtype=float)[:, None]
        phase = 2.0 * np.pi * (row / self._mishaps.bands_period_px + random.uniform())
        return np.asarray(1.0 + self._mishaps.bands * np.sin(phase), np.float32)

    def developed(self, photo: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """The photograph (H, W) as the camera hands it out: smoothed, then compressed."""
        if self._mishaps.smoothing_px > 0.0:
            photo = np.asarray(cv2.bilateralFilter(photo, -1, _SMOOTHED_CODES, self._mishaps.smoothing_px), np.uint8)
        if self._mishaps.jpeg_quality is not None:
            _, packed = cv2.imencode(".jpg", photo, [cv2.IMWRITE_JPEG_QUALITY, self._mishaps.jpeg_quality])
            photo = np.asarray(cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE), np.uint8)
        return photo

    def _turn(self, motion: Motion) -> Array:
        """(3,) rotation vector in the table frame: a camera turned to the left sees everything farther right."""
        across, down = np.arctan(motion.picture_px / self._camera.focal_px)
        return motion.turn_rad + self._camera.placement.rotation @ np.array([down, -across, 0.0])

    def _seen_before(self, pose: Placement) -> tuple[Array, Array]:
        """(H, W) row and column at which the unmoved camera saw what each pixel sees now."""
        width, height = self._resolution
        u, v = (np.linspace(0.0, n - 1.0, max(4, int(np.ceil(n / _GRID_PX)) + 1)) for n in (width, height))
        uu, vv = np.meshgrid(u, v)
        view = TableView(replace(self._camera, placement=pose), self._lens, self._form)
        spots = view.to_table(uu.ravel(), vv.ravel())
        before = self._view.to_pixels(*spots)
        full = []
        for now, then, offset in ((vv, before[1], np.arange(height)[:, None]), (uu, before[0], np.arange(width))):
            shift = then.reshape(now.shape) - now
            level = np.isfinite(shift)  # past the table's horizon there is nothing to see
            shift = np.where(level, shift, shift[level].mean() if level.any() else 0.0)
            full.append(RectBivariateSpline(v, u, shift)(np.arange(height), np.arange(width)) + offset)
        return full[0], full[1]


def handed_over(photos: Sequence[NDArray[np.uint8]], mishaps: Mishaps) -> list[NDArray[np.uint8]]:
    """A pile of photographs as it arrives: mixed up, incomplete, doubled, mirrored and turned as the mishaps say.

    Numbers beyond the pile mean nothing.
    """
    pile = list(photos)
    for i, j in mishaps.exchanged:
        if max(i, j) <= len(pile):
            pile[i - 1], pile[j - 1] = pile[j - 1], pile[i - 1]
    arrived = []
    for number, photo in enumerate(pile, start=1):
        if number in mishaps.missing:
            continue
        seen = photo[:, ::-1] if mishaps.mirrored else photo
        seen = np.ascontiguousarray(np.rot90(seen, -mishaps.quarter_turns))
        arrived += [seen] * (2 if number in mishaps.twice else 1)
    return arrived
