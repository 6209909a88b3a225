"""Several exposures of one pattern set: what is too dark in one and burnt out in another is read where it is good."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rigwarp.decode.decoded import LEFT, Decoded, Reason, Rounded
from rigwarp.geometry import Array

_CONTRADICTION_SIGMAS = 6.0
_CONTRADICTION_PX = 0.05  # beside noise: the response curve is never known perfectly
_UNUSABLE = (Reason.TOO_DARK, Reason.SATURATED)


def merge_exposures(found: Sequence[Decoded]) -> Decoded:
    """Positions averaged with their inverse variances, which is optimal for independent noise.

    A pixel that one exposure sees well enough to find it inconsistent stays so, whatever the others say. Light is in
    units of the exposure that decodes the most pixels; that one's response and noise are kept.

    Parameters
    ----------
    found : of the same camera, at least one.
    """
    if len(found) == 1:
        return found[0]
    main = max(found, key=lambda d: int(np.count_nonzero(d.valid)))
    reason = np.stack([d.reason for d in found])
    objection = np.where(np.isin(reason, _UNUSABLE), Reason.OK, reason).max(axis=0)
    unusable = reason.max(axis=0)
    any_good = (reason == Reason.OK).any(axis=0)
    verdict = np.where(objection != Reason.OK, objection, np.where(any_good, Reason.OK, unusable)).astype(np.uint8)
    verdict[(verdict == Reason.OK) & _contradict(found)] = Reason.INCONSISTENT
    good = verdict == Reason.OK
    u, sigma_u = _average([d.u_px for d in found], [d.sigma_u_px for d in found])
    v, sigma_v = _average([d.v_px for d in found], [d.sigma_v_px for d in found])
    light, _ = _average([_rescaled(d, main) for d in found], [d.sigma_u_px for d in found])
    best = np.argmin(np.stack([np.where(d.valid, d.sigma_u_px, np.inf) for d in found]), axis=0)
    chi2 = np.take_along_axis(np.stack([d.chi2 for d in found]), best[None], axis=0)[0]

    def kept(values: Array) -> Rounded:
        return np.where(good, values, np.nan).astype(np.float32)

    return replace(
        main,
        u_px=kept(u),
        v_px=kept(v),
        sigma_u_px=kept(sigma_u),
        sigma_v_px=kept(sigma_v),
        reason=verdict,
        light=kept(light),
        chi2=kept(chi2),
        moved_share=max(d.moved_share for d in found),
        corrected=tuple(dict.fromkeys(text for d in found for text in d.corrected)),
        recovered=tuple(dict.fromkeys(text for d in found for text in d.recovered)),
        processing=tuple(dict.fromkeys(text for d in found for text in d.processing)),
        path_px=max(d.path_px for d in found),
        **{f"{name}_sigma_px": max(getattr(d, f"{name}_sigma_px") for d in found) for name in LEFT},
    )


def _average(values: list[Array], sigmas: list[Array]) -> tuple[Array, Array]:
    """Inverse-variance mean over the exposures that have a value, and its sigma."""
    total, weights = np.zeros(values[0].shape), np.zeros(values[0].shape)
    for value, sigma in zip(values, sigmas, strict=True):
        there = np.isfinite(value)
        weight = 1.0 / sigma[there].astype(float) ** 2
        total[there] += weight * value[there]
        weights[there] += weight
    with np.errstate(divide="ignore", invalid="ignore"):  # no exposure at all: NaN
        return total / weights, 1.0 / np.sqrt(weights)


def _contradict(found: Sequence[Decoded]) -> Array:
    """Where two exposures both have a position and differ beyond their noise."""
    bad = np.zeros(found[0].reason.shape, bool)
    for number, one in enumerate(found):
        for other in found[:number]:
            for a, b, sa, sb in (
                (one.u_px, other.u_px, one.sigma_u_px, other.sigma_u_px),
                (one.v_px, other.v_px, one.sigma_v_px, other.sigma_v_px),
            ):
                bad |= np.abs(a - b) > _CONTRADICTION_SIGMAS * np.hypot(sa, sb) + _CONTRADICTION_PX
    return bad


def _rescaled(one: Decoded, main: Decoded) -> Array:
    """Light in the main exposure's units, by the pixels that both see."""
    both = one.valid & main.valid
    if one is main or not both.any():
        return np.asarray(one.light, float)
    return np.asarray(one.light * float(np.median(main.light[both] / one.light[both])), float)
