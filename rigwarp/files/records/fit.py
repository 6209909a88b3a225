"""fit.json: how well the table map fits its scan; and what map.npz says of its own origin."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

from rigwarp.files.records.record import Block, Number, Part, Record, Text, finite


@dataclass(frozen=True, kw_only=True)
class MapOrigin(Part):
    """The header of map.npz: hash of the rig it was made for, and the scan, or scans joined by " + "."""

    rig_hash: Text = None
    scan: Text = None


@dataclass(frozen=True, kw_only=True)
class MapFigures(Part):
    """Residuals of samples held out of the fit, mm; share of the lit content that measurements support; z-spread.

    `not_proven` says where the stated sigma does not cover them; empty or None where it does.
    """

    n: Number = None
    rms_mm: Number = None
    p95_mm: Number = None
    max_mm: Number = None
    coverage: Number = None
    z_spread: Number = None
    z_spread_of_noise: Number = None
    not_proven: str | None = None


@dataclass(frozen=True, kw_only=True)
class RegistrationRecord(Part):
    """Design against samples before and after a rigid move of projector and mirror, and that move."""

    rms_before_mm: Number = None
    rms_after_mm: Number = None
    shifts: Block = None


@dataclass(frozen=True, kw_only=True)
class FitRecord(Record):
    """fit.json.

    Attributes
    ----------
    table_map, registration : figures of the map and of where its fit began.
    samples, decode : how many samples there were and were used; what the decoder did, per scan where there are several.
    seconds : time taken, by stage.
    camera : what older results say of their camera.
    corrected : for a result made from an earlier one: which, and what was done.
    """

    FORMAT: ClassVar[str] = "rigwarp fit"

    table_map: MapFigures | None = None
    registration: RegistrationRecord | None = None
    samples: Block = None
    decode: Block = None
    seconds: Block = None
    camera: Block = None
    corrected: Block = None

    @property
    def response_shape(self) -> float | None:
        """Shape of the camera's response as the (first) scan measured it; None where the file does not tell."""
        decode = self.decode or {}
        scan = decode.get("scan 1", decode)
        shape = finite(scan.get("response_shape")) if isinstance(scan, Mapping) else math.nan
        return None if math.isnan(shape) else float(shape)
