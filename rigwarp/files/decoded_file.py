"""decoded.npz: which projector position each camera pixel of a scan sees."""

from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode import Decoded, HarmonicError, Modulation, Noise, Reason, Response
from rigwarp.decode.decoded import LEFT, Rounded
from rigwarp.errors import InputError
from rigwarp.files.atomic import write_npz
from rigwarp.files.reading import Field, read_npz
from rigwarp.geometry.threads import in_two_threads

FORMAT = "rigwarp decoded scan"
# Values are kept for the decoded pixels only: a scan rarely fills the camera's picture.
_FIELDS = {
    "pixel": Field(kind="iu", dtype=np.int64, shape=("N",)),
    "u_px": Field(kind="f", dtype=np.float64, shape=("N",)),
    "v_px": Field(kind="f", dtype=np.float64, shape=("N",)),
    "sigma_u_px": Field(kind="f", dtype=np.float64, shape=("N",)),
    "sigma_v_px": Field(kind="f", dtype=np.float64, shape=("N",)),
    "light": Field(kind="f", dtype=np.float64, shape=("N",)),
    "chi2": Field(kind="f", dtype=np.float64, shape=("N",)),
    "reason": Field(kind="iu", dtype=np.uint8, shape=("H", "W")),
}
# Scans decoded before these were noted have none of them.
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
_LEAST = 0.01  # of a variance: what is left when another of rounded numbers is taken off
_PLAID = {"plaid": Field(kind="iu", dtype=np.uint16, shape=("H", "W"))}


def write_decoded(path: Path, decoded: Decoded) -> None:
    """Write a decoded scan."""
    pixel = np.flatnonzero(decoded.valid)
    names = [name for name in _FIELDS if name not in ("pixel", "reason")]
    picked = in_two_threads(lambda name: np.take(getattr(decoded, name), pixel).astype(np.float32, copy=False), names)
    arrays: dict[str, Any] = dict(zip(names, picked, strict=True))
    pixel = pixel.astype(np.int32 if decoded.reason.size < 1 << 31 else np.int64, copy=False)
    if decoded.modulation is not None:
        arrays |= {f"modulation_{name}": values for name, values in vars(decoded.modulation).items()}
    if decoded.plaid is not None:
        arrays["plaid"] = decoded.plaid
    header = {
        "response": asdict(decoded.response),
        "noise": asdict(decoded.noise),
        "harmonics": {axis: asdict(error) for axis, error in decoded.harmonics.items()},
        "degrees_of_freedom": decoded.degrees_of_freedom,
        "moved_share": decoded.moved_share,
        "folded": decoded.folded,
        "corrected": list(decoded.corrected),
        "recovered": list(decoded.recovered),
        "processing": list(decoded.processing),
        "path_px": decoded.path_px,
        **{f"{name}_sigma_px": getattr(decoded, f"{name}_sigma_px") for name in LEFT},
        "noise_shares": dict(decoded.noise_shares),
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

    def picture(name: str) -> Rounded:
        image = np.full(reason.shape, np.nan, np.float32)
        image.ravel()[pixel] = arrays[name]
        return image

    try:
        learnt = header["response"]
        response = Response(
            shape=float(learnt["shape"]),
            shape_sigma=float(learnt["shape_sigma"]),
            full_scale=int(learnt["full_scale"]),
            level_codes=np.asarray(learnt["level_codes"], float),
            level_light=np.asarray(learnt["level_light"], float),
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
        # scans decoded before these were noted have none of them
        freedom = int(header.get("degrees_of_freedom", 6))
        moved_share, folded = float(header.get("moved_share", 0.0)), str(header.get("folded", ""))
        path_px = float(header.get("path_px", 0.0))
        corrected, recovered, processing = (
            tuple(str(text) for text in header.get(name, ())) for name in ("corrected", "recovered", "processing")
        )
        shared = {f"{name}_sigma_px": float(header.get(f"{name}_sigma_px", 0.0)) for name in LEFT}
        noise_shares = {str(name): float(share) for name, share in header.get("noise_shares", {}).items()}
        if (by_light := noise_shares.pop("light", 0.0)) > 0.0:
            arrays |= {name: _without(shared["light_sigma_px"], arrays[name]) for name in ("sigma_u_px", "sigma_v_px")}
            noise_shares = {name: share / max(1.0 - by_light, _LEAST) for name, share in noise_shares.items()}
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(f"{path}: the header is incomplete ({error!r}). Scan again: rigwarp scan RIG") from None
    plaid = arrays.get("plaid")
    return Decoded(
        u_px=picture("u_px"),
        v_px=picture("v_px"),
        sigma_u_px=picture("sigma_u_px"),
        sigma_v_px=picture("sigma_v_px"),
        reason=reason,
        light=picture("light"),
        chi2=picture("chi2"),
        response=response,
        noise=noise,
        harmonics=harmonics,
        degrees_of_freedom=freedom,
        moved_share=moved_share,
        folded=folded,
        corrected=corrected,
        recovered=recovered,
        processing=processing,
        path_px=path_px,
        plaid=None if plaid is None else plaid.astype(np.uint8 if response.full_scale == 255 else np.uint16),
        **shared,
        noise_shares=noise_shares,
        modulation=_modulation(arrays),
    )


def _without(light_px: float, sigma_px: NDArray[Any]) -> NDArray[Any]:
    """(N,) sigmas of single positions, from those of before what changing light leaves stood beside them."""
    return np.sqrt(np.maximum(sigma_px**2 - light_px**2, _LEAST * sigma_px**2))


def _modulation(arrays: Mapping[str, NDArray[Any]]) -> Modulation | None:
    if not all(name in arrays for name in _MODULATION):
        return None
    return Modulation(**{name.removeprefix("modulation_"): arrays[name] for name in _MODULATION})
