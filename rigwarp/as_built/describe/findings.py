"""What a deviation means in a workshop: likely causes and remedies, as hints, and how far it moves the picture."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigwarp.as_built.describe.defects import Defect
from rigwarp.as_built.describe.form import ZernikeTerm
from rigwarp.as_built.describe.panels import Fold, Panel
from rigwarp.as_built.describe.radius import BuiltRadius
from rigwarp.as_built.describe.ripple import Ripple
from rigwarp.as_built.describe.workshop_hints import workshop_hint
from rigwarp.as_built.fine_ripple.estimate import FineRipple

_SURE = 2.0  # sigmas from zero
_MOST_OF_ALL = 1.2  # of the whole deviation's rms: on a disk no term has more than all of it, but for its rim
_WORTH_MM = 0.1  # on the table: less is not worth a workshop's time
_TWICE = 2.0  # a mirror turned by a turns the light by 2 a
_POWERLESS = "the prewarp takes care of it"
_BLURS = "the prewarp cannot take it away: it costs resolution, what is finer than that runs together"
_LOST = "the prewarp takes care of the shift, not of light and sharpness lost there"


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One finding in workshop words.

    Attributes
    ----------
    what : what was found, with its size.
    cause, remedy : hints from common practice.
    moves_mm : how far it moves the picture at most places where it acts (rms over the mirror for forms, the largest
        for dents and ripple).
    prewarp : whether the warp already takes care of it.
    effect : what `moves_mm` is; light that is spread instead is moved one way and the other by so much (rms).
    """

    what: str
    cause: str
    remedy: str
    moves_mm: float
    prewarp: str
    effect: str = "moves the picture by"


@dataclass(frozen=True, kw_only=True)
class Unmodelled:
    """Errors that neighbours share: how far on the mirror, what they move on the table, and what they do to sigmas."""

    reach_mm: float
    moves_mm: float
    widened: float


def findings_of(
    *,
    zernike: Sequence[ZernikeTerm],
    power_determined: bool,
    rms_um: float,
    radius_mm: float,
    folds: Sequence[Fold],
    panels: Sequence[Panel],
    defects: Sequence[Defect],
    ripple: Ripple | None,
    fine_ripples: Sequence[FineRipple] = (),
    radius: BuiltRadius | None = None,
    way_mm: float,
    unmodelled: Unmodelled | None = None,
) -> tuple[Finding, ...]:
    """Findings that are sure and move the picture by more than 0.1 mm, the largest first.

    Parameters
    ----------
    rms_um : of the whole deviation.
    radius_mm : of the Zernike disk.
    radius : of curvature, where it is known.
    unmodelled : what no form explains, where that is much.
    way_mm : typical way of the light from the mirror to the table: a slope s moves the picture by 2 s times that.
    """
    if not power_determined:
        zernike = [term for term in zernike if (term.n, term.m) != (2, 0)]
    found = _panels(panels, folds, way_mm) if panels else _forms(zernike, rms_um, radius, radius_mm, way_mm)
    for defect in defects:
        moves = _TWICE * 1e-3 * defect.slope_mrad * way_mm
        kind = "dent" if defect.depth_um < 0.0 else "bump"
        where = f"x = {defect.x_mm:.0f}, y = {defect.y_mm:.0f} mm"
        found.append(
            Finding(
                what=f"{kind} of {abs(defect.depth_um):.1f} µm, {defect.width_mm:.0f} mm wide, at {where}",
                cause="a knock, dirt in the mould or under the sheet",
                remedy="look at the mould in the mirrored place; polish, or replace the sheet",
                moves_mm=moves,
                prewarp=_LOST,
            )
        )
    if ripple is not None:
        slope = 2.0 * np.pi * ripple.amplitude_um / ripple.period_mm
        found.append(
            Finding(
                what=f"ripple of {ripple.amplitude_um:.2f} µm every {ripple.period_mm:.1f} mm along "
                f"{ripple.direction_deg:.0f}°",
                cause="print layers, or the stepover of a mill",
                remedy="lower layers or a smaller stepover; smooth the mould before it is used",
                moves_mm=_TWICE * 1e-3 * slope * way_mm,
                prewarp=_LOST,
            )
        )
    found += [_fine(one) for one in fine_ripples]
    worth = [finding for finding in found if finding.moves_mm > _WORTH_MM]
    listed = sorted(worth, key=lambda finding: -finding.moves_mm)
    return (*([] if unmodelled is None else [_unmodelled(unmodelled)]), *listed)


def _unmodelled(left: Unmodelled) -> Finding:
    return Finding(
        what=f"unevenness that no form explains, alike within {left.reach_mm:.1f} mm on the mirror: 1-sigmas of all "
        f"forms are {left.widened:.0f} times as wide as without it",
        cause="ripple, print layers, haze or dirt; or something moved, or light changed, during the scan",
        remedy="look at the mirror in grazing light; fix everything and scan again",
        moves_mm=left.moves_mm,
        prewarp="the prewarp takes care of what of it is coarse",
    )


