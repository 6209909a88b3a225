"""The virtual view's camera: photographs of what lies on the table or is projected onto it, and the truth about it."""

import itertools
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.ndimage import maximum_filter, minimum_filter

from rigwarp.errors import InputError
from rigwarp.geometry import Array, TriangleMesh, ViewMap
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.rig import Rig, Target
from rigwarp.simulation.lens import true_lens
from rigwarp.simulation.light_path import obstacles_between
from rigwarp.simulation.mirror import NO_PIECE, Piece, height_difference, means_by_piece
from rigwarp.simulation.overlap import joined
from rigwarp.simulation.pieces import built_pieces, design_pieces
from rigwarp.simulation.projector import pupil_points
from rigwarp.simulation.sensor import Sensor, hazed
from rigwarp.simulation.table import clouds, on_table_top
from rigwarp.simulation.truth import VirtualTruth
from rigwarp.simulation.view.eye import Eye, Sights, Wing
from rigwarp.simulation.view.prints import (
    DotPrint,
    LyingSheet,
    PlanLight,
    ScreenPlace,
    below_glass,
    remapped,
    shown_on_screen,
)
from rigwarp.simulation.virtual_rig import VirtualCamera, VirtualRig

_APERTURE = 7  # points of the aperture, one after the other with the places within a pixel
_ACROSS = 3  # squared places within a pixel
_AT_ONCE = 60_000  # lines of sight
_STEP_PX = 4  # a dent of a tenth of the picture then is right to 1e-4 mm
_SIGHT = ("x_mm", "y_mm", "lean_x", "lean_y")
_WHITE_CODE, _WHITE_SHARE = 0.85, 0.99
_VEIL = 1.0 / 3.0  # of the dirt
_TABLE_ALBEDO = 0.3  # under room light, beside a sheet
_DARK = 0.02  # of what is no table: housing and edges of mirrors
Paint = Callable[[Array, Array], NDArray[np.float32]]
"""Radiance at spots (x mm, y mm) of a plane; NaN where there is nothing to see."""


