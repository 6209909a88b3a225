"""What is not known when sheets are seen: mountings, lens, where sheets lay, prints; and what corners say of it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rigwarp.camera import SheetSigma
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, IntArray
from rigwarp.rig import Table, Target
from rigwarp.view.parts import ViewPart
from rigwarp.view.printed.field import Sightings
from rigwarp.view.printed.found import SheetCorners
from rigwarp.view.printed.lying import by_place, by_print, laid_as_seen, on_table, require_near
from rigwarp.view.printed.slopes import (
    CAMERA,
    MIRROR,
    design_leans,
    design_places,
    mount_slope,
    mounted_at,
    pixel_slope,
)

_FEWEST = 12  # corners in all
_MOST = 900  # more tell nothing new, and take minutes
_LENS = 5  # unknowns: focal length, middle and two of distortion
_FOCAL_SHARE, _MIDDLE_SHARE, _K1, _K2 = 0.01, 0.01, 0.05, 0.02  # 1-sigma of a lens that was not calibrated
_MIRRORED = np.array([1.0, 1.0, -1.0, -1.0, -1.0, 1.0])  # shift and turn of a camera as its mirror image makes them
_PLACE_SIGMA = np.array([300.0, 300.0, 1.0])  # mm, mm, rad: sheets after the first may lie anywhere
_STRAY = 6.0  # sigmas: such a corner was something else
_PLACE: Final = 3


@dataclass(frozen=True, kw_only=True)
class SheetPlace:
    """Where a photograph's sheet lay: its middle and turn, and the 1-sigma of both (x, y in mm, rad)."""

    centre_mm: Array
    rotation_rad: float
    sigma: Array


@dataclass(frozen=True, kw_only=True)
class Corners:
    """All corners in one, with the unknowns' columns."""

    pixels_px: Array
    board_mm: Array
    zone: IntArray
    part: IntArray
    photo: IntArray
    square_px: Array

    def only(self, which: BoolArray | IntArray) -> "Corners":
        return replace(self, **{name: getattr(self, name)[which] for name in self.__dataclass_fields__})


def join_corners(parts: Sequence[ViewPart], found: Sequence[SheetCorners]) -> Corners:
    total = sum(len(one.pixels_px) for one in found)
    if total < _FEWEST:
        raise MeasurementError(
            f"{total} corners of the sheet were found in all, {_FEWEST} are needed: light the sheet evenly, lay it "
            "where a mirror shows it, and check that [view.target] in rig.toml describes it"
        )
    number = {part.first_zone: i for i, part in enumerate(parts)}

    def whole(values: Sequence[int]) -> IntArray:
        return np.repeat(np.array(values, np.int64), [len(one.pixels_px) for one in found])

    corners = Corners(
        pixels_px=np.concatenate([one.pixels_px for one in found]),
        board_mm=np.concatenate([one.board_mm for one in found]),
        zone=whole([one.zone for one in found]),
        part=whole([number[one.part.first_zone] for one in found]),
        photo=whole([one.photo for one in found]),
        square_px=np.concatenate([one.square_px for one in found]),
    )
    return corners.only(np.linspace(0, total - 1, _MOST).astype(int)) if total > _MOST else corners


