"""The result of decoding."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.checks.modulation import Modulation
from rigwarp.decode.signal.harmonics import HarmonicError
from rigwarp.decode.signal.noise import Noise
from rigwarp.decode.signal.response import Response

Rounded = NDArray[Any]
"""float32: a 4K scan has many pixels. Positions are rounded by 1e-4 px at most, a three hundredth of their noise."""


class Reason(IntEnum):
    """Why a camera pixel has no projector position."""

    OK = 0
    TOO_DARK = 1
    SATURATED = 2
    INCONSISTENT = 3
    """Phases or amplitudes of the periods contradict each other, here or all around: two light paths, most often."""
    OUTSIDE = 4
    STRAY = 5
    """Decoded well by itself, but far from what its neighbours see."""
    MOVED = 6
    """The frames that were shown twice differ here as a shift makes them: something moved during the scan."""
    FOLDED = 7
    """Among light that folds over itself, where what decodes is an island in what does not; or smeared beyond use."""
    PASSED_BY = 8
    """Something passed by: light differs between frames (shadow, reflection, person) and nothing has shifted."""


CurveWaves = tuple[Collection[float], Collection[float]]
"""Frequencies along u and along v, cycles per projector pixel."""
LEFT = ("motion", "light", "bands", "curve")
"""What is taken out of a scan and leaves an error that samples share: of each a scan has a `…_sigma_px`."""


@dataclass(frozen=True, kw_only=True)
class Decoded:
    """What each camera pixel sees; all arrays (H, W) of the camera.

    Attributes
    ----------
    u_px, v_px : projector position, float32; NaN where there is none.
    sigma_u_px, sigma_v_px : 1-sigma of it, float32, each pixel by itself: what neighbours share stands beside.
    reason : Reason of each pixel, uint8.
    light : linear light of white minus black, share of full scale, float32; NaN where not decoded.
    chi2 : misfit of the phases and amplitudes of both axes, float32; NaN where not decoded.
    response, noise : what was learnt about the chain.
    harmonics : phase error curves per axis, "x" and "y", that were taken out.
    degrees_of_freedom : of chi2.
    moved_share : share of the decodable pixels that something moved at; 0 where the set cannot tell.
    folded : what is wrong where light folds over itself or is smeared beyond use, in words; empty where it is not.
    modulation : how strongly the stripes show, in cells; None where that was not noted.
    corrected : what was wrong with the photographs and was put right, in words.
    recovered : what touched some photographs and was decoded from the others, in words.
    path_px : how far the camera moved meanwhile, which was put right.
    plaid : photograph (H, W) of the picture that scans of single zones have in common, put where the stripes were
        seen; None where there was none.
    processing : what the camera does to its pictures (compression, smoothing, bands) and what to set, in words.
    band_rows : camera rows from band to band of a rolling shutter; NaN where there are none.
    motion_sigma_px : 1-sigma, camera pixels per axis, of a motion of the camera that was taken out: the same for all.
    light_sigma_px, bands_sigma_px : 1-sigma, projector pixels per axis, of changing light and of bands that were taken
        out: neighbours share it.
    curve_sigma_px : 1-sigma, projector pixels per axis, by what is left of the camera's curve where a single period
        cannot tell it: neighbours share it.
    noise_shares : of the usual variance of positions, what is due to mishaps: "processing" for the camera's.
    """

    u_px: Rounded
    v_px: Rounded
    sigma_u_px: Rounded
    sigma_v_px: Rounded
    reason: NDArray[np.uint8]
    light: Rounded
    chi2: Rounded
    response: Response
    noise: Noise
    harmonics: dict[str, HarmonicError]
    degrees_of_freedom: int = 6
    moved_share: float = 0.0
    folded: str = ""
    modulation: Modulation | None = None
    corrected: tuple[str, ...] = ()
    recovered: tuple[str, ...] = ()
    processing: tuple[str, ...] = ()
    path_px: float = 0.0
    plaid: NDArray[np.unsignedinteger] | None = None
    band_rows: float = np.nan
    motion_sigma_px: float = 0.0
    light_sigma_px: float = 0.0
    bands_sigma_px: float = 0.0
    curve_sigma_px: float = 0.0
    noise_shares: Mapping[str, float] = field(default_factory=dict)

    @property
    def valid(self) -> NDArray[np.bool_]:
        """(H, W): True where a position was found."""
        return self.reason == Reason.OK

    @property
    def curve_waves(self) -> CurveWaves:
        """Where what is left of the camera's curve shows: once per period and step."""
        along = [self.harmonics.get(axis) for axis in ("x", "y")]
        u, v = (frozenset(e.order / period for period in e.periods_px) if e else frozenset() for e in along)
        return u, v


def left_px(scans: Sequence[Decoded]) -> dict[str, Any]:
    """What taking mishaps and the curve out of scans left, the worst of them: arguments of `fit_table_map`."""
    left = {f"{name}_px": max(getattr(one, f"{name}_sigma_px") for one in scans) for name in LEFT}
    u, v = zip(*(one.curve_waves for one in scans), strict=True)
    return left | {"curve_waves": (frozenset[float]().union(*u), frozenset[float]().union(*v))}