class VirtualView:
    """What was really built of a view.

    Parameters
    ----------
    rig, truth : the design, which must have a view, and what was built instead.
    meshes, profiles : files that rig.toml names.

    Notes
    -----
    Photographs are numbered from the construction on; each has its own random numbers.
    """

    def __init__(
        self,
        rig: Rig,
        truth: VirtualTruth,
        *,
        meshes: Mapping[str, TriangleMesh] | None = None,
        profiles: Mapping[str, Array] | None = None,
    ) -> None:
        if rig.view is None or truth.view is None:
            raise InputError("virtual view: found no [view] in rig.toml, expected one. Add it.")
        self._rig, self._truth, self._view = rig, truth, truth.view
        self.resolution = rig.view.resolution
        self._shape = self.resolution[::-1]
        camera = truth.view.camera
        self._design: list[tuple[Piece, ...]] = []
        wings: list[Wing] = []
        for mirror, real in zip(rig.view.mirrors, truth.view.mirrors, strict=True):
            design = design_pieces(mirror, real.surface, profiles or {})
            built = built_pieces(design, real.built, mirror.placement.to_part(camera.placement.position_mm))
            seat = mirror.placement.moved(real.built.seat_shift_mm, real.built.seat_turn_rad)
            wings.append(Wing(pieces=built, seat=seat, first=sum(len(wing.pieces) for wing in wings)))
            self._design.append(design)
        self._wings = tuple(wings)
        self._eye = Eye(
            true_lens(camera, self.resolution),
            camera.placement,
            self._wings,
            focus_mm=truth.view.focus_mm,
            table_mm=rig.table.height_mm + truth.room.table_height_error_mm,
            blocked=obstacles_between(rig, meshes or {}),
        )
        self._sensor = Sensor(camera, self.resolution)
        self._photos = itertools.count(1)
        self._sights: list[Sights] | None = None
        self._clean: NDArray[np.float32] | None = None

    def camera(self, virtual: VirtualRig) -> VirtualCamera:
        """The view's camera while a virtual rig of the same truth shows pictures on its display."""
        plan = PlanLight(virtual.path, self._rig.table, self._truth.room.table_margin_mm)
        gain: list[float] = []

        def lit(light: NDArray[np.float32]) -> NDArray[np.float32]:
            plane = plan.lit(light) + np.float32(self._truth.room.ambient)

            def paint(x_mm: Array, y_mm: Array) -> NDArray[np.float32]:
                u, v = plan.to_pixels(x_mm, y_mm)
                found = remapped(plane, u.astype(np.float32), v.astype(np.float32), outside=np.nan)
                uneven = np.float32(self._truth.room.texture) * clouds(x_mm, y_mm, self._truth.seed)
                return found * np.float32(self._truth.room.albedo) * (1.0 + uneven)

            return self._radiance(paint, 0.0)

        def grab(exposure: float) -> NDArray[np.uint8]:
            if not gain:
                white = np.ones(virtual.display.shown.shape[:2], np.float32)
                gain.append(self._sensor.gain_for(lit(white), peak_code=_WHITE_CODE, share=_WHITE_SHARE))
            return self._sensor.expose(lit(virtual.emitted()), gain[0] * exposure, self._random())

        return VirtualCamera(self.resolution, grab)

    def sheet_photo(self, target: Target) -> NDArray[np.uint8]:
        """Photograph (H, W) under room light of a printed sheet that lies on the table where `target` says."""
        sheet = LyingSheet(target, self._truth.sheet)
        return self.photograph(sheet.reflectance, height_mm=self._truth.sheet.thickness_mm)

    def dots_photo(self, dots: DotPrint) -> NDArray[np.uint8]:
        """Photograph (H, W) under room light of a sheet of dots on the table."""
        sheet = self._truth.sheet
        return self.photograph(lambda x, y: dots.reflectance(sheet, x, y), height_mm=sheet.thickness_mm)

    def photograph(self, paint: Paint, *, height_mm: float = 0.0) -> NDArray[np.uint8]:
        """Photograph (H, W) under room light of paint at a height over the table; NaN: the bare table."""

        def over_table(x_mm: Array, y_mm: Array) -> NDArray[np.float32]:
            found = paint(x_mm, y_mm)
            there = on_table_top(self._rig.table, self._truth.room.table_margin_mm, x_mm, y_mm)
            return np.where(np.isfinite(found), found, np.where(there, np.float32(_TABLE_ALBEDO), np.nan))

        radiance = self._radiance(over_table, height_mm)
        return self._sensor.expose(radiance, self._sensor.gain_at(self._truth.sheet.paper, _WHITE_CODE), self._random())

    def screen_photo(
        self, picture: NDArray[np.uint8], place: ScreenPlace, *, pitch_mm: float, thickness_mm: float
    ) -> NDArray[np.uint8]:
        """Photograph (H, W) in a dark room of a display on the table; its glass is said to end so high over it."""
        screen = self._view.screen
        pitch_mm = pitch_mm * (1.0 + screen.pitch_percent / 100.0)
        thickness_mm += screen.thickness_error_mm

        def paint(sights: Sights) -> NDArray[np.float32]:
            x, y, ax, ay = (getattr(sights, name).reshape(self._shape) for name in _SIGHT)
            run_mm = thickness_mm - below_glass(ax, ay, screen.glass_mm, screen.glass_index)
            x, y = x - run_mm * ax, y - run_mm * ay
            light = shown_on_screen(picture, place, pitch_mm, x, y)
            return np.asarray(light / (1.0 + ax**2 + ay**2), np.float32)  # displays are dimmer from the side

        radiance = self._mixed(paint)
        return self._sensor.expose(radiance, self._sensor.gain_at(0.8, _WHITE_CODE), self._random())

    def true_map(self) -> ViewMap:
        """What each pixel's centre sees: the mean over the part of the aperture that looks into one piece of mirror.

        That is the piece which fills most of it; NaN where it is under half, or beside the table top.
        """
        looks = (self._look(np.zeros(2), p) for p in pupil_points(self._view.aperture_diameter_mm, _APERTURE))
        rays = ((one.piece, [getattr(one, name) for name in _SIGHT]) for one in looks)
        zone, share, (x, y, ax, ay) = means_by_piece(rays, self._eye.pieces + 1)
        good = (share >= 0.5) & on_table_top(self._rig.table, self._truth.room.table_margin_mm, x, y)
        x, y, ax, ay = (np.where(good, values, np.nan).reshape(self._shape) for values in (x, y, ax, ay))
        return ViewMap(
            x_mm=x,
            y_mm=y,
            sigma_mm=np.where(np.isfinite(x), 0.0, np.nan),
            zone=np.where(good, zone, NO_LIGHT).astype(np.int16).reshape(self._shape),
            measured=np.isfinite(x),
            lean_x=ax,
            lean_y=ay,
        )

    def true_figure_mm(self, mirror: int, x_mm: Array, y_mm: Array, zone: int = 0) -> Array:
        """Built minus design height along a mirror's z at mirror-frame positions, without the seat's error."""
        return height_difference(self._design[mirror][zone], self._wings[mirror].pieces[zone], x_mm, y_mm)

    def _radiance(self, paint: Paint, height_mm: float) -> NDArray[np.float32]:
        def at_height(sights: Sights) -> NDArray[np.float32]:
            x, y = sights.x_mm - height_mm * sights.lean_x, sights.y_mm - height_mm * sights.lean_y
            return paint(x.reshape(self._shape), y.reshape(self._shape))

        return self._mixed(at_height)

    def _mixed(self, paint: Callable[[Sights], NDArray[np.float32]]) -> NDArray[np.float32]:
        """Mean over aperture and pixel, through the dirt of the mirrors and with the room's haze."""
        if self._sights is None:
            self._sights = self._spread()
            self._clean = self._cleanness()
        total = np.zeros(self._shape, np.float32)
        for sights in self._sights:
            found = paint(sights)
            total += np.where(np.isfinite(found), found, np.float32(_DARK))
        mean = total / np.float32(len(self._sights))
        assert self._clean is not None
        veil = np.float32(_VEIL) * (1.0 - self._clean) * mean.mean()
        return hazed(np.asarray(mean * self._clean + veil, np.float32), self._truth.room.haze)

    def _spread(self) -> list[Sights]:
        """Places within the pixel, each with its point of the aperture; opposite places have opposite points."""
        aperture = pupil_points(self._view.aperture_diameter_mm, _APERTURE)
        ring = aperture[1:] * np.sqrt(_APERTURE / (_APERTURE - 1) * (_ACROSS**2 - 1) / _ACROSS**2)
        step = (np.arange(_ACROSS) - (_ACROSS - 1) / 2) / _ACROSS
        places = [np.array([u, v]) for v in step for u in step]
        half = len(places) // 2
        points = [ring[i % 3] * (-1) ** i for i in range(half)]
        points = [*points, np.zeros(2), *(-point for point in reversed(points))]
        return [self._look(place, point) for place, point in zip(places, points, strict=True)]

    def _look(self, offset_px: Array, point_mm: Array) -> Sights:
        """Every pixel: traced where pieces meet, and by cubics through every fourth of them where all is smooth."""
        # every fourth pixel along a side, with two more at either end
        u, v = (_STEP_PX * np.arange(-2.0, np.ceil((n - 1) / _STEP_PX) + 3.0) for n in self.resolution)
        across, down = np.meshgrid(u + offset_px[0], v + offset_px[1])
        coarse = self._traced(across.ravel(), down.ravel(), point_mm)
        piece = coarse.piece.reshape(len(v), len(u))
        low, high = minimum_filter(piece, 4, origin=(0, 0)), maximum_filter(piece, 4, origin=(0, 0))
        (iu, wu), (iv, wv) = (_cubic(n) for n in self.resolution)
        low, high = low[np.ix_(iv + 2, iu + 2)], high[np.ix_(iv + 2, iu + 2)]
        smooth = (low == high).ravel()
        pieces = low.ravel().astype(np.int16)
        values: dict[str, Array] = {}
        for name in _SIGHT:
            grid = np.nan_to_num(getattr(coarse, name)).reshape(piece.shape)
            dense = _weights(iv, wv, len(v)) @ grid @ _weights(iu, wu, len(u)).T
            values[name] = np.where(pieces == NO_PIECE, np.nan, dense.ravel())
        rest = np.flatnonzero(~smooth)
        v_px, u_px = np.divmod(rest, self.resolution[0])
        exact = self._traced(u_px + offset_px[0], v_px + offset_px[1], point_mm)
        pieces[rest] = exact.piece
        for name in _SIGHT:
            values[name][rest] = getattr(exact, name)
        return Sights(**values, piece=pieces)

    def _traced(self, u_px: Array, v_px: Array, point_mm: Array) -> Sights:
        parts = [
            self._eye.look(u_px[i : i + _AT_ONCE], v_px[i : i + _AT_ONCE], point_mm)
            for i in range(0, max(len(u_px), 1), _AT_ONCE)
        ]
        return joined(parts)

    def _cleanness(self) -> NDArray[np.float32]:
        """(H, W) share of the light that each mirror's dirt lets through."""
        assert self._sights is not None
        piece = self._sights[len(self._sights) // 2].piece.reshape(self._shape)
        u, v = np.meshgrid(np.arange(self.resolution[0], dtype=float), np.arange(self.resolution[1], dtype=float))
        clean = np.ones(self._shape, np.float32)
        for number, (wing, real) in enumerate(zip(self._wings, self._view.mirrors, strict=True)):
            here = (piece >= wing.first) & (piece < wing.first + len(wing.pieces))
            lost = real.dirt * np.abs(clouds(u[here], v[here], self._truth.seed + 1 + number))
            clean[here] = np.maximum(1.0 - lost, 0.1)
        return clean

    def _random(self) -> np.random.Generator:
        return np.random.default_rng([self._truth.seed, 0x71E3, next(self._photos)])


def _cubic(pixels: int) -> tuple[NDArray[np.int64], Array]:
    """First of the four nodes around each pixel, and their weights (N, 4) in Lagrange's cubic."""
    at = np.arange(pixels) / _STEP_PX + 2.0
    first = np.floor(at).astype(np.int64) - 1
    t = at - first
    nodes = range(4)
    return first, np.stack([np.prod([(t - k) / (j - k) for k in nodes if k != j], axis=0) for j in nodes], axis=-1)


def _weights(first: NDArray[np.int64], weights: Array, nodes: int) -> sparse.csr_array:
    """(pixels, nodes) matrix that interpolates."""
    rows = np.repeat(np.arange(len(first)), 4)
    columns = (first[:, None] + np.arange(4)).ravel()
    return sparse.csr_array((weights.ravel(), (rows, columns)), shape=(len(first), nodes))
