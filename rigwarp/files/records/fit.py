"""fit.json: how well the table map fits its scan; and what map.npz says of its own origin."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from rigwarp.files.records.record import Block, Distances, Flag, Number, Numbers, Part, Record, Text, Texts, finite


@dataclass(frozen=True, kw_only=True)
class MapOrigin(Part):
    """The header of map.npz: hash of the rig it was made for, and the scan, or scans joined by " + "."""

    rig_hash: Text = None
    scan: Text = None


@dataclass(frozen=True, kw_only=True)
class RippleRecord(Part):
    """A regular ripple of the mirror as it shows in the map, see `MapRipple`."""

    zone: Number = None
    period_px: Number = None
    direction_deg: Number = None
    period_mm: Number = None
    direction_on_mirror_deg: Number = None
    amplitude_mm: Number = None
    turns_deg: Number = None
    share: Number = None


@dataclass(frozen=True, kw_only=True)
class MapFigures(Distances):
    """Residuals of samples held out of the fit, mm; share of the lit content that measurements support; z-spread.

    `not_proven` says where the stated sigma does not cover them; empty or None where it does. `ripples` are what the
    map follows of the mirror's regular ripple.
    """

    coverage: Number = None
    z_spread: Number = None
    z_spread_of_noise: Number = None
    not_proven: str | None = None
    ripples: tuple[RippleRecord, ...] = ()


@dataclass(frozen=True, kw_only=True)
class RegistrationRecord(Part):
    """Design against samples before and after a rigid move of projector and mirror, and that move."""

    rms_before_mm: Number = None
    rms_after_mm: Number = None
    shifts: Block = None


@dataclass(frozen=True, kw_only=True)
class VerdictRecord(Part):
    """What speaks against a result: `state` in words, and whether somebody made it current all the same."""

    state: Text = None
    failures: Texts = ()
    not_proven: Texts = ()
    accepted: Flag = None


@dataclass(frozen=True, kw_only=True)
class BorderRecord(Part):
    """Where two zones of the mirror meet as built, against the registered design.

    `offset_mm` on the mirror and `offset_px` in the projector picture: the middle of the line beside the designed one,
    positive towards the second zone; `turned_deg` how much it is turned; `largest_px` the most anywhere. `jump_mm`:
    how far apart the zones send light there. `told` False: too little to find the line, the designed one is used.
    """

    zones: Numbers = None
    told: bool | None = None
    offset_mm: Number = None
    turned_deg: Number = None
    offset_px: Number = None
    largest_px: Number = None
    sigma_px: Number = None
    jump_mm: Number = None


@dataclass(frozen=True, kw_only=True)
class FitRecord(Record):
    """fit.json.

    Attributes
    ----------
    table_map, registration : figures of the map and of where its fit began.
    borders : of a mirror of several zones.
    samples, decode : how many samples there were and were used; what the decoder did, per scan where there are several.
    seconds : time taken, by stage.
    camera : what older results say of their camera.
    corrected : for a result made from an earlier one: which, and what was done.
    verdict : what speaks against the result.
    """

    FORMAT: ClassVar[str] = "rigwarp fit"

    table_map: MapFigures | None = None
    registration: RegistrationRecord | None = None
    borders: tuple[BorderRecord, ...] = ()
    samples: Block = None
    decode: Block = None
    seconds: Block = None
    camera: Block = None
    corrected: Block = None
    verdict: VerdictRecord | None = None

    @property
    def scans(self) -> list[Mapping[str, Any]]:
        """What the decoder did, scan by scan."""
        decode = self.decode or {}
        listed = [one for name, one in decode.items() if name.startswith("scan ") and isinstance(one, Mapping)]
        return listed or [decode]

    @property
    def response_shape(self) -> float | None:
        """Shape of the camera's response as the (first) scan measured it; None where the file does not tell."""
        shape = finite(self.scans[0].get("response_shape"))
        return None if math.isnan(shape) else float(shape)

    @property
    def motion_sigma_px(self) -> float:
        """1-sigma of a motion of the camera that was taken out, camera pixels: of the worst scan."""
        return float(max(np.nan_to_num(finite(scan.get("motion_sigma_px"))) for scan in self.scans))

    @property
    def noise_shares(self) -> dict[str, float]:
        """Of the variance of decoded positions, what mishaps are to blame for: mean over the scans."""
        parts = [shares for scan in self.scans if isinstance(shares := scan.get("noise_shares"), Mapping)]
        names = {str(name) for shares in parts for name in shares}
        return {
            name: float(np.clip(np.mean([np.nan_to_num(finite(s.get(name))) for s in parts]), 0.0, 1.0))
            for name in names
        }

    @property
    def put_right(self) -> tuple[str, ...]:
        """What was wrong with the photographs and was put right, in words."""
        listed = [told for scan in self.scans if isinstance(told := scan.get("corrected"), list | tuple)]
        return tuple(dict.fromkeys(text for told in listed for text in told if isinstance(text, str)))
