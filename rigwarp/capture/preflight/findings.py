"""What the pre-flight finds, one line each: how it is, the measured number, and what to do about it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from rigwarp.camera.table.field_of_view import ContentInView
from rigwarp.capture.preflight.exposure_search import FOUND_BRIGHT, ExposureFound
from rigwarp.decode.checks.light_levels import LightLevels
from rigwarp.decode.checks.steadiness import Steadiness, steady_exposures_s
from rigwarp.errors import MeasurementError

Severity = Literal["fine", "remark", "stop"]
SETTINGS: Final = "camera settings"
CONTENT: Final = "content in view"

_NO_LIGHT = 0.02  # contrast, share of full scale: five codes of 255
_BURNT, _BURNT_A_LITTLE = 0.02, 0.001  # share of pixels at full scale
_DIM = 0.35  # white below this share of full scale wastes more than an exposure step
_CONTRAST_TO_NOISE = (6.0, 25.0)  # of white minus black; half of it is a sinusoid's amplitude: 0.4 and 0.1 px a period
_ROOM = 0.3  # of white's light: the noise of so much room light begins to show
_UNSTEADY = (0.005, 0.15)  # of the light: 0.5 % is 0.02 px of position
_BLUR_PX = (3.5, 8.0)  # sigma in projector pixels: up to 3.5 the periods of 22 px are the best ones anyway
_SEEN = (0.9, 0.999)  # of the content area
_LIT = (0.5, 0.97)


@dataclass(frozen=True, kw_only=True)
class PreflightFinding:
    """One thing that was looked at.

    Attributes
    ----------
    what : its name, for people and for --json.
    severity : "fine", "remark" (the scan works, and could be better) or "stop" (it would be worth nothing).
    text : what was found and what to do, one line.
    figures : the measured numbers by name.
    """

    what: str
    severity: Severity
    text: str
    figures: Mapping[str, Any]

    def record(self) -> dict[str, Any]:
        """As it stands in --json."""
        return {"what": self.what, "severity": self.severity, "text": self.text, "figures": dict(self.figures)}


def require_no_stop(findings: Sequence[PreflightFinding]) -> None:
    """Raise what stops the scan.

    Raises
    ------
    MeasurementError
        Naming every finding that stops it.
    """
    stops = [finding for finding in findings if finding.severity == "stop"]
    if stops:
        raise MeasurementError("; ".join(f"{finding.what}: {finding.text}" for finding in stops))


def about_exposure(light: LightLevels, found: ExposureFound | None, exposure_s: float | None) -> PreflightFinding:
    """Is white bright and not burnt out? `found`: when the exposure was searched for."""
    figures: dict[str, Any] = {
        "saturated_share": light.saturated,
        "brightest": light.brightest,
        "white": light.white,
        "exposure_s": exposure_s,
        "searched": found is not None,
        "frames": None if found is None else found.frames,
    }
    set_now = "" if exposure_s is None else f" at {_ms(exposure_s)}"
    if found is not None and found.frames is not None:
        set_now += f" ({found.frames} projector frames, found automatically)"
    if light.saturated > _BURNT_A_LITTLE:
        text = (
            f"white is burnt out on {light.saturated:.1%} of the lit area{set_now}: shorten the exposure, lower the"
            f" gain or close the aperture until the brightest spot is at about {FOUND_BRIGHT:.0%}"
        )
        return _finding("exposure", "stop" if light.saturated > _BURNT else "remark", text, figures)
    if light.white < _DIM:
        text = f"white reaches {light.white:.0%} of full scale only{set_now}: lengthen the exposure or raise the gain"
        return _finding("exposure", "remark", text, figures)
    if found is not None and found.frames is None and exposure_s is not None:
        text = (
            f"white is right{set_now}, which is shorter than two projector frames: lower the gain, close the aperture "
            "or dim the projector, so that whole frames are exposed"
        )
        return _finding("exposure", "remark", text, figures)
    text = f"white at {light.white:.0%} of full scale, brightest {light.brightest:.0%}, nothing burnt out{set_now}"
    return _finding("exposure", "fine", text, figures)


def about_contrast(light: LightLevels, noise: float) -> PreflightFinding:
    """Do black and white differ enough? `noise` of a pixel as a share of full scale."""
    ratio = light.contrast / max(noise, 1e-4)
    figures = {"contrast": light.contrast, "noise": noise, "contrast_to_noise": ratio}
    if light.contrast < _NO_LIGHT:
        text = (
            f"white is brighter than black by {light.contrast:.1%} of full scale: hardly any projected light is seen. "
            "Is the projector on, its shutter open, and the camera pointed at the table?"
        )
        return _finding("contrast", "stop", text, figures)
    text = f"white minus black is {light.contrast:.0%} of full scale, {ratio:.0f} times the noise"
    advice = ": more light, a longer exposure or less gain makes the scan finer"
    low, wanted = _CONTRAST_TO_NOISE
    if ratio < wanted:
        return _finding("contrast", "stop" if ratio < low else "remark", text + advice, figures)
    return _finding("contrast", "fine", text, figures)


def about_room_light(light: LightLevels) -> PreflightFinding:
    """How bright black is: room light, and what the projector leaks."""
    text = f"black is {light.room:.1%} as bright as white"
    if light.room > _ROOM:
        text += ": darken the room, or keep lamps and windows from shining onto the table"
    return _finding("room light", "remark" if light.room > _ROOM else "fine", text, {"black_of_white": light.room})


def about_steadiness(
    white: Steadiness, black: Steadiness | None, frame_s: float, exposure_s: float | None
) -> PreflightFinding:
    """Does unchanging light stay the same?"""
    worst = max(white.flicker, white.banding)
    shares = f"{white.flicker:.2%} from photo to photo, {white.banding:.2%} in bands of rows"
    figures: dict[str, Any] = {
        "flicker": white.flicker,
        "banding": white.banding,
        "band_rows": white.band_rows,
        "black_flicker": None if black is None else black.flicker,
        "black_banding": None if black is None else black.banding,
        "photos": white.photos,
    }
    if worst <= _UNSTEADY[0]:
        return _finding("steady light", "fine", f"unchanging white changes by {shares}", figures)
    proposed = steady_exposures_s(frame_s, shortest_s=exposure_s or 0.0)
    figures["proposed_exposure_s"] = list(proposed)
    times = ", ".join(_ms(seconds) for seconds in proposed)
    text = f"unchanging white changes by {shares}: expose whole projector frames ({times})"
    if black is not None and max(black.flicker, black.banding) > worst / 2.0:
        text += ", and switch off the room's lamps: black flickers as well"
    return _finding("steady light", "stop" if worst > _UNSTEADY[1] else "remark", text, figures)


def about_blur(blur_px: float) -> PreflightFinding:
    """How sharp the projector's picture is on the table."""
    text = f"the picture on the table is blurred by {blur_px:.1f} projector px (sigma)"
    severity: Severity = "fine"
    if blur_px > _BLUR_PX[0]:
        severity = "stop" if blur_px > _BLUR_PX[1] else "remark"
        text += ": focus the projector on the table, by way of the mirror, and the camera"
    return _finding("sharpness", severity, text, {"blur_px": blur_px})


