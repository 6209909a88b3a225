"""patterns.json and decoded.npz: what a scan shows, and which projector position each camera pixel of it sees."""

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode import Decoded, HarmonicError, Modulation, Noise, Reason, Response
from rigwarp.decode.decoded import LEFT
from rigwarp.errors import InputError
from rigwarp.files.atomic import write_json, write_npz
from rigwarp.files.reading import Field, read_json, read_npz
from rigwarp.geometry.threads import in_two_threads
from rigwarp.patterns import PatternSet

FORMAT = "rigwarp decoded scan"
PATTERNS_FORMAT = "rigwarp patterns"
# Values are kept for the decoded pixels only: a scan rarely fills the camera's picture.
_PICTURES = ("u_px", "v_px", "sigma_u_px", "sigma_v_px", "light", "chi2")
_FIELDS = {
    "pixel": Field(kind="iu", dtype=np.int64, shape=("N",)),
    **dict.fromkeys(_PICTURES, Field(kind="f", dtype=np.float64, shape=("N",))),
    "reason": Field(kind="iu", dtype=np.uint8, shape=("H", "W")),
}
# Scans decoded before these were noted have none of them.
_SHARES = ("moved_share", "path_px", *(f"{name}_sigma_px" for name in LEFT))
_SENTENCES = ("corrected", "recovered", "processing")
_MODULATION = {
    f"modulation_{name}": Field(kind="f", dtype=np.float64, shape=shape)
    for name, shape in {
        "camera_px": ("cells", 2),
        "pixels_px": ("cells", 2),
        "periods_u_px": ("U",),
        "periods_v_px": ("V",),
        "u": ("cells", "U"),
        "v": ("cells", "V"),
    }.items()
}
_EIGHT_BITS = 255
_LEAST = 0.01  # of a variance: what is left when another of rounded numbers is taken off
_PLAID = {"plaid": Field(kind="iu", dtype=np.uint16, shape=("H", "W"))}


def write_patterns(path: Path, patterns: PatternSet) -> None:
    """Write the description of a pattern set."""
    write_json(path, patterns.to_dict(), format=PATTERNS_FORMAT)


def read_patterns(path: Path) -> PatternSet:
    """The pattern set that a scan was made with.

    Raises
    ------
    InputError
        If the file is missing, damaged or foreign, or describes no usable pattern set.
    """
    contents = read_json(path, format=PATTERNS_FORMAT, make_with="Make it with: rigwarp scan RIG --export DIR")
    try:
        return PatternSet.from_dict(contents)
    except InputError as error:
        raise InputError(f"{path}: {error}") from None


def write_decoded(path: Path, decoded: Decoded) -> None:
    """Write a decoded scan."""
    pixel = np.flatnonzero(decoded.valid)
    picked = in_two_threads(
        lambda name: np.take(getattr(decoded, name), pixel).astype(np.float32, copy=False), _PICTURES
    )
    arrays: dict[str, Any] = dict(zip(_PICTURES, picked, strict=True))
    pixel = pixel.astype(np.int32 if decoded.reason.size < 1 << 31 else np.int64, copy=False)
    if decoded.modulation is not None:
        arrays |= {f"modulation_{name}": values for name, values in vars(decoded.modulation).items()}
    if decoded.plaid is not None:
        arrays["plaid"] = decoded.plaid
    header = {
        "response": asdict(decoded.response),
        "noise": asdict(decoded.noise),
        "harmonics": {axis: asdict(error) for axis, error in decoded.harmonics.items()},
        **{name: getattr(decoded, name) for name in ("degrees_of_freedom", "folded", *_SHARES, *_SENTENCES)},
        "noise_shares": dict(decoded.noise_shares),
        "band_rows": decoded.band_rows if np.isfinite(decoded.band_rows) else None,
        "index": "pixel = row * width + column of the camera picture",
    }
    write_npz(path, {"pixel": pixel, "reason": decoded.reason, **arrays}, format=FORMAT, header=header)


def read_decoded(path: Path) -> Decoded:
    """Back from `write_decoded`.

    Raises
    ------
    InputError
        If the file is missing, damaged or foreign.
    """
    arrays, header = read_npz(
        path, _FIELDS, format=FORMAT, make_with="Scan again: rigwarp scan RIG", optional=_MODULATION | _PLAID
    )
    reason, pixel = arrays["reason"], arrays["pixel"]
    if not np.array_equal(pixel, np.flatnonzero(reason == Reason.OK)):
        raise InputError(
            f"{path}: found values at other pixels than those decoded, expected the same. Scan again: rigwarp scan RIG"
        )

    def picture(name: str) -> Any:
        image = np.full(reason.shape, np.nan, np.float32)
        image.ravel()[pixel] = arrays[name]
        return image

    try:
        learnt = header["response"]
        response = Response(
            full_scale=int(learnt["full_scale"]),
            shape=float(learnt["shape"]),
            shape_sigma=float(learnt["shape_sigma"]),
            **{name: np.asarray(learnt[name], float) for name in ("level_codes", "level_light")},
        )
        noise = Noise(floor=float(header["noise"]["floor"]), per_light=float(header["noise"]["per_light"]))
        harmonics = {
            axis: HarmonicError(
                order=e["order"],
                coefficients_turns=np.asarray(e["coefficients_turns"], float),
                periods_px=tuple(float(period) for period in e.get("periods_px", ())),
            )
            for axis, e in header["harmonics"].items()
        }
        freedom, folded = int(header.get("degrees_of_freedom", 6)), str(header.get("folded", ""))
        told: dict[str, Any] = {name: float(header.get(name, 0.0)) for name in _SHARES}
        told |= {name: tuple(str(text) for text in header.get(name, ())) for name in _SENTENCES}
        told["band_rows"] = float(header.get("band_rows") or np.nan)
        noise_shares = {str(name): float(share) for name, share in header.get("noise_shares", {}).items()}
        if (by_light := noise_shares.pop("light", 0.0)) > 0.0:
            arrays |= {name: _without(told["light_sigma_px"], arrays[name]) for name in ("sigma_u_px", "sigma_v_px")}
            noise_shares = {name: share / max(1.0 - by_light, _LEAST) for name, share in noise_shares.items()}
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(f"{path}: the header is incomplete ({error!r}). Scan again: rigwarp scan RIG") from None
    plaid = arrays.get("plaid")
    if plaid is not None and plaid.max(initial=0) <= response.full_scale == _EIGHT_BITS:
        plaid = plaid.astype(np.uint8)  # read with as many bits as it may have
    modulation = {name.removeprefix("modulation_"): arrays[name] for name in _MODULATION if name in arrays}
    return Decoded(
        **{name: picture(name) for name in _PICTURES},
        **told,
        reason=reason,
        response=response,
        noise=noise,
        harmonics=harmonics,
        degrees_of_freedom=freedom,
        folded=folded,
        plaid=plaid,
        noise_shares=noise_shares,
        modulation=Modulation(**modulation) if len(modulation) == len(_MODULATION) else None,
    )


def _without(light_px: float, sigma_px: NDArray[Any]) -> NDArray[Any]:
    """(N,) sigmas of single positions, from those of before what changing light leaves stood beside them."""
    return np.sqrt(np.maximum(sigma_px**2 - light_px**2, _LEAST * sigma_px**2))