def _fine(ripple: FineRipple) -> Finding:
    directions = " or ".join(f"{d:.0f}°" for d in (ripple.direction_deg, *ripple.also_possible_deg))
    return Finding(
        what=f"estimate: ripple finer than the beam, of slopes of {ripple.slope_rms_mrad:.1f} mrad rms (1-sigma "
        f"{ripple.slope_rms_sigma_mrad:.1f}) along {directions} (1-sigma {ripple.direction_sigma_deg:.0f}), "
        f"{ripple.amplitude_um:.2f} µm if every {ripple.assumed_pitch_mm:.1f} mm",
        cause="print layers or tool marks finer than the projector's beam is wide; an astigmatic projector lens looks "
        "alike (then a sheet of paper held into the beam shows one direction of stripes blurred, too)",
        remedy="lower layers; sand, polish or coat the mould before it is used",
        moves_mm=ripple.spread_mm,
        prewarp=_BLURS,
        effect="spreads the light of a pixel to either side by",
    )


def _forms(
    zernike: Sequence[ZernikeTerm], rms_um: float, radius: BuiltRadius | None, radius_mm: float, way_mm: float
) -> list[Finding]:
    """Terms of one kind together: astigmatism is one finding, whichever way it lies.

    On a light that is no disk the terms are not independent. One that is larger than the whole deviation is only there
    to undo others, and means nothing to a workshop.
    """
    size: dict[tuple[int, int], tuple[float, float]] = {}
    for term in zernike:
        key = (term.n, abs(term.m))
        hint = workshop_hint(*key)
        if hint is not None and hint.remedy:
            um, sigma = size.get(key, (0.0, 0.0))
            size[key] = float(np.hypot(um, term.um)), max(sigma, term.sigma_um)
    found = []
    for key, (um, sigma) in size.items():
        hint = workshop_hint(*key)
        if hint is not None and _SURE * sigma < um < _MOST_OF_ALL * rms_um:
            name = hint.name if key != (2, 0) or radius is None else _radius_off(radius)
            # rms slope of a term over the disk: sqrt(2 n (n + 1)) c / a for |m| = n, at least that for the others
            slope = np.sqrt(2.0 * key[0] * (key[0] + 1)) * um / radius_mm * 1e-3
            found.append(
                Finding(
                    what=f"{name}: {um:.1f} µm rms (1-sigma {sigma:.1f})",
                    cause=hint.cause,
                    remedy=hint.remedy,
                    moves_mm=float(_TWICE * slope * way_mm),
                    prewarp=_POWERLESS,
                )
            )
    return found


def _radius_off(radius: BuiltRadius) -> str:
    design, built = abs(radius.design_mm), abs(radius.built_mm)
    how = "flatter" if radius.flatter > 0.0 else "rounder"
    return (
        f"radius {100 * abs(radius.flatter):.1f} % {how}, {built:.1f} mm (1-sigma {radius.sigma_mm:.1f}) instead of "
        f"{design:g}"
    )


def _panels(panels: Sequence[Panel], folds: Sequence[Fold], way_mm: float) -> list[Finding]:
    found = []
    for fold in folds:
        if abs(fold.opened_deg) > _SURE * fold.sigma_deg:
            what = "opened" if fold.opened_deg > 0.0 else "closed"
            found.append(
                Finding(
                    what=f"fold between panels {fold.zones[0]} and {fold.zones[1]} {what} by "
                    f"{abs(fold.opened_deg):.3f}° (1-sigma {fold.sigma_deg:.3f})",
                    cause="springback of the bend" if fold.opened_deg > 0.0 else "bent too far",
                    remedy="bend further by that angle" if fold.opened_deg > 0.0 else "bend less by that angle",
                    moves_mm=float(_TWICE * np.deg2rad(abs(fold.opened_deg) / 2.0) * way_mm),
                    prewarp=_POWERLESS + ", as long as the halves still meet",
                )
            )
    for panel in panels:
        for name, um, sigma, size in (
            ("bent along x", panel.bend_um[0], panel.bend_sigma_um[0], panel.size_mm[0]),
            ("bent along y", panel.bend_um[1], panel.bend_sigma_um[1], panel.size_mm[1]),
            ("twisted", panel.twist_um, panel.twist_sigma_um, float(np.min(panel.size_mm))),
        ):
            if abs(um) > _SURE * sigma:
                found.append(
                    Finding(
                        what=f"panel {panel.zone} {name} by {um:.1f} µm (1-sigma {sigma:.1f})",
                        cause="stress from the fold, or a base that is not flat",
                        remedy="support the panel on a flat base, or use thicker sheet",
                        moves_mm=float(_TWICE * 4.0 * abs(um) * 1e-3 / float(size) * way_mm),
                        prewarp=_POWERLESS,
                    )
                )
    return found
