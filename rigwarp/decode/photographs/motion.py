"""The camera's way during a scan: little by little, in one jump, or both; told by the stripes themselves.

A shift of one photograph against the others moves its stripes, which change from pixel to pixel much more than anything
else in the picture. One shift of all photographs of one direction of stripes would be another position at all places;
so the way must have a form: even, or standing still but for a jump.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.photographs.even_light import FULL_16
from rigwarp.decode.photographs.light_model import Frames, Seen
from rigwarp.decode.photographs.shared_errors import MOTION, SHARED, SHIFTS, Evidence, motion_fields, shift_px, weigh
from rigwarp.geometry import Array

Codes = NDArray[np.unsignedinteger]

_ROUNDS = 3
_WORTH_TELLING = 15.0  # fall of chi-squared that another part of the way must bring ...
_LEAST_PX = 0.03  # ... and its size
_SECOND_SHARE = 0.03  # of the fall that the first part brought, of which slopes and lenses leave a little
_EXPLAINED = 0.4  # of what a part of the picture wants of a way is left at most once it has it ...
_MOST_DISSENT = 0.26  # ... but for this share of the parts
_FEWEST_BEFORE = 3  # photographs of stripes of each axis before a jump: else only their slant tells its length
_LEFT_SHARE = 0.3  # of what is still left, spread over the photographs
_MOST_PARTS = 2
_LOOSE_PX = 5.0  # prior of shift and turn: what the stripes do not tell must not pass for no motion
_VARYING = 0.3  # prior of what varies over the picture, of the shift in its middle
_ROUGHLY_PX = 0.15  # sigma of a length that hardly any stripe tells
_MOST_SIGMA_PX = 0.04  # above, a way is not known well enough to be taken out


@dataclass(frozen=True, kw_only=True)
class CameraPath:
    """Where the picture was in each of F photographs.

    Attributes
    ----------
    fields : (F, MOTION) of the scene against the first photograph, camera pixels (see `motion_fields`).
    jump : row of the first photograph after a jump; None if there was none.
    jump_px : its length.
    largest_px : largest shift of the picture's middle against the first photograph.
    sigma_px : by which shifts are uncertain, per axis.
    """

    fields: Array
    jump: int | None
    jump_px: float
    largest_px: float
    sigma_px: float

    @property
    def certain(self) -> bool:
        """Is it known well enough to be taken out?"""
        return self.sigma_px < _MOST_SIGMA_PX

    def in_words(self, labels: Sequence[str]) -> str:
        """How the camera moved; `labels` (F,) of the photographs."""
        if self.jump is not None:
            least = "" if self.sigma_px < _ROUGHLY_PX else "at least "
            return (
                f"the camera moved between photographs {labels[self.jump - 1]} and {labels[self.jump]} by "
                f"{least}{self.jump_px:.1f} px of its picture"
            )
        return f"the camera moved little by little during the scan, by {self.largest_px:.2f} px of its picture in all"


def find_path(seen: Seen, frames: Frames) -> CameraPath | None:
    """The simplest way that explains the photographs; None where none is needed, or none explains them.

    One that takes more than an even part and a jump, or two jumps, has an infinite `sigma_px`; so has one with a jump
    before which there are hardly any stripes along one of the axes.
    """
    parts: list[Array] = []
    falls: list[float] = []
    factors: Array = np.zeros((0, MOTION))
    covariance: Array = np.zeros((0, 0))
    while True:
        evidence = weigh(seen, frames, _shared(parts, factors, len(frames.index)), SHIFTS)
        fall, size_px, part = _best_part(evidence, parts, frames)
        least = max(_WORTH_TELLING, _SECOND_SHARE * falls[0] if falls else 0.0)
        if fall < least or size_px < _LEAST_PX:
            break
        falls.append(fall)
        if len(parts) == _MOST_PARTS:
            if not _everywhere(seen, frames, parts, factors):
                return None
            return replace(_path(seen, frames, parts, factors, covariance), sigma_px=np.inf)
        parts = [*parts, part]
        factors, covariance = _refined(seen, frames, parts, np.append(factors, np.zeros((1, MOTION)), axis=0))
        lengths = np.hypot(factors[:, 0], factors[:, 1])
        if lengths.min() < _LEAST_PX:  # what was taken for one before the other was known
            parts = [one for one, length in zip(parts, lengths, strict=True) if length >= _LEAST_PX]
            if not parts:
                return None
            factors, covariance = _refined(seen, frames, parts, factors[lengths >= _LEAST_PX])
            break
    if not parts:
        return None
    path = _path(seen, frames, parts, factors, covariance)
    if not _everywhere(seen, frames, parts, factors):
        return None  # light on several paths contradicts itself, too, but in each part of the picture differently
    left_px = float(np.sqrt(fall / falls[0])) * max(path.largest_px, path.jump_px)
    return replace(path, sigma_px=float(np.hypot(path.sigma_px, _LEFT_SHARE * left_px)))


def _everywhere(seen: Seen, frames: Frames, parts: list[Array], factors: Array) -> bool:
    """Does the way explain what nearly every part of the picture has to say of it?"""
    count = len(frames.index)
    courses, loose = _spread(parts, len(SHIFTS)), np.full(len(SHIFTS) * len(parts), 1.0 / _LOOSE_PX**2)
    explained = []
    for here in seen.parts():
        before, after = (
            weigh(seen.only(here), frames, _shared(parts, some, count), SHIFTS).fitted(courses, loose).fall
            for some in (np.zeros_like(factors), factors)
        )
        explained.append(after < max(_EXPLAINED * before, float(len(loose))))
    return bool(explained) and explained.count(False) <= _MOST_DISSENT * len(explained)


def _shared(parts: list[Array], factors: Array, count: int) -> Array:
    """(F, SHARED) of a way: courses (F,) and factors (parts, MOTION)."""
    found = np.zeros((count, SHARED))
    for part, factor in zip(parts, factors, strict=True):
        found[:, :MOTION] += part[:, None] * factor
    return found


def _best_part(evidence: Evidence, parts: list[Array], frames: Frames) -> tuple[float, float, Array]:
    """By how much one more part of the way lowers chi-squared, its length, and its course (F,)."""
    loose = np.full(len(SHIFTS) * (len(parts) + 1), 1.0 / _LOOSE_PX**2)
    found = []
    for part in _courses(frames):
        fit = evidence.fitted(_spread([*parts, part], len(SHIFTS)), loose)
        length_px = float(np.hypot(*fit.factors.reshape(-1, len(SHIFTS))[-1, :2]))
        found.append((fit.fall, length_px, part))
    return max(found, key=lambda one: one[0])


def _courses(frames: Frames) -> list[Array]:
    """(F,) courses: even, and a jump before each photograph."""
    every = np.arange(len(frames.index))
    even = (frames.index - frames.index[0]) / float(frames.index[-1] - frames.index[0])
    return [even, *((every >= jump).astype(float) for jump in every[1:])]


def _spread(parts: list[Array], unknowns: int) -> Array:
    """(m unknowns, F unknowns): every unknown along every course."""
    return np.concatenate([np.kron(part, np.eye(unknowns)) for part in parts])


def _refined(seen: Seen, frames: Frames, parts: list[Array], factors: Array) -> tuple[Array, Array]:
    """Factors (parts, MOTION) of all fields after some rounds of Gauss and Newton, and their covariance."""
    covariance: Array = np.zeros((0, 0))
    for _ in range(_ROUNDS):
        evidence = weigh(seen, frames, _shared(parts, factors, len(frames.index)), range(MOTION))
        prior, courses = _prior(factors), _spread(parts, MOTION)
        covariance = np.asarray(np.linalg.inv(courses @ evidence.normal @ courses.T + np.diag(prior)))
        step = covariance @ (courses @ evidence.pull - prior * factors.ravel())
        factors = factors + step.reshape(factors.shape)
    return factors, covariance


def _path(seen: Seen, frames: Frames, parts: list[Array], factors: Array, covariance: Array) -> CameraPath:
    fields = _shared(parts, factors, len(frames.index))[:, :MOTION]
    # of the shift of a usual place in a usual photograph of waves
    courses = np.stack(parts)[:, frames.waves]
    usual = np.einsum("mf,nsd->msfnd", courses, motion_fields(seen.aside[::20]))
    usual = usual.reshape(len(covariance), -1)
    variance = np.einsum("mk,ml,lk->k", usual, covariance, usual, optimize=True)
    jumps = [int(np.flatnonzero(part)[0]) for part in parts if np.unique(part).size == 2]
    step = fields[jumps[0]] - fields[jumps[0] - 1] if jumps else np.zeros(MOTION)
    return CameraPath(
        fields=fields,
        jump=jumps[0] if jumps else None,
        jump_px=float(np.hypot(step[0], step[1])),
        largest_px=float(np.hypot(*fields[:, :2].T).max()),
        sigma_px=float(np.sqrt(np.mean(variance))) if _told(frames, jumps) else np.inf,
    )


def _told(frames: Frames, jumps: list[int]) -> bool:
    """Are there enough photographs before every jump?"""
    return all(np.count_nonzero(frames.axis[:jump] == axis) >= _FEWEST_BEFORE for jump in jumps for axis in range(2))


def _prior(factors: Array) -> Array:
    """(parts MOTION,) information on factors (parts, MOTION): what turns a little hardly stretches the picture."""
    loose = np.full(factors.shape, 1.0 / _LOOSE_PX**2)
    size_px = np.hypot(*factors[:, :2].T)
    loose[:, len(SHIFTS) :] = 1.0 / np.maximum(_VARYING * size_px, _LEAST_PX)[:, None] ** 2
    return loose.ravel()


def moved_back(photo: Codes, fields: Array) -> NDArray[np.uint16]:
    """A photograph (H, W) of a scene that lay off by `fields` (MOTION,), moved back; full scale spreads to what it
    touches.

    In 16 bits: hundredths of a pixel are less than half a code of 8, which rounding would take away again.
    """
    from scipy.ndimage import map_coordinates  # not for the player, see decode/signal/noise.py

    full = np.iinfo(photo.dtype).max
    share = np.float32(FULL_16 / full)
    if not fields.any():
        return np.asarray(photo.astype(np.uint16) * np.uint16(FULL_16 // full))
    row, column = np.indices(photo.shape, np.float32)
    place = np.stack([column, row], axis=-1).reshape(-1, 2)
    shift = shift_px(fields, place, photo.shape).astype(np.float32)
    x, y = column + shift[:, 0].reshape(photo.shape), row + shift[:, 1].reshape(photo.shape)
    moved = map_coordinates(photo.astype(np.float32), np.stack([y, x]), order=3, mode="nearest")
    moved = np.clip(np.rint(share * moved), 0, FULL_16 - 1).astype(np.uint16)
    burnt = cv2.dilate((photo == full).astype(np.uint8), np.ones((3, 3)))
    if burnt.any():
        moved[cv2.remap(burnt, x, y, cv2.INTER_NEAREST) > 0] = FULL_16
    return np.asarray(moved)
