"""A camera that moved while the uniform frames were taken: the stripes, which all come after, agree with each other.

The mean of a wave's steps shows what a uniform frame shows, as the camera saw it later. Between the two, the edges of
what is lit, of shadows and of zones are shifted, by least squares with the slopes of the mean (Lucas and Kanade 1981).
A gain and an offset of each part of the picture are fitted beside: bands, shadows and light that grows do not look like
a shift. A jump right after black is one before the scan, as far as its pictures tell.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.photographs.common_picture import Picture, slopes, smooth, steep_places
from rigwarp.decode.photographs.light_model import Frames
from rigwarp.decode.photographs.likeness import USUAL_GAMMA
from rigwarp.decode.photographs.motion import CameraPath
from rigwarp.decode.photographs.shared_errors import MOTION, motion_fields, relative_places
from rigwarp.geometry import Array
from rigwarp.geometry.robust import SIGMA_PER_MEDIAN, huber_weights, parts_of

Codes = NDArray[np.unsignedinteger]

_PIXELS = 600_000  # of a picture: larger ones are reduced, edges being many ...
_MEAN_OF = 2  # ... along a side, whatever is left out between
_SMOOTHING_PX = 1.3
_MARGIN_PX = 9  # of a place from what is burnt out
_POINTS = 12_000
_ASIDE = 500
_PASSES = 3
_LOOSE_PX, _VARYING, _VARYING_LEAST_PX = 30.0, 0.3, 0.02  # priors of shift, and of what varies over the picture
_OUTLIER = 2.5  # times the usual misfit
_LEAST_PX, _WORTH_TELLING = 0.02, 25.0  # less, or a smaller fall of chi-squared, is not told from what light does
_COURSE = 3  # frames: of fewer any jump is a course, too
_ASKED_FIRST = 2  # uniform frames: of a jump before or after the second of them, one tells
_PARTS_ACROSS = 3
_FEWEST_IN_PART = 60
_DISSENT_PX, _DISSENT, _DISSENT_SIGMAS = 0.03, 0.2, 6.0  # of a part from the whole, of the shift, of its own noise
_MOST_DISSENT = 2  # parts
_LEFT_PX, _LEFT = 0.01, 0.04  # of the shift: what light that differs from frame to frame leaves


def find_early_jump(photos: Sequence[Codes], frames: Frames, light_of_code: Array) -> CameraPath | None:
    """Where the camera jumped before the stripes; None where it stood, or where nothing tells.

    Parameters
    ----------
    photos : (H, W) each, of a whole set.
    light_of_code : linear light of each code value.
    """
    shown, sinusoids = [photos[number] for number in frames.index], frames.sinusoids()
    first = int(sinusoids[0].min())
    grey = [int(row) for row in np.flatnonzero(frames.axis < 0) if row != frames.ends[0] and row < first]
    found = []
    for stripes in (sinusoids[0], sinusoids[-1]):  # somebody in the light of one of them is not in the other's
        points = _Points.chosen(shown, grey, stripes, frames.ends[0], light_of_code)
        one = None if points is None else _jump_before(points, [shown[row] for row in grey])
        if one is None:
            return None
        found.append(one)
    (count, jump), (_, again) = found
    apart_px = float(np.hypot(*(jump.solved[0] - again.solved[0])[:2]))
    if apart_px > _DISSENT_PX + _DISSENT * jump.length_px:
        return None
    row = grey[count] if count < len(grey) else first
    fields = np.zeros((len(frames.index), MOTION))
    fields[row:] = -jump.solved[0]
    length_px = jump.length_px
    return CameraPath(fields=fields, jump=row, jump_px=length_px, largest_px=length_px, sigma_px=jump.sigma_px)


def _jump_before(points: "_Points", grey: Sequence[Codes]) -> "tuple[int, _Shift] | None":
    """How many of the uniform frames were taken before a jump, and their shift; None where there is none."""
    shifts = [points.shift(photo) for photo in grey[:_ASKED_FIRST]]
    if not any(one.found for one in shifts):
        return None
    shifts += [points.shift(photo) for photo in grey[_ASKED_FIRST:]]
    found = _jump([one.with_what_light_leaves for one in shifts])
    return found if found and found[1].found and not points.dissent(grey[: found[0]], found[1]) else None


@dataclass(frozen=True, kw_only=True)
class _Shift:
    """What uniform frames say of their shift against the stripes' mean.

    Attributes
    ----------
    information, pull : (m, m) and (m,) of the first m fields of `motion_fields`; nothing else is known of them in here.
    aside : (n, m, 2) shift of usual places by one of each.
    brighter : by how much the first of them is brighter than the stripes' mean.
    """

    information: Array
    pull: Array
    aside: Array
    brighter: float

    @cached_property
    def solved(self) -> tuple[Array, Array]:
        """Fields (m,), camera pixels, and their covariance: a camera that was pushed hardly stretches its picture."""
        fields: Array = np.zeros(len(self.pull))
        covariance: Array = np.eye(len(fields))
        for _ in range(_PASSES):
            prior = np.full(len(fields), 1.0 / max(_VARYING * float(np.hypot(*fields[:2])), _VARYING_LEAST_PX) ** 2)
            prior[:2] = 1.0 / _LOOSE_PX**2
            covariance = np.asarray(np.linalg.inv(self.information + np.diag(prior)))
            fields = covariance @ self.pull
        return fields, covariance

    @property
    def length_px(self) -> float:
        """Usual one."""
        return float(np.sqrt(np.mean(np.sum(np.einsum("s,nsd->nd", self.solved[0], self.aside) ** 2, axis=1))))

    @property
    def sigma_px(self) -> float:
        """Per axis, usual one."""
        return float(np.sqrt(np.einsum("nsd,st,ntd->nd", self.aside, self.solved[1], self.aside).mean()))

    @property
    def with_what_light_leaves(self) -> "_Shift":
        """Less sure."""
        variance = _LEFT_PX**2 + (_LEFT * float(np.hypot(*self.solved[0][:2]))) ** 2
        weaker = np.linalg.inv(np.eye(len(self.pull)) + variance * self.information)
        return replace(self, information=weaker @ self.information, pull=weaker @ self.pull)

    @property
    def fall(self) -> float:
        """Of chi-squared, by the shift."""
        return float(self.pull @ self.solved[0])

    @property
    def found(self) -> bool:
        """Is there one beyond doubt?"""
        return self.length_px > _LEAST_PX and self.fall > _WORTH_TELLING


def _together(shifts: Sequence[_Shift]) -> _Shift:
    """Of several frames that have one."""
    return _Shift(
        information=np.sum([one.information for one in shifts], axis=0),
        pull=np.sum([one.pull for one in shifts], axis=0),
        aside=shifts[0].aside,
        brighter=shifts[0].brighter,
    )


def _jump(shifts: Sequence[_Shift]) -> tuple[int, _Shift] | None:
    """How many of the frames lie before a jump, and by how much.

    Chi-squared falls most there if these share a shift and the others have none. Less is known of it where much of what
    single frames want is left (Birge 1932). None where a course with their brightness leaves less: a response that is
    not the camera's moves edges so.
    """
    found = [_together(shifts[:count]) for count in range(1, len(shifts) + 1)]
    count = int(np.argmax([one.fall for one in found])) + 1
    jump = found[count - 1]
    wanted = np.array([one.solved[0][:2] for one in shifts])
    weight = np.array([one.sigma_px for one in shifts]) ** -2
    before = np.arange(len(shifts)) < count
    left = float(weight @ np.sum((wanted - before[:, None] * jump.solved[0][:2]) ** 2, axis=1))
    if len(shifts) > _COURSE:
        beyond = np.array([one.brighter for one in shifts]) ** (1.0 / USUAL_GAMMA) - 1.0
        # frames as bright as the stripes' mean are bent alike
        course = np.stack([np.minimum(beyond, 0.0), np.maximum(beyond, 0.0)], axis=-1)
        root = np.sqrt(weight)[:, None]
        by_course = course @ np.linalg.lstsq(root * course, root * wanted, rcond=None)[0]
        if float(weight @ np.sum((wanted - by_course) ** 2, axis=1)) < left:
            return None
    ratio = max(1.0, left / (2 * max(1, len(shifts) - 1)))
    return count, replace(jump, information=jump.information / ratio, pull=jump.pull / ratio)


@dataclass(frozen=True, kw_only=True)
class _Points:
    """N points of the stripes' mean where that is steep.

    Attributes
    ----------
    row, column : (N,) of the reduced pictures.
    reduced : camera pixels along a side of one of theirs.
    part : (N,) of the picture.
    moved : (N, MOTION) light by one of each field, camera pixels. Black, which is taken off the mean, was seen before
        the jump: so these are slopes of both.
    aside : (n, MOTION, 2) shift of some of them by one of each field.
    beside : (N, 2 parts) light by one of each part's gain, and of its offset.
    black : (N,) light that is no frame's.
    light_of_code : float32
    shared : how many of them count as one, since smoothing spreads noise.
    """

    row: NDArray[np.intp]
    column: NDArray[np.intp]
    reduced: int
    part: NDArray[np.int64]
    moved: Array
    aside: Array
    beside: Array
    black: Array
    light_of_code: Picture
    shared: float

    @staticmethod
    def chosen(
        shown: Sequence[Codes], grey: list[int], stripes: NDArray[np.intp], black: int, light_of_code: Array
    ) -> "_Points | None":
        """From the photographs (F,) of all frames; None where hardly anything is steep."""
        reduced = max(1, round(np.sqrt(shown[0].size / _PIXELS)))
        reduced = reduced if reduced < _MEAN_OF else _MEAN_OF * round(reduced / _MEAN_OF)
        table = light_of_code.astype(np.float32)
        dark = _picture(shown[black], table, reduced)
        mean = np.mean([_picture(shown[row], table, reduced) for row in stripes], axis=0)
        full, used = np.iinfo(shown[0].dtype).max, [shown[row] for row in (*grey, *stripes)]
        burnt = np.max([_thin(photo, reduced) == full for photo in used], axis=0).astype(np.uint8)
        free = cv2.dilate(_means(burnt, mean.shape), np.ones((_MARGIN_PX, _MARGIN_PX))) == 0
        slopes_of_mean = slopes(mean)
        found = steep_places(slopes_of_mean, free, _POINTS)
        if found is None:
            return None
        row, column, step = found
        place = np.stack([column, row], axis=-1).astype(float)
        slope = np.stack([one[row, column] for one in slopes_of_mean], axis=-1) / reduced
        fields = motion_fields(relative_places(place, mean.shape))
        part = parts_of(place, _PARTS_ACROSS)
        here = part[:, None] == np.arange(_PARTS_ACROSS**2)
        lit = (mean - dark)[row, column].astype(float)
        return _Points(
            row=row,
            column=column,
            reduced=reduced,
            part=part,
            moved=-np.einsum("nsd,nd->ns", fields, slope),
            aside=fields[:: max(1, len(fields) // _ASIDE)],
            beside=np.column_stack([here * lit[:, None], here]),
            black=dark[row, column].astype(float),
            light_of_code=table,
            shared=max(1.0, 4.0 * np.pi * _SMOOTHING_PX**2 / step**2),
        )

    def shift(self, photo: Codes) -> _Shift:
        """Of a uniform frame."""
        value = self._value(photo)
        brighter = self._brighter(value)
        return self._shift(np.column_stack([brighter * self.moved, self.beside]), value, MOTION, brighter)

    def dissent(self, photos: Sequence[Codes], shift: _Shift) -> bool:
        """Do several parts of the picture clearly want another shift?"""
        left = []
        for photo in photos:
            value = self._value(photo)
            gain = self._brighter(value)
            left.append((gain, value - gain * (self.moved @ shift.solved[0])))
        most_px, wrong = _DISSENT_PX + _DISSENT * shift.length_px, 0
        for part in range(_PARTS_ACROSS**2):
            here = self.part == part
            if np.count_nonzero(here) < _FEWEST_IN_PART:
                continue
            beside = self.beside[here][:, [part, _PARTS_ACROSS**2 + part]]
            wants = []
            for gain, value in left:
                effects = np.column_stack([gain * self.moved[here][:, :2], beside])
                wants.append(self._shift(effects, value[here], 2, gain))
            own = _together(wants)
            wrong += own.length_px > most_px + _DISSENT_SIGMAS * own.sigma_px
        return wrong > _MOST_DISSENT

    def _value(self, photo: Codes) -> Array:
        return _picture(photo, self.light_of_code, self.reduced)[self.row, self.column] - self.black

    def _brighter(self, value: Array) -> float:
        """By how much a frame is brighter than the stripes' mean."""
        lit = self.beside[:, : _PARTS_ACROSS**2].sum(axis=1)
        return float(np.cov(lit, value)[0, 1] / np.var(lit, ddof=1))

    def _shift(self, effects: Array, value: Array, fields: int, brighter: float) -> _Shift:
        """Of the first so many effects, whatever the others are; robust."""
        weight = np.ones(len(value))
        for _ in range(_PASSES):
            weighted = effects * weight[:, None]
            normal, pull = weighted.T @ effects, weighted.T @ value
            left = value - effects @ (np.linalg.pinv(normal, hermitian=True) @ pull)
            usual = SIGMA_PER_MEDIAN * float(np.median(np.abs(left))) + 1e-9
            weight = huber_weights(np.abs(left) / usual, _OUTLIER)
        mixed = normal[:fields, fields:] @ np.linalg.pinv(normal[fields:, fields:], hermitian=True)
        scale = usual**2 * self.shared
        return _Shift(
            information=(normal[:fields, :fields] - mixed @ normal[fields:, :fields]) / scale,
            pull=(pull[:fields] - mixed @ pull[fields:]) / scale,
            aside=self.aside[:, :fields],
            brighter=brighter,
        )


def _picture(photo: Codes, light_of_code: Picture, reduced: int) -> Picture:
    """Smooth light (h, w) of a photograph (H, W)."""
    light = light_of_code[_thin(photo, reduced)]
    side = min(reduced, _MEAN_OF)
    return smooth(_means(light, (light.shape[0] // side, light.shape[1] // side)), _SMOOTHING_PX)


def _thin(photo: Codes, reduced: int) -> Codes:
    step = max(1, reduced // _MEAN_OF)
    return photo[::step, ::step]


def _means(image: NDArray[np.float32] | NDArray[np.uint8], shape: tuple[int, ...]) -> Picture:
    """Over squares of a whole number of pixels; what is left over at the ends is left out."""
    height, width = shape[:2]
    side = image.shape[0] // height
    whole = image[: height * side, : width * side].astype(np.float32)
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), np.float32)
