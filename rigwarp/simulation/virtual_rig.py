"""The virtual rig: a display and a camera that behave like the real thing, and the truth to judge results by."""

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import DeviceError, InputError
from rigwarp.geometry import Array, PixelMap, Placement, TriangleMesh
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.rig import Rig
from rigwarp.simulation.board import PrintedBoard, held_poses, laid_target, sheet_on_table
from rigwarp.simulation.incidents import Incidents, handed_over
from rigwarp.simulation.lens import TableView, true_lens
from rigwarp.simulation.light_path import LightPath
from rigwarp.simulation.mirror import height_difference, means_by_piece
from rigwarp.simulation.pieces import built_pieces, design_pieces
from rigwarp.simulation.projector import RealProjector
from rigwarp.simulation.sensor import Sensor, hazed
from rigwarp.simulation.table import TableForm, TableTop, on_table_top
from rigwarp.simulation.transport import Scene
from rigwarp.simulation.truth import VirtualTruth

NOMINAL_EXPOSURE_S = 1 / 30
"""What the automatic exposure is called: two frames of a 60 Hz projector, as one would choose."""
_SHUTTER_S = (1e-4, 2.0)  # the range of ordinary cameras
_WHITE_CODE = 0.85  # automatic exposure: projected white comes out at this share of the code range
_WHITE_SHARE = 0.999  # the share of the picture that may not be brighter
_PAPER_CODE = 0.8  # the same for the sheet under room light
_ROOM_FALL = 0.25  # room light is this much stronger at one side of the picture than at the other
_BACKGROUND = 0.25  # reflectance of what is behind a board held by hand
_PHOTOS_ON_BOARD = 100_001  # the first one's number: far from any that was taken on the bare table
_CHIEFS_AT_ONCE = 12_000  # pixels traced at once for the true map: stays within the cache


class VirtualDisplay:
    """The virtual projector's input; `resolution` is (width, height) in native pixels."""

    def __init__(self, resolution: tuple[int, int]) -> None:
        self.resolution = resolution
        self.shown: NDArray[np.uint8] = np.zeros((resolution[1], resolution[0]), np.uint8)
        self.shown_before = self.shown

    def show(self, frame: NDArray[np.uint8]) -> None:
        """Show a (H, W) grey or (H, W, 3) RGB picture of 8 bits.

        Raises
        ------
        DeviceError
            The picture is not of the projector's size.
        """
        wanted = self.resolution[::-1]
        if frame.dtype != np.uint8 or frame.shape[:2] != wanted or frame.shape[2:] not in ((), (3,)):
            raise DeviceError(
                f"virtual display: got a picture of shape {frame.shape} and type {frame.dtype}, "
                f"expected {wanted} or {(*wanted, 3)} and uint8. Make it at the projector's native size."
            )
        self.shown_before = self.shown
        self.shown = frame.copy()

    def close(self) -> None:
        """Nothing to give back; the last picture stays on."""


class VirtualCamera:
    """The virtual camera above the table; nothing about it changes by itself but what [mishaps] says.

    `resolution` is (width, height) in pixels; `exposure_s` at first puts projected white well into the code range.
    """

    unlocked: tuple[str, ...] = ()

    def __init__(self, resolution: tuple[int, int], grab: Callable[[float], NDArray[np.uint8]]) -> None:
        self.resolution = resolution
        self._grab = grab
        self.exposure_s: float | None = NOMINAL_EXPOSURE_S

    def set_exposure(self, seconds: float) -> float | None:
        """Set the exposure time, within what the shutter can do; returns what is set now."""
        self.exposure_s = float(np.clip(seconds, *_SHUTTER_S))
        return self.exposure_s

    def grab(self) -> NDArray[np.uint8]:
        """Photograph what the display shows now: (H, W) grey."""
        return self._grab((self.exposure_s or NOMINAL_EXPOSURE_S) / NOMINAL_EXPOSURE_S)

    look = grab  # a virtual camera is never late

    def close(self) -> None:
        """Nothing to give back."""


