"""Scans of single zones put where the camera stood in the first of them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.decode import Decoded, lay_over
from rigwarp.decode.photographs.bands import band_pictures
from rigwarp.decode.photographs.common_picture import Placed
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray
from rigwarp.rig import Table
from rigwarp.table_map.samples import Samples, join_samples, samples_from_scan

_LEAST_PX = 0.01  # less is left alone
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
    usable = (first.plaid < first.response.full_scale) & (other.plaid < other.response.full_scale)
    # as linear light, to which another light of the room adds
    before, after = (one.response.table()[one.plaid].astype(np.float32) for one in (first, other))
    # each has bands of its own: those that are taken out of the stripes stay in here
    rows = next((one.band_rows for one in (other, first) if np.isfinite(one.band_rows)), np.nan)
    placed = lay_over(before, after, usable, band_pictures(before, rows))
    if placed is None or not placed.alike:
        _check_responses(first, other, usable, rows, number)
        raise MeasurementError(
            f"the picture that all zones show together looks different in the scan of the first zone and in that of "
            f"number {number}: the camera moved between them by more than can be put right, or the projector, the "
            f"mirror or the light changed. {_AGAIN}"
        )
    return placed if placed.moved_by(_LEAST_PX) else None


def _check_responses(first: Decoded, other: Decoded, usable: BoolArray, band_rows: float, number: int) -> None:
    """MeasurementError where it is the camera's response, which is one, that two scans tell differently."""
    assert first.plaid is not None, "compared before"
    assert other.plaid is not None, "compared before"
    table = first.response.table().astype(np.float32)
    before = table[first.plaid]
    placed = lay_over(before, table[other.plaid], usable, band_pictures(before, band_rows))
    if placed is not None and placed.alike:
        raise MeasurementError(
            f"the scan of the first zone and that of number {number} tell the camera's response differently (a power "
            f"of {first.response.shape:.1f} and of {other.response.shape:.1f}), and but for that the picture that all "
            "zones show together looks alike: the light of the grey photographs changed or flickered, maybe in bands "
            "(lamps, daylight, mains or projector against a rolling shutter), or the camera's settings did. Expose for "
            "whole periods of both, 1/50 s or 1/25 s (1/60 s or 1/30 s with mains of 60 Hz), keep lamps, daylight and "
            "settings as they are, and scan again"
        )


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
