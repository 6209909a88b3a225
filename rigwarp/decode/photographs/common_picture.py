"""Where the camera stood in scans of single zones: told by a picture that all of them show alike.

Each zone's scan knows the camera's way from its own first photograph on, and nothing of the others'. One plaid, lit in
all zones at once, is in all of them; its photographs differ by the camera's motion between the scans and by nothing
else. They are laid over each other by least squares, from coarse to fine (Baker and Matthews 2004, Lucas-Kanade 20
years on), with the eight fields of a camera that looks at a plane, a gain and an offset.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.photographs.shared_errors import MOTION, SHIFTS, motion_fields, relative_places, shift_px
from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.robust import SIGMA_PER_MEDIAN, huber_weights, parts_of
from rigwarp.geometry.threads import in_two_threads
from rigwarp.patterns import PatternSet, PlaidFrame

Picture = NDArray[np.float32]

_SMOOTHING_PX = (6.0, 2.5, 1.3)  # hardly any stripes first: the outline of the light tells; in the end noise is a fifth
_ROUNDS = 6
_SETTLED_PX = 1e-4
_STEEP = 0.1  # of the steepest slopes (one in a hundred is steeper): what is flatter tells nothing
_POINTS = 40_000
_FEWEST = 400
_MARGIN_PX = 5  # of a point from what cannot be used
_OUTLIER = 2.5  # times the usual misfit
_MOST_LEFT = 0.2  # of the pictures' spread: more, and one is not the other moved
_PARTS_ACROSS = 3
_FEWEST_IN_PART = 60
_DISSENT_PX, _DISSENT = 0.03, 0.1  # of a part from the whole, beside its noise and of the shift
_DISSENT_SIGMAS = 6.0
_LOOSE_PX = 30.0  # prior of shift and turn ...
_VARYING, _VARYING_LEAST_PX = 0.3, 0.02  # ... and of what else varies over the picture, of the shift
_OTHER_LIGHT, _OTHER_MEAN = 0.25, 0.06  # of white: a pixel, or a mean, that is off by as much has other zones' light
_FADING_ROUNDS = 3
_CLEARLY = 6.0  # sigmas


@dataclass(frozen=True, kw_only=True)
class Placed:
    """How a picture lies on another.

    Attributes
    ----------
    fields : (MOTION,) by which what the first shows is shifted in the second, camera pixels (see `motion_fields`).
    shift_px : its length, usual over the picture.
    sigma_px : 1-sigma of it, per axis.
    left : what is left, as a share of the picture's spread.
    alike : whether the second is the first as a camera that moved sees it, in every part.
    """

    fields: Array
    shift_px: float
    sigma_px: float
    left: float
    alike: bool

    def moved_by(self, least_px: float) -> bool:
        """Is there a shift of so much or more, beyond doubt?"""
        return self.shift_px > max(least_px, _CLEARLY * self.sigma_px)


def lay_over(before: Picture, after: Picture, usable: BoolArray, beside: Sequence[Picture] = ()) -> Placed | None:
    """Find how one picture (H, W) lies on another; None where there is too little to tell.

    `usable` (H, W) are the places that show the same in both, but for a gain and an offset, and for what the second has
    of pictures `beside` (H, W) the first.
    """

    def level(smoothing_px: float) -> tuple[_Points, list[Picture]] | None:
        from scipy.ndimage import spline_filter  # not for the player, see decode/signal/noise.py

        first, second = (smooth(picture, smoothing_px) for picture in (before, after))
        points = _Points.chosen(first, usable, smoothing_px, [smooth(picture, smoothing_px) for picture in beside])
        if points is None:
            return None
        # OpenCV's cubic kernel would shift what it samples by up to 0.04 px
        return points, [spline_filter(picture, order=3, output=np.float32) for picture in (second, *slopes(second))]

    levels = in_two_threads(level, _SMOOTHING_PX)

    def through(some: Sequence[tuple[_Points, list[Picture]] | None]) -> Placed | None:
        placed, fields = None, np.zeros(MOTION)
        for one in some:
            placed = None if one is None else one[0].placed(one[1], fields)
            fields = fields if placed is None else placed.fields
        return placed

    # the finest alone, too: coarse pictures may be too poor
    found = [one for one in in_two_threads(through, (levels, levels[-1:])) if one is not None]
    return min(found, key=lambda placed: placed.left) if found else None


def expected_plaid(
    patterns: PatternSet, light: Picture, black: Picture, decoded: tuple[Picture, Picture, Picture]
) -> tuple[Picture, BoolArray]:
    """What a scan's plaid should look like from where its stripes were seen.

    Parameters
    ----------
    patterns : a set that has a plaid.
    light, black : (H, W) linear light of its photograph, and of that of black.
    decoded : (H, W) u_px, v_px, and light of white minus black.

    Returns
    -------
    expected : (H, W) light; the photograph itself where nothing is decoded.
    alike : (H, W) where the scan's own zone alone makes the light, so that the two can be compared.
    """
    assert patterns.plaid is not None
    frame = patterns.frames[patterns.plaid]
    assert isinstance(frame, PlaidFrame)
    u, v, contrast = decoded
    mean = float(np.mean(patterns.light_range))
    wave = np.asarray(patterns.plaid_light(frame, u, v), np.float32) - np.float32(mean)
    there = np.isfinite(wave) & (contrast > 0.0)
    if not there.any():
        return light, there
    wave, contrast = (np.where(there, picture, np.float32(0.0)) for picture in (wave, contrast))
    side_px = _period_px(frame, u, v)
    usual, fading = _mean_around(contrast, side_px), 1.0
    for _ in range(_FADING_ROUNDS):
        # blur fades stripes and leaves their mean; other zones add to the mean, with stripes much like the own ones
        beside = np.where(there, light - black - contrast * (mean + fading * wave), np.float32(0.0))
        alike = there & (np.abs(beside) < _OTHER_LIGHT * contrast)
        alike &= np.abs(_mean_around(beside, side_px)) < _OTHER_MEAN * usual
        own = contrast[alike] * wave[alike]
        fading += float(own @ beside[alike]) / max(float(own @ own), 1e-9)
    return np.where(there, black + contrast * (mean + fading * wave), light).astype(np.float32), alike


def _period_px(frame: PlaidFrame, u_px: Picture, v_px: Picture) -> int:
    """The longer period of a plaid's stripes, camera pixels."""
    longest = 0.0
    for position, period_px in zip((u_px, v_px), frame.periods_px, strict=True):
        steps = [np.abs(np.diff(position, axis=axis)) for axis in (0, 1)]
        down, across = (float(np.median(one[np.isfinite(one)])) if np.isfinite(one).any() else 0.0 for one in steps)
        longest = max(longest, period_px / max(float(np.hypot(down, across)), 1e-6))
    return round(min(longest, min(u_px.shape) / 2.0))