class VirtualRig:
    """What was really built, as a physical model; `truth` is for judging results only.

    Parameters
    ----------
    rig : the design.
    truth : what was built instead (virtual.toml).
    meshes : the obstacles' meshes by file name, as rig.toml names them.
    profiles : (N, 2) tables r_mm, z_mm of profile mirrors by file name.

    Notes
    -----
    Photographs are numbered from the construction on; each has its own random numbers from (seed, number), so that a
    run can be repeated. The mishaps count what the camera above the table grabs, without the photographs of the sheet.
    """

    def __init__(
        self,
        rig: Rig,
        truth: VirtualTruth,
        *,
        meshes: Mapping[str, TriangleMesh] | None = None,
        profiles: Mapping[str, Array] | None = None,
    ) -> None:
        self._rig = rig
        self.truth = truth
        self._resolution = rig.camera.resolution
        self._design = design_pieces(rig.mirror, truth.surface, profiles or {})
        light_mm = rig.mirror.placement.to_part(rig.projector.placement.position_mm)
        self._built = built_pieces(self._design, truth.built, light_mm)
        self._projector = RealProjector(rig.projector, truth.projector)
        self._form = TableForm.of(rig.table, truth.room)
        self.path = LightPath(
            rig,
            self._projector,
            self._built,
            rig.mirror.placement.moved(truth.built.seat_shift_mm, truth.built.seat_turn_rad),
            form=self._form,
            table_margin_mm=truth.room.table_margin_mm,
            focus_mm=truth.projector.focus_mm,
            meshes=meshes or {},
        )
        self._lens = true_lens(truth.camera, self._resolution)
        self._view = TableView(truth.camera, self._lens, self._form)
        self._sensor = Sensor(truth.camera, self._resolution)
        self._incidents = Incidents(truth.mishaps, truth.camera, self._lens, self._form, self._resolution)
        self._target = laid_target(rig.target, truth.sheet)
        self._board = PrintedBoard(self._target, truth.sheet)
        self._meshes, self._profiles = meshes, profiles
        self._photos, self._grabbed = itertools.count(1), itertools.count(1)
        self._set_before: tuple[float, float] | None = None
        self._scene: Scene | None = None
        self._top: TableTop | None = None
        self._gain = 1.0
        self.display = VirtualDisplay(rig.projector.resolution)
        self.camera = VirtualCamera(self._resolution, self._grab)

    def prepare(self, *, progress: Callable[[float], None] | None = None) -> None:
        """Build the light transport now rather than at the first photograph; `progress` gets shares up to 1."""
        if self._scene is None:
            typical = None if self._set_before is None else self._set_before[1]
            self._scene = Scene(
                self.path, self._view, self._table_top(), self.truth.room, white=typical, progress=progress
            )
            if self._set_before is not None:
                self._gain = self._set_before[0]
                return
            self._gain = self._sensor.gain_for(self._white(), peak_code=_WHITE_CODE, share=_WHITE_SHARE)

    def emitted(self) -> NDArray[np.float32]:
        """Light of each projector pixel while the display shows what it shows now."""
        return self._projector.emitted(self.display.shown)

    def changed(self, truth: VirtualTruth) -> "VirtualRig":
        """The same rig after something has happened to it: exposure, focus and room as they were, new noise."""
        self.prepare()
        assert self._scene is not None
        after = self._focused_alike(truth)
        after._photos, after._grabbed = self._photos, self._grabbed
        after._set_before = (self._gain, self._scene.white)
        return after

    def raised(self, by_mm: float) -> "VirtualRig":
        """The rig with a board on its table, `by_mm` higher as stated; focused as before, exposed anew, new noise."""
        room = self.truth.room
        height_mm = room.table_height_error_mm + by_mm + room.board_height_error_mm
        raised = replace(room, table_height_error_mm=height_mm, table_tilt=room.board_tilt)
        after = self._focused_alike(replace(self.truth, room=raised))
        after._photos, after._grabbed = itertools.count(_PHOTOS_ON_BOARD), itertools.count(_PHOTOS_ON_BOARD)
        return after

    def _focused_alike(self, truth: VirtualTruth) -> "VirtualRig":
        """Another truth of the same rig, in focus where this one is."""
        projector = replace(truth.projector, focus_mm=self.path.focus_mm)
        return VirtualRig(self._rig, replace(truth, projector=projector), meshes=self._meshes, profiles=self._profiles)

    def board_photos(self, count: int = 14) -> list[NDArray[np.uint8]]:
        """Photographs (H, W) of the sheet held by hand in `count` poses under room light, the projector off."""
        poses = held_poses(self._lens, self._board.size_mm, self._resolution, count, self.truth.seed)
        return [self._photograph_board(pose, np.float32(_BACKGROUND)) for pose in poses]

    def table_sheet_photo(self) -> NDArray[np.uint8]:
        """Photograph (H, W) of the sheet lying on the table as the rig's target says, room light, the projector off."""
        height_mm = self._form.height_mm + self.truth.sheet.thickness_mm
        lying = sheet_on_table(self._target, self._board.size_mm, height_mm)
        eye = self.truth.camera.placement
        pose = Placement(position_mm=eye.to_part(lying.position_mm), rotation=eye.rotation.T @ lying.rotation)

        def into_table(spot_mm: Array) -> Array:
            """The sheet follows a bowed table: how far (..., 2) spots of the sheet lie below a flat one."""
            on_table = lying.to_table(np.concatenate([spot_mm, np.zeros((*spot_mm.shape[:-1], 1))], axis=-1))
            return self._form.height_mm - self._form.z_mm(on_table[..., 0], on_table[..., 1])

        return self._photograph_board(pose, self._table_top().reflectance, into_table)

    def handed_over(self, photos: Sequence[NDArray[np.uint8]]) -> list[NDArray[np.uint8]]:
        """A scan's photographs (H, W) as somebody hands them over who mixes up, loses or turns them ([mishaps])."""
        return handed_over(photos, self.truth.mishaps)

    def true_map(self) -> PixelMap:
        """Where the light of each projector pixel's centre lands on the table, for judging results only.

        The mean over the part of the exit pupil whose light comes by way of one piece of mirror, the one that carries
        most of it; NaN where that is under half of the pupil's light, or beside the table top. Zones are the mirror's
        pieces; light that goes past the mirror has the number after the last.
        """
        width, height = self._projector.resolution
        x, y = np.full((height, width), np.nan), np.full((height, width), np.nan)
        zone = np.full((height, width), NO_LIGHT, np.int16)
        step = max(1, _CHIEFS_AT_ONCE // width)
        for top in range(0, height, step):
            rows = slice(top, min(top + step, height))
            x[rows], y[rows], zone[rows] = self._centroids(rows)
        lit = np.isfinite(x)
        return PixelMap(x_mm=x, y_mm=y, sigma_mm=np.where(lit, 0.0, np.nan), zone=zone, measured=lit)

    def true_camera(self) -> dict[str, Any]:
        """The camera as camera.json holds it; what its five coefficients cannot hold is left out."""
        camera = self.truth.camera
        R = camera.placement.rotation.T
        return {
            "format": "rigwarp camera",
            "version": 1,
            "resolution": list(self._resolution),
            "matrix": [
                [float(camera.focal_px[0]), 0.0, float(camera.principal_px[0])],
                [0.0, float(camera.focal_px[1]), float(camera.principal_px[1])],
                [0.0, 0.0, 1.0],
            ],
            "distortion": camera.distortion.tolist(),
            "R_camera_from_table": R.tolist(),
            "t_camera_from_table_mm": (-R @ camera.placement.position_mm).tolist(),
        }

    def true_figure_mm(self, x_mm: Array, y_mm: Array, zone: int = 0) -> Array:
        """Built minus design height along the mirror's z at mirror-frame positions (any shape).

        Without the seat's error; NaN where either surface has no mirror.

        Raises
        ------
        InputError
            The mirror has no piece of that number.
        """
        if not 0 <= zone < len(self._built):
            raise InputError(f"virtual rig: the mirror has no piece {zone}; it has {len(self._built)}.")
        return height_difference(self._design[zone], self._built[zone], x_mm, y_mm)

    def _grab(self, exposure: float) -> NDArray[np.uint8]:
        """A photograph; twice the `exposure` (1: nominal) collects twice the electrons in the same wells."""
        self.prepare()
        assert self._scene is not None
        number, random, mishap = next(self._grabbed), self._next_random(), self._incidents
        shown = self.display.shown_before if number in self.truth.mishaps.early else self.display.shown
        light = self._projector.emitted(shown) * np.float32(mishap.lamp(number))
        radiance = self._scene.radiance(light, daylight=mishap.daylight(number), shade=mishap.shade(number))
        gain = self._gain * exposure * mishap.metered(radiance, self._white) * mishap.bands(random)
        return mishap.developed(self._sensor.expose(radiance, gain, random, moved=mishap.moved(number)))

    def _white(self) -> NDArray[np.float32]:
        assert self._scene is not None
        width, height = self._projector.resolution
        return self._scene.radiance(np.ones((height, width), np.float32))

    def _next_random(self) -> np.random.Generator:
        return np.random.default_rng([self.truth.seed, next(self._photos)])

    def _table_top(self) -> TableTop:
        if self._top is None:
            eye_mm = self.truth.camera.placement.position_mm
            self._top = TableTop(
                self._rig.table,
                self._view,
                self._resolution,
                self.truth.room,
                hidden=lambda x, y: self.path.blocked_from(eye_mm, x, y),
                seed=self.truth.seed,
            )
        return self._top

    def _centroids(self, rows: slice) -> tuple[Array, Array, NDArray[np.int16]]:
        width = self._projector.resolution[0]
        u, v = (
            a.ravel() for a in np.meshgrid(np.arange(width, dtype=float), np.arange(rows.start, rows.stop, dtype=float))
        )
        # per piece of mirror, and for light that goes past it: next to a fold the pupil's rays part
        landings = (self.path.land(u, v, k) for k in range(len(self._projector.pupil_mm)))
        rays = ((landing.piece, (landing.x_mm, landing.y_mm)) for landing in landings)
        zone, share, (x, y) = means_by_piece(rays, len(self._built) + 1)
        good = (share >= 0.5) & on_table_top(self._rig.table, self.truth.room.table_margin_mm, x, y)
        shape = (-1, width)
        return (
            np.where(good, x, np.nan).reshape(shape),
            np.where(good, y, np.nan).reshape(shape),
            np.where(good, zone, np.int16(NO_LIGHT)).astype(np.int16).reshape(shape),
        )

    def _photograph_board(
        self, pose: Placement, behind: Any, depth_mm: Callable[[Array], Array] | None = None
    ) -> NDArray[np.uint8]:
        paper, ink = self._board.coverage(self._lens, pose, self._resolution, depth_mm=depth_mm)
        sheet = self.truth.sheet
        radiance = behind * (1 - paper) + np.float32(sheet.paper) * (paper - ink) + np.float32(sheet.ink) * ink
        slope = np.linspace(1.0 - _ROOM_FALL / 2, 1.0 + _ROOM_FALL / 2, self._resolution[0], dtype=np.float32)
        radiance = hazed(np.asarray(radiance * slope, np.float32), self.truth.room.haze)
        gain = self._sensor.gain_at(sheet.paper * (1.0 + _ROOM_FALL / 2), _PAPER_CODE)
        return self._incidents.developed(self._sensor.expose(radiance, gain, self._next_random()))