class Unknowns:
    """The unknowns, what is assumed of them now, and what the corners say then.

    Order: shift and turn of the camera; its lens; shift and turn of each mirror; middle and turn of each sheet but the
    first; three errors of the print (in sigmas: both scales and squareness) and its height.
    """

    def __init__(
        self, parts: Sequence[ViewPart], corners: Corners, target: Target, table: Table, sheet: SheetSigma
    ) -> None:
        self.parts, self.corners, self._target, self._sheet = tuple(parts), corners, target, sheet
        self._height_mm = table.height_mm
        self.first = int(corners.photo.min())
        self._photos = [int(n) for n in np.unique(corners.photo) if n != self.first]
        self._lens = parts[0].model.projector
        self.prior = np.concatenate(
            [
                parts[0].tolerances[:CAMERA],
                self._lens_sigma(),
                *(part.tolerances[CAMERA:] for part in parts),
                np.tile(_PLACE_SIGMA, len(self._photos)),
                np.array([1.0, 1.0, 1.0, sheet.height_mm]),
            ]
        )
        self.now = np.zeros(len(self.prior))
        self._start = {n: self._guess(n) for n in self._photos}
        self.strays = 0

    def shifts(self, part: int) -> Array:
        """(12,) how a part is now assumed to be mounted."""
        camera = self.now[:CAMERA] * (_MIRRORED if self.parts[part].flipped else 1.0)
        return np.concatenate([camera, self.now[self._mirror(part)]])

    @property
    def moved(self) -> tuple[ViewPart, ...]:
        """The parts as now assumed."""
        return tuple(mounted_at(part, self.shifts(i)) for i, part in enumerate(self.parts))

    @property
    def tied(self) -> bool:
        """Whether the parts that see sheets hang together by sheets that several of them see."""
        seen = [set(self.corners.part[self.corners.photo == photo]) for photo in np.unique(self.corners.photo)]
        together = seen.pop(0)
        while rest := [one for one in seen if one & together]:
            together |= set.union(*rest)
            seen = [one for one in seen if not one & together]
        return not seen

    def mounting(self, part: int) -> IntArray:
        """(12,) which of the unknowns mount the camera and a part's mirror."""
        return np.concatenate([np.arange(CAMERA), np.arange(self.now.size)[self._mirror(part)]])

    def _mirror(self, part: int) -> slice:
        begin = CAMERA + _LENS + part * MIRROR
        return slice(begin, begin + MIRROR)

    def _column(self, photo: int) -> int:
        first: int = self._mirror(len(self.parts)).start
        return first + _PLACE * self._photos.index(photo)

    def _lens_sigma(self) -> Array:
        """Of relative focal length, middle (px), k1 and k2."""
        if self._lens.lens is not None:
            width = self._lens.resolution[0]
            sigma = max(self._lens.lens.sigma_px, 1e-3)
            return np.array([sigma / width, sigma, sigma, 1e-6, 1e-6])
        middle = _MIDDLE_SHARE * self._lens.resolution[0]
        return np.array([_FOCAL_SHARE, middle, middle, _K1, _K2])

    def design_slope(self, part: int, pixels_px: Array, zone: IntArray) -> Array:
        """(N, 2, P) how the places that a part's pixels see move with camera, lens and mirror."""
        own = self.parts[part]
        slope = np.zeros((len(pixels_px), 2, len(self.prior)))
        mount = mount_slope(own, self.shifts(part), pixels_px, zone)
        slope[..., :CAMERA] = mount[..., :CAMERA] * (_MIRRORED if own.flipped else 1.0)
        slope[..., self._mirror(part)] = mount[..., CAMERA:]
        by_px = pixel_slope(mounted_at(own, self.shifts(part)), pixels_px, zone)
        ahead = pixels_px - self._lens.principal_px
        square = np.sum((ahead / self._lens.focal_px) ** 2, axis=-1)[:, None]
        lens = np.stack([ahead, np.broadcast_to([1.0, 0.0], ahead.shape), np.broadcast_to([0.0, 1.0], ahead.shape),
                         ahead * square, ahead * square**2], axis=-1)  # fmt: skip
        slope[..., CAMERA : CAMERA + _LENS] = by_px @ lens
        return slope

    @property
    def mounted(self) -> Array:
        """(P,) what `moved` holds already of what is now assumed."""
        held = self.now.copy()
        held[CAMERA : CAMERA + _LENS] = 0.0
        held[self._mirror(len(self.parts)).start :] = 0.0
        return held

    def _laid(self, photo: int) -> Target:
        """The sheet where it is now assumed to lie."""
        if photo == self.first:
            return self._target
        at = self._column(photo)
        shift, turn = self.now[at : at + 2], float(self.now[at + 2])
        start = self._start[photo]
        return replace(start, centre_mm=start.centre_mm + shift, rotation_rad=start.rotation_rad + turn)

    def _guess(self, photo: int) -> Target:
        """Where the design sees a sheet."""
        here = self.corners.photo == photo
        seen = design_places(self.parts, self.corners.pixels_px[here], self.corners.zone[here], self.corners.part[here])
        known = np.isfinite(seen).all(axis=-1)
        return laid_as_seen(self.corners.board_mm[here][known], seen[known], self._target)

    def require_first_place(self) -> None:
        """MeasurementError where the design sees the first sheet far from where it should lie."""
        require_near(self._guess(self.first), self._target)

    def linearised(self) -> Sightings:
        corners, parts = self.corners, self.moved
        seen = design_places(parts, corners.pixels_px, corners.zone, corners.part)
        lean = design_leans(parts, corners.pixels_px, corners.zone, corners.part)
        slope = np.zeros((len(seen), 2, len(self.prior)))
        for i in range(len(parts)):
            here = corners.part == i
            slope[here] = self.design_slope(i, corners.pixels_px[here], corners.zone[here])
        places = np.zeros_like(seen)
        for photo in [self.first, *self._photos]:
            here = corners.photo == photo
            laid, board_mm = self._laid(photo), corners.board_mm[here]
            places[here] = on_table(board_mm, laid)
            if photo != self.first:
                at = self._column(photo)
                slope[here, :, at : at + _PLACE] = -by_place(board_mm, laid)
            slope[here, :, -4:-1] = -by_print(board_mm, laid, self._sheet)
        slope[..., -1] = -lean
        # at height t over the table the line of sight of the place P is at P - t lean
        print_now = np.einsum("nij,j->ni", slope[..., -4:], self.now[-4:])
        misfit = places + self._target.thickness_mm * lean - print_now - seen
        lens = slice(CAMERA, CAMERA + _LENS)
        misfit -= slope[..., lens] @ self.now[lens]  # `moved` leaves the lens as it is
        known = np.isfinite(misfit).all(axis=-1)
        if not known.all():
            self._keep(known)
            return self.linearised()
        return Sightings(
            pixels_px=corners.pixels_px,
            zone=corners.zone,
            misfit_mm=misfit + slope @ self.now,
            slope=slope,
            mm_per_px=self._mm_per_px(),
        )

    def _mm_per_px(self) -> Array:
        """(N,) root mean square of how far the place moves for a pixel, per axis."""
        found = np.zeros(len(self.corners.zone))
        for i, part in enumerate(self.moved):
            here = self.corners.part == i
            by_px = pixel_slope(part, self.corners.pixels_px[here], self.corners.zone[here])
            found[here] = np.sqrt(np.sum(by_px**2, axis=(1, 2)) / 2.0)
        return found

    def drop(self, left_out: tuple[Array, Array]) -> None:
        """Leave out corners that contradict all others."""
        keep: BoolArray = np.asarray((np.abs(left_out[0]) < _STRAY * left_out[1]).all(axis=-1))
        self.strays += int(np.count_nonzero(~keep))
        self._keep(keep)

    def _keep(self, keep: BoolArray) -> None:
        if np.count_nonzero(keep) < _FEWEST:
            raise MeasurementError(
                f"{np.count_nonzero(keep)} corners of the sheet agree with each other and the design, {_FEWEST} are "
                "needed: check [view] and [view.target] in rig.toml, and that the sheet lies flat"
            )
        self.corners = self.corners.only(keep)

    def places(self, covariance: Array) -> tuple[SheetPlace, ...]:
        sigma = np.sqrt(np.diag(covariance))
        found = []
        for photo in sorted([self.first, *self._photos]):
            laid = self._laid(photo)
            own = np.zeros(3) if photo == self.first else sigma[self._column(photo) :][:_PLACE]
            found.append(SheetPlace(centre_mm=laid.centre_mm, rotation_rad=laid.rotation_rad, sigma=own))
        return tuple(found)