def _mean_around(picture: Picture, side_px: int) -> Picture:
    """In which stripes of that period are grey; dark outside."""
    side = (max(side_px, 1),) * 2
    once = cv2.blur(picture, side, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(cv2.blur(once, side, borderType=cv2.BORDER_CONSTANT), np.float32)


@dataclass(frozen=True, kw_only=True)
class _Points:
    """N points of the first picture.

    Attributes
    ----------
    place : (N, 2) columns and rows.
    value : (N,) what it shows there.
    beside : (N, k) what else the second may show.
    fields : (N, MOTION, 2)
    shape : of the picture.
    shared : how many of them count as one, since smoothing spreads noise.
    """

    place: Array
    value: Array
    beside: Array
    fields: Array
    shape: tuple[int, ...]
    shared: float

    @staticmethod
    def chosen(picture: Picture, usable: BoolArray, smoothing_px: float, beside: Sequence[Picture]) -> "_Points | None":
        """Where the picture is steep; None where that is hardly anywhere."""
        side = 2 * _MARGIN_PX + 1
        inner = cv2.erode(usable.astype(np.uint8), np.ones((side, side)), borderValue=(0,)) > 0
        found = steep_places(slopes(picture), inner, _POINTS)
        if found is None:
            return None
        row, column, step = found
        place = np.stack([column, row], axis=-1).astype(float)
        return _Points(
            place=place,
            value=picture[row, column].astype(float),
            beside=np.array([other[row, column] for other in beside], float).reshape(len(beside), len(row)).T,
            fields=motion_fields(relative_places(place, picture.shape)),
            shape=picture.shape,
            shared=max(1.0, 4.0 * np.pi * smoothing_px**2 / step**2),
        )

    def placed(self, pictures: list[Picture], fields: Array) -> Placed:
        """How they lie on another picture, by Gauss and Newton from `fields` (MOTION,) on.

        `pictures` are that one and its slopes, as coefficients of cubic splines.
        """
        from scipy.ndimage import map_coordinates  # not for the player, see decode/signal/noise.py

        known = np.column_stack([self.value, np.ones_like(self.value), self.beside])
        light = np.zeros(known.shape[1])
        light[0] = 1.0
        for _ in range(_ROUNDS):
            there = (self.place + shift_px(fields, self.place, self.shape)).T[::-1]
            seen, *slope = (
                map_coordinates(picture, there, order=3, mode="nearest", prefilter=False) for picture in pictures
            )
            left = seen - known @ light
            usual = SIGMA_PER_MEDIAN * float(np.median(np.abs(left))) + 1e-9
            root = np.sqrt(huber_weights(np.abs(left) / usual, _OUTLIER) / self.shared) / usual
            moved = -np.einsum("nsd,dn->ns", self.fields, np.stack(slope))
            effects = root[:, None] * np.column_stack([moved, known])
            prior = np.full(MOTION, 1.0 / max(_VARYING * float(np.hypot(*fields[:2])), _VARYING_LEAST_PX) ** 2)
            prior[list(SHIFTS)] = 1.0 / _LOOSE_PX**2
            information = effects.T @ effects + np.diag([*prior, *np.zeros_like(light)])
            pull = effects.T @ (root * left) - np.array([*(prior * fields), *np.zeros_like(light)])
            step = np.linalg.solve(information, pull)
            fields, light = fields + step[:MOTION], light + step[MOTION:]
            if np.abs(step[:MOTION]).max() < _SETTLED_PX:
                break
        some = self.fields[:: max(1, len(left) // 500)]
        covariance = np.linalg.inv(information)[:MOTION, :MOTION]
        length_px = float(np.sqrt(np.mean(np.sum(np.einsum("s,nsd->nd", fields, some) ** 2, axis=1))))
        share = usual / max(float(np.std(light[0] * self.value)), 1e-9)
        most_px = _DISSENT_PX + _DISSENT * length_px
        agreed = all(off < most_px + _DISSENT_SIGMAS * sigma for off, sigma in self._dissent(effects, root * left))
        return Placed(
            fields=fields,
            shift_px=length_px,
            sigma_px=float(np.sqrt(np.einsum("nsd,st,ntd->nd", some, covariance, some).mean())),
            left=share,
            alike=agreed and share < _MOST_LEFT,
        )

    def _dissent(self, effects: Array, left: Array) -> Iterator[tuple[float, float]]:
        """By how much each part of the picture wants another shift, camera pixels, and how sure it is."""
        parts = parts_of(self.place, _PARTS_ACROSS)
        for part in range(_PARTS_ACROSS**2):
            here = parts == part
            if np.count_nonzero(here) >= _FEWEST_IN_PART:
                columns = effects[here][:, [0, 1, MOTION, MOTION + 1]]
                covariance = np.linalg.inv(columns.T @ columns + 1e-9 * np.eye(4))
                off = covariance @ columns.T @ left[here]
                yield float(np.hypot(*off[:2])), float(np.sqrt(covariance[0, 0] + covariance[1, 1]))


def smooth(picture: Picture, sigma_px: float) -> Picture:
    """Through a Gaussian."""
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma_px), np.float32)


def slopes(picture: Picture) -> list[Picture]:
    """Along columns and rows."""
    return [np.asarray(cv2.Sobel(picture, cv2.CV_32F, *d, ksize=3, scale=1 / 8), np.float32) for d in ((1, 0), (0, 1))]


def steep_places(
    slope: list[Picture], usable: BoolArray, points: int
) -> tuple[NDArray[np.intp], NDArray[np.intp], int] | None:
    """Rows and columns of about so many usable places where a picture is steep, and the step from one that is looked at
    to the next; None where that is hardly anywhere."""
    steep = np.hypot(*slope)
    if not usable.any():
        return None
    usable = usable & (steep > _STEEP * np.quantile(steep[usable], 0.99))
    step = max(1, int(np.sqrt(np.count_nonzero(usable) / points)))
    row, column = (step * index for index in np.nonzero(usable[::step, ::step]))
    return (row, column, step) if len(row) >= _FEWEST else None
