"""Decoding a scan as its photographs arrive: which projector position each camera pixel sees, how surely, and why not
where not."""

from collections.abc import Sequence

import numpy as np

from rigwarp.decode.decoded import Decoded
from rigwarp.decode.pixels.exposures import merge_exposures
from rigwarp.decode.pixels.one_exposure import Codes, ExposureDecoder
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
        If the camera sees hardly any pattern, if the rig was moved during the scan, or if hardly anything that it
        sees is single-valued.
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
        self._count = len(patterns.frames)
        self._exposure = [frame.exposure for frame in patterns.frames]
        self._parts = {e: ExposureDecoder(patterns.of_exposure(e)[0]) for e in patterns.exposures}
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
            If black and white are there and hardly differ.
        """
        index = self._taken
        if index >= self._count:
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
            Photographs are missing.
        MeasurementError
            As for `decode`.
        """
        if self._taken != self._count:
            raise InputError(f"{self._taken} photographs for {self._count} pattern frames: scan again")
        found = []
        for exposure, part in self._parts.items():
            if exposure not in self._failed:
                try:
                    found.append(part.finish())
                except MeasurementError as error:
                    self._give_up(exposure, error)
        return merge_exposures(found)

    def _give_up(self, exposure: int, error: MeasurementError) -> None:
        """An exposure that shows nothing matters only if it is the last one left."""
        self._failed[exposure] = error
        if len(self._failed) == len(self._parts):
            raise error