def about_view(view: ContentInView, light: LightLevels) -> PreflightFinding:
    """Does the camera see the whole content area, lit? `light`: measured on that area."""
    figures = {"seen_share": view.share, "margin_px": view.margin_px, "lit_share": light.lit}
    if view.share < _SEEN[1]:
        text = (
            f"the camera sees {view.share:.1%} of the content area, cut off at the {view.side} of the picture: "
            "turn the camera or move it back, then make camera.json again"
        )
        return _finding(CONTENT, "stop" if view.share < _SEEN[0] else "remark", text, figures)
    if light.lit < _LIT[1]:
        text = (
            f"{1.0 - light.lit:.1%} of the content area gets no light: something stands in the way, or projector or "
            "mirror are not where rig.toml has them"
        )
        return _finding(CONTENT, "stop" if light.lit < _LIT[0] else "remark", text, figures)
    text = f"all of the content area is seen, {view.margin_px:.0f} px from the picture's rim; {light.lit:.1%} is lit"
    return _finding(CONTENT, "fine", text, figures)


def about_settings(unlocked: Sequence[str]) -> PreflightFinding:
    """What the camera may change by itself."""
    if not unlocked:
        return _finding(SETTINGS, "fine", "nothing about the camera changes by itself", {"unlocked": []})
    text = f"{', '.join(unlocked)} may change by itself: fix it at the camera or with its maker's program"
    return _finding(SETTINGS, "remark", text, {"unlocked": list(unlocked)})


def not_measured(what: str, reason: str, *, severity: Severity = "remark") -> PreflightFinding:
    """Something that could not be looked at, and why."""
    return _finding(what, severity, reason, {})


def _finding(what: str, severity: Severity, text: str, figures: Mapping[str, Any]) -> PreflightFinding:
    return PreflightFinding(what=what, severity=severity, text=text, figures=figures)


def _ms(seconds: float) -> str:
    return f"{1000.0 * seconds:.3g} ms"
