"""Decoding a scan as its photographs arrive: which projector position each camera pixel sees, how surely, and why not
where not."""

from collections.abc import Sequence

import numpy as np

from rigwarp.decode.decoded import Decoded
from rigwarp.decode.photographs.order import Order, countable, find_order
from rigwarp.decode.photographs.wrong_photographs import WrongPhotographs
from rigwarp.decode.pixels.camera_response import Codes
from rigwarp.decode.pixels.exposures import merge_exposures
from rigwarp.decode.pixels.one_exposure import ExposureDecoder
from rigwarp.errors import InputError, MeasurementError
from rigwarp.patterns import PatternSet


def decode(photos: Sequence[Codes], patterns: PatternSet) -> Decoded:
    """Decode the photographs of a pattern set.

    Parameters
    ----------
    photos : (H, W) uint8 or uint16 each
        One per frame of `patterns`, in the same order.
    patterns : what was shown.

    Raises
    ------
    InputError
        If the photographs do not match the set or each other.
    MeasurementError
        If the camera sees hardly any pattern, if photographs show other patterns than their own, if the rig was moved
        during the scan, or if hardly anything that it sees is single-valued.
    """
    if len(photos) != len(patterns.frames):
        raise InputError(
            f"{len(photos)} photographs for {len(patterns.frames)} pattern frames: one photograph is needed per frame"
        )
    decoder = Decoder(patterns)
    for photo in photos:
        decoder.add(photo)
    return decoder.finish()


class Decoder:
    """Takes the photographs one by one and decodes them after the last.

    A wrong photograph is refused when it comes, and a scan that shows nothing as soon as its references are there.
    Several exposures of the set are decoded one by one and merged.
    """

    def __init__(self, patterns: PatternSet) -> None:
        self._patterns = patterns
        self._count = len(patterns.frames)
        self._exposure = [frame.exposure for frame in patterns.frames]
        self._parts = {
            e: ExposureDecoder(part, [photograph_label(n) for n in numbers])
            for e in patterns.exposures
            for part, numbers in [patterns.of_exposure(e)]
        }
        self._failed: dict[int, MeasurementError] = {}
        self._taken = 0
        self._like: Codes | None = None

    def add(self, photo: Codes) -> None:
        """The photograph of the next frame.

        Raises
        ------
        InputError
            If it is of another size or type than the first, or one too many.
        MeasurementError
            If black and white are there and hardly differ, or if with one too many an earlier one is there twice.
        """
        index = self._taken
        if index >= self._count:
            self._name_miscounted(photo)
            raise InputError(f"photograph {index:04d} is one more than the {self._count} pattern frames")
        like = photo if self._like is None else self._like
        if photo.shape != like.shape or photo.dtype != like.dtype:
            raise InputError(
                f"photograph {index:04d} is {photo.shape[::-1]} {photo.dtype}, the first one is {like.shape[::-1]} "
                f"{like.dtype}: take all of them with the same camera settings"
            )
        if photo.dtype not in (np.uint8, np.uint16) or photo.ndim != 2:
            raise InputError(f"photograph {index:04d} is {photo.dtype} {photo.shape}: grey of 8 or 16 bits is expected")
        self._like = like
        self._taken += 1
        exposure = self._exposure[index]
        if exposure not in self._failed:
            try:
                self._parts[exposure].add(photo)
            except MeasurementError as error:
                self._give_up(exposure, error)

    def finish(self) -> Decoded:
        """Decode.

        Raises
        ------
        InputError
            Photographs are missing, and nothing tells which.
        MeasurementError
            As for `decode`, or it is known which photographs are missing.
        """
        if self._taken != self._count:
            self._name_miscounted()
            raise InputError(f"{self._taken} photographs for {self._count} pattern frames: scan again")
        found = []
        for exposure, part in self._parts.items():
            if exposure not in self._failed:
                try:
                    found.append(part.finish())
                except MeasurementError as error:
                    self._give_up(exposure, error)
        return merge_exposures(found)

    def _name_miscounted(self, *more: Codes) -> None:
        """WrongPhotographs where it is known which of them are missing, or there twice; `more` are too many."""
        if len(self._parts) > 1 or self._failed:
            return
        photos = [*self._parts[self._exposure[0]].photos, *more]
        order = order_of(photos, self._patterns) if all(p.shape == photos[0].shape for p in photos) else None
        if order is not None and order.certain and (not more or order.twice):
            raise WrongPhotographs(order, [photograph_label(n) for n in range(len(photos))])

    def _give_up(self, exposure: int, error: MeasurementError) -> None:
        """An exposure that shows nothing matters only if it is the last one left."""
        self._failed[exposure] = error
        if len(self._failed) == len(self._parts):
            raise error


def photograph_label(index: int) -> str:
    """How messages call a photograph of a scan: counted from 1, with the number of its pattern and file."""
    return f"{index + 1} ({index:04d})"


def order_of(photos: Sequence[Codes], patterns: PatternSet) -> Order | None:
    """Which patterns the photographs of a set of one exposure show; None where their number is far off."""
    if len(photos) != len(patterns.frames) and not countable(len(photos), len(patterns.frames)):
        return None
    return find_order(photos, patterns)
