"""Scans of single zones put where the camera stood in the first of them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigwarp.camera import CameraModel
from rigwarp.decode import Decoded, lay_over
from rigwarp.decode.photographs.bands import band_pictures
from rigwarp.decode.photographs.common_picture import Placed
from rigwarp.decode.signal.response import Response
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray
from rigwarp.rig import Table
from rigwarp.table_map.samples import Samples, join_samples, samples_from_scan

_LEAST_PX = 0.01  # less is left alone
_APART, _APART_SIGMAS = 0.3, 4.0  # powers of the camera's response by two scans; bands make them differ by as much
_AGAIN = "Fix everything and scan again"


@dataclass(frozen=True, kw_only=True)
class ZonePlaces:
    """Where the camera stood in each of K scans.

    Attributes
    ----------
    fields : (K) of them, (MOTION,) each, or None where it stood as in the first.
    in_words : (K) how it had moved; empty where it had not.
    not_proven : why nothing is known of that; empty where it is.
    """

    fields: tuple[Array | None, ...]
    in_words: tuple[str, ...]
    not_proven: str


def zone_places(decoded: Sequence[Decoded]) -> ZonePlaces:
    """Compare the picture that all scans have in common.

    Raises
    ------
    MeasurementError
        If it differs otherwise than by a camera that moved, or the camera moved during a scan and nothing tells where
        it stood for the others.
    """
    found = [None, *(_place(decoded[0], one, number) for number, one in enumerate(decoded[1:], start=2))]
    return ZonePlaces(
        fields=tuple(None if placed is None else placed.fields for placed in found),
        in_words=tuple("" if placed is None else _moved(placed, n) for n, placed in enumerate(found, start=1)),
        not_proven=_unknown(decoded),
    )


def _place(first: Decoded, other: Decoded, number: int) -> Placed | None:
    if first.plaid is None or other.plaid is None:
        return None
    usable = (first.plaid < _full_scale(first.plaid)) & (other.plaid < _full_scale(other.plaid))
    response = _common(first.response, other.response, number)
    # as linear light, to which another light of the room adds
    before, after = _light(first.plaid, response), _light(other.plaid, response)
    # each has bands of its own: those that are taken out of the stripes stay in here
    rows = next((one.band_rows for one in (other, first) if np.isfinite(one.band_rows)), np.nan)
    placed = lay_over(before, after, usable, band_pictures(before, rows))
    if placed is None or not placed.alike:
        raise MeasurementError(
            f"the picture that all zones show together looks different in the scan of the first zone and in that of "
            f"number {number}: the camera moved between them by more than can be put right, or the projector, the "
            f"mirror or the light changed. {_AGAIN}"
        )
    return placed if placed.moved_by(_LEAST_PX) else None


def _light(photo: NDArray[np.unsignedinteger], response: Response) -> NDArray[np.float32]:
    """(H, W) linear light of a photograph, which may have 16 bits where the camera has 8."""
    return replace(response, full_scale=_full_scale(photo)).table().astype(np.float32)[photo]


def _full_scale(photo: NDArray[np.unsignedinteger]) -> int:
    return int(np.iinfo(photo.dtype).max)


def _common(first: Response, other: Response, number: int) -> Response:
    """The camera's, which is one: by the two scans together; MeasurementError where these contradict each other."""
    sigma = float(np.hypot(first.shape_sigma, other.shape_sigma))
    if abs(first.shape - other.shape) > _APART + _APART_SIGMAS * sigma:
        raise MeasurementError(
            f"the scan of the first zone and that of number {number} tell the camera's response differently (a power "
            f"of {first.shape:.1f} and of {other.shape:.1f}): the light of the grey photographs changed or flickered, "
            "maybe in bands (lamps, daylight, mains or projector against a rolling shutter), or the camera's settings "
            "did. Expose for whole periods of both, 1/50 s or 1/25 s (1/60 s or 1/30 s with mains of 60 Hz), keep "
            "lamps, daylight and settings as they are, and scan again"
        )
    weight = other.shape_sigma**2 / sigma**2
    return replace(first, shape=weight * first.shape + (1.0 - weight) * other.shape)


def _moved(placed: Placed, number: int) -> str:
    return (
        f"the camera moved between the scans of the first zone and of number {number} by "
        f"{placed.shift_px:.2f} px of its picture"
    )


def _unknown(decoded: Sequence[Decoded]) -> str:
    if len(decoded) < 2 or all(one.plaid is not None for one in decoded):
        return ""
    path_px = max(one.path_px for one in decoded)
    if path_px:
        raise MeasurementError(
            f"the camera moved by {path_px:.2f} px during the scan of a zone, and these scans hold no picture of all "
            f"zones that would tell where it stood for the others. {_AGAIN}"
        )
    return (
        "nothing tells whether the camera moved between the scans of the mirror's zones, since they hold no picture of "
        "all zones. Scan again, or export the patterns again"
    )


def samples_of_zones(
    decoded: Sequence[Decoded],
    camera: CameraModel,
    table: Table,
    lit: Sequence[BoolArray | None],
    places: ZonePlaces,
) -> Samples:
    """The samples of scans that belong together; `lit` and errors as for `samples_from_scan`."""
    parts = zip(decoded, lit, places.fields, strict=True)
    return join_samples([samples_from_scan(one, camera, table, part, moved=fields) for one, part, fields in parts])
