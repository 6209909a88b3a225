"""What the pre-flight says about scaling: is the picture shown pixel for pixel?"""

from collections.abc import Mapping
from typing import Any, Final

from rigwarp.capture.preflight.findings import PreflightFinding
from rigwarp.decode.checks.finest_stripes import FinestStripes

SCALING: Final = "pixel for pixel"
_HALF_LIGHT = (0.40, 0.46)  # of the finest stripes: below, mixed by scaling; between, a gentle scaler or a filter
_BANDED = 0.03  # of the stripes' light: bands of a scale near one have 0.05 and more
_UNEQUAL = 0.012  # imbalance of opposite stripes: repeated pixels at a scale of 1.05 give 0.02
_TOO_SHARP, _ABOVE_NOISE = 1.6, 0.06  # contrast against what the blur allows: repeated pixels give 3 times as much
_ADVICE = (
    "the picture is scaled on its way. Set the display to the projector's native size, 100 % scaling and no mirroring, "
    "and switch off overscan, zoom, keystone and sharpness in the projector's menu"
)


def about_scaling(by_axis: Mapping[str, FinestStripes]) -> PreflightFinding:
    """Judge the finest stripes of both directions, by the worse of them."""
    light = min(s.light for s in by_axis.values())
    scaled = _scaled(by_axis, light)
    if scaled:
        return PreflightFinding(what=SCALING, severity="stop", text=f"{scaled}: {_ADVICE}", figures=_figures(by_axis))
    told = f"stripes one pixel wide give {light:.2f} of white's light"
    if light < _HALF_LIGHT[1]:
        text = (
            f"{told} where 0.50 is right, evenly: scaled gently, or smoothed. Check that the display runs at the "
            "projector's native size without overscan, use a digital cable, and switch off noise and sharpness filters"
        )
        return PreflightFinding(what=SCALING, severity="remark", text=text, figures=_figures(by_axis))
    kept = min(s.contrast for s in by_axis.values())
    text = f"{told}, evenly: not scaled; the camera sees {kept:.0%} of their contrast, the rest is blur"
    return PreflightFinding(what=SCALING, severity="fine", text=text, figures=_figures(by_axis))


def _scaled(by_axis: Mapping[str, FinestStripes], light: float) -> str:
    """How scaling shows, in words; empty where it does not."""
    imbalance, banding = (max(getattr(s, name) for s in by_axis.values()) for name in ("imbalance", "banding"))
    if light < _HALF_LIGHT[0] or banding > _BANDED:
        bands = f", in bands that differ by {2 * banding:.2f}" if banding > _BANDED else ""
        return f"stripes one pixel wide give {light:.2f} of white's light where 0.50 is right{bands}"
    if imbalance > _UNEQUAL:
        return f"opposite stripes one pixel wide differ by {2 * imbalance:.2f} of white, so pixels are repeated"
    for s in by_axis.values():
        if s.contrast > _TOO_SHARP * s.allowed + _ABOVE_NOISE:  # False for NaN: not looked at
            return (
                f"stripes one pixel wide keep {s.contrast:.0%} of their contrast, the blur allows {s.allowed:.0%}: "
                "pixels are repeated or dropped"
            )
    return ""


def _figures(by_axis: Mapping[str, FinestStripes]) -> dict[str, Any]:
    names = ("light", "equal_code", "banding", "imbalance", "contrast", "allowed")
    return {axis: {name: getattr(s, name) for name in names} for axis, s in by_axis.items()}
