"""What the pre-flight finds, one line each: how it is, the measured number, and what to do about it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from rigwarp.camera import BoardView
from rigwarp.camera.table.field_of_view import ContentInView
from rigwarp.camera.table.sheet_move import SheetMove
from rigwarp.capture.preflight.exposure_search import FOUND_BRIGHT, ExposureFound
from rigwarp.decode.checks.compression import Compression
from rigwarp.decode.checks.finest_stripes import FinestStripes
from rigwarp.decode.checks.light_levels import LightLevels
from rigwarp.decode.checks.overlay import Overlay
from rigwarp.decode.checks.steadiness import Steadiness, steady_exposures_s
from rigwarp.devices import Losses
from rigwarp.errors import MeasurementError
from rigwarp.words import short_number

Severity = Literal["fine", "remark", "stop"]
SETTINGS: Final = "camera settings"
CONTENT: Final = "content in view"
POSE: Final = "camera's place"
SCALING: Final = "pixel for pixel"

_NO_LIGHT = 0.02  # contrast, share of full scale: five codes of 255
_BURNT, _BURNT_A_LITTLE = 0.02, 0.001  # share of pixels at full scale
_DIM = 0.35  # white below this share of full scale wastes more than an exposure step
_CONTRAST_TO_NOISE = (6.0, 25.0)  # of white minus black; half of it is a sinusoid's amplitude: 0.4 and 0.1 px a period
_ROOM = 0.3  # of white's light: the noise of so much room light begins to show
_UNSTEADY = (0.005, 0.15)  # of the light: 0.5 % is 0.02 px of position
_BLUR_PX = (3.5, 8.0)  # sigma in projector pixels: up to 3.5 the periods of 22 px are the best ones anyway
_SEEN = (0.9, 0.999)  # of the content area
_LIT = (0.5, 0.97)
_BLOCKS, _UNSETTLED = 1.6, 0.01  # JPEG of quality 95 and noise of 1.5 codes has 1.5; 1 % of the light is 0.035 px
_CLEARLY = 1.25  # times the light to noise: what is less is not worth another camera.json
_SURE = 60.0  # chi-squared, 6 degrees of freedom: by chance once in 10^10
_SURE_LIFT = 50.0  # chi-squared, 3 degrees of freedom: the same
_RELAID_MM, _RELAID_DEG = 3.0, 0.5  # the sheet slid by more than a bumped camera would make it seem
_PLAIN_LIFT_MM, _PLAIN_LIFT_DEG = 1.0, 0.3  # at another place the lens and the table's own shape may lift it by less
_HARMLESS = 0.2  # of the rig's tolerance
_HALF_LIGHT = (0.40, 0.46)  # of the finest stripes: below, mixed by scaling; between, a gentle scaler or a filter
_BANDED = 0.03  # of the stripes' light: bands of a scale near one have 0.05 and more
_UNEQUAL = 0.012  # imbalance of opposite stripes: repeated pixels at a scale of 1.05 give 0.02
_TOO_SHARP, _ABOVE_NOISE = 1.6, 0.06  # contrast against what the blur allows: repeated pixels give 3 times as much
_SCALED_ADVICE = (
    "the picture is scaled on its way. Set the display to the projector's native size, 100 % scaling and no mirroring, "
    "and switch off overscan, zoom, keystone and sharpness in the projector's menu"
)


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


def require_no_stop(findings: Sequence[PreflightFinding]) -> None:
    """Raise what stops the scan; MeasurementError naming every finding that stops it."""
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
    severity: Severity = "remark"
    if light.saturated > _BURNT_A_LITTLE:
        severity = "stop" if light.saturated > _BURNT else "remark"
        text = (
            f"white is burnt out on {100 * light.saturated:.1f} % of the lit area{set_now}: shorten the exposure, "
            f"lower the gain or close the aperture until the brightest spot is at about {100 * FOUND_BRIGHT:.0f} %"
        )
    elif light.white < _DIM:
        reached = f"white reaches {100 * light.white:.0f} % of full scale only{set_now}"
        text = f"{reached}: lengthen the exposure or raise the gain"
    elif found is not None and found.frames is None and exposure_s is not None:
        text = (
            f"white is right{set_now}, which is shorter than two projector frames: lower the gain, close the aperture "
            "or dim the projector, so that whole frames are exposed"
        )
    else:
        severity = "fine"
        levels = f"white at {100 * light.white:.0f} % of full scale, brightest {100 * light.brightest:.0f} %"
        text = f"{levels}, nothing burnt out{set_now}"
    return _finding("exposure", severity, text, figures)


def about_contrast(light: LightLevels, noise: float) -> PreflightFinding:
    """Do black and white differ enough? `noise` of a pixel as a share of full scale."""
    ratio = light.contrast / max(noise, 1e-4)
    figures = {"contrast": light.contrast, "noise": noise, "contrast_to_noise": ratio}
    if light.contrast < _NO_LIGHT:
        text = (
            f"white is brighter than black by {100 * light.contrast:.1f} % of full scale: hardly any projected light "
            "is seen. Is the projector on, its shutter open, and the camera pointed at the table?"
        )
        return _finding("contrast", "stop", text, figures)
    text = f"white minus black is {100 * light.contrast:.0f} % of full scale, {ratio:.0f} times the noise"
    low, wanted = _CONTRAST_TO_NOISE
    if ratio >= wanted:
        return _finding("contrast", "fine", text, figures)
    text += ": more light, a longer exposure or less gain makes the scan finer"
    return _finding("contrast", "stop" if ratio < low else "remark", text, figures)


def about_room_light(light: LightLevels) -> PreflightFinding:
    """How bright black is: room light, and what the projector leaks."""
    text = f"black is {100 * light.room:.1f} % as bright as white"
    if light.room > _ROOM:
        text += ": darken the room, or keep lamps and windows from shining onto the table"
    return _finding("room light", "remark" if light.room > _ROOM else "fine", text, {"black_of_white": light.room})


def about_steadiness(
    white: Steadiness, black: Steadiness | None, frame_s: float, exposure_s: float | None
) -> PreflightFinding:
    """Does unchanging light stay the same?"""
    worst = max(white.flicker, white.banding)
    shares = f"{100 * white.flicker:.2f} % from photo to photo, {100 * white.banding:.2f} % in bands of rows"
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
    if blur_px <= _BLUR_PX[0]:
        return _finding("sharpness", "fine", text, {"blur_px": blur_px})
    text += ": focus the projector on the table, by way of the mirror, and the camera"
    return _finding("sharpness", "stop" if blur_px > _BLUR_PX[1] else "remark", text, {"blur_px": blur_px})


def about_compression(seen: Compression) -> PreflightFinding:
    """Does the camera's video compression spoil photographs?"""
    figures = {"blocks": seen.blocks, "unsettled": seen.unsettled}
    found, advice = [], []
    if seen.blocks > _BLOCKS:
        found.append(f"blocks show (steps at their edges are {seen.blocks:.1f} times those within)")
        advice.append("set JPEG to a quality of 95 or more, or the stream to a higher bit rate")
    if seen.unsettled > _UNSETTLED:
        found.append(f"right after a change pictures are off by {100 * seen.unsettled:.1f} % of the light")
        advice.append(
            "set the stream to a higher bit rate and a key frame for each picture, or to MJPEG, and switch off the "
            "camera's noise reduction"
        )
    if not found:
        return _finding("compression", "fine", "no traces of video compression", figures)
    return _finding("compression", "remark", f"{'; '.join(found)}: {'; '.join(advice)}", figures)


def about_network(losses: Losses) -> PreflightFinding:
    """Does everything come that a network camera sends?"""
    figures = {"lost_packets": losses.packets, "broken_pictures": losses.pictures, "away": losses.away}
    if losses.packets is None:
        text = "lost packets are counted where the camera sends RTSP over TCP, not here; over HTTP none get lost"
        return _finding("network", "fine", text, figures)
    found = []
    if losses.packets:
        found.append(f"{losses.packets} packets were lost, and {losses.pictures} pictures broken by it and left out")
    if losses.away:
        found.append(f"the camera went away {losses.away} times and came back")
    if not found:
        return _finding("network", "fine", "no packet was lost", figures)
    advice = (
        "use a cable instead of radio, or a lower bit rate; set a key frame for each picture, so that none is broken "
        "by the one before"
    )
    return _finding("network", "remark", f"{'; '.join(found)}: {advice}", figures)


def about_channels(ratios: Mapping[str, float], used: str) -> PreflightFinding:
    """Is the colour that is used the best one? `ratios`: of light to noise in each; 0 where it is burnt out."""
    best = max(ratios, key=lambda channel: ratios[channel])
    listed = ", ".join(f"{name} {ratio:.0f}" if ratio else f"{name} burnt out" for name, ratio in ratios.items())
    if not ratios[best]:
        text = "places in the light are burnt out in every colour, so none can be preferred: a little less exposure"
        return _finding("colour", "remark", text, dict(ratios))
    if ratios[best] <= _CLEARLY * ratios[used]:
        text = f"{used} carries the light as well as any (light to noise: {listed})"
        return _finding("colour", "fine", text, dict(ratios))
    text = (
        f'{best} carries the light best (light to noise: {listed}): set camera.channel = "{best}" in rig.toml, and '
        "make camera.json again, since colours fall beside each other"
    )
    return _finding("colour", "remark", text, dict(ratios))


def about_overlay(found: Overlay | None) -> PreflightFinding:
    """Does the camera write into its pictures?"""
    if found is None:
        return _finding("writing in the picture", "fine", "none", {"corner_px": None, "size_px": None})
    text = (
        f"something small changes at the {found.place} of the picture while the light does not, as the time does that "
        f"some cameras write ({found.size_px[0]} x {found.size_px[1]} px): switch that off at the camera"
    )
    figures = {"corner_px": found.corner_px, "size_px": found.size_px}
    return _finding("writing in the picture", "remark", text, figures)


def about_view(view: ContentInView, light: LightLevels) -> PreflightFinding:
    """Does the camera see the whole content area, lit? `light`: measured on that area."""
    figures = {"seen_share": view.share, "margin_px": view.margin_px, "lit_share": light.lit}
    if view.share < _SEEN[1]:
        text = (
            f"the camera sees {100 * view.share:.1f} % of the content area, cut off at the {view.side} of the picture: "
            "turn the camera or move it back, then make camera.json again"
        )
        return _finding(CONTENT, "stop" if view.share < _SEEN[0] else "remark", text, figures)
    if light.lit < _LIT[1]:
        text = (
            f"{100 * (1.0 - light.lit):.1f} % of the content area gets no light: something stands in the way, or "
            "projector or mirror are not where rig.toml has them"
        )
        return _finding(CONTENT, "stop" if light.lit < _LIT[0] else "remark", text, figures)
    lit = f"{100 * light.lit:.1f} % is lit"
    text = f"all of the content area is seen, {view.margin_px:.0f} px from the picture's rim; {lit}"
    return _finding(CONTENT, "fine", text, figures)


def about_settings(unlocked: Sequence[str]) -> PreflightFinding:
    """What the camera may change by itself."""
    if not unlocked:
        return _finding(SETTINGS, "fine", "nothing about the camera changes by itself", {"unlocked": []})
    text = f"{', '.join(unlocked)} may change: to be fixed at the camera or with its maker's program"
    return _finding(SETTINGS, "remark", text, {"unlocked": list(unlocked)})


def not_measured(what: str, reason: str, *, severity: Severity = "remark") -> PreflightFinding:
    """Something that could not be looked at, and why."""
    return _finding(what, severity, reason, {})


def _finding(what: str, severity: Severity, text: str, figures: Mapping[str, Any]) -> PreflightFinding:
    return PreflightFinding(what=what, severity=severity, text=text, figures=figures)


def _ms(seconds: float) -> str:
    return f"{short_number(1000.0 * seconds)} ms"


def about_pose(sheet: BoardView, move: SheetMove | None, *, tolerance_mm: float) -> PreflightFinding:
    """Has the camera moved since camera.json was made? `move`: None where too little of the sheet is in the picture.

    `tolerance_mm` is what counts as good for the rig: more than that wrong on the table stops a scan.
    """
    if sheet.mirrored:
        text = "the camera's picture is mirrored: the sheet is in it in mirror image only. Switch its mirror mode off"
        return not_measured(POSE, text, severity="stop")
    if sheet.oddity:
        return not_measured(POSE, f"whether the camera has moved cannot be told: {sheet.oddity}")
    if move is None:
        return not_measured(
            POSE,
            "the sheet is not in the picture: whether the camera has moved since camera.json cannot be told. Lay it "
            "where target.centre_mm says, or make camera.json again after any knock",
        )
    figures = {
        "corners": move.corners,
        "shift_mm": move.shift_mm,
        "shift_sigma_mm": move.shift_sigma_mm,
        "turn_deg": np.degrees(move.turn_rad),
        "turn_sigma_deg": np.degrees(move.turn_sigma_rad),
        "chi_squared": move.chi_squared,
        "lift_chi_squared": move.lift_chi_squared,
        "magnified": move.magnified,
        "table_off_mm": move.off_mm,
    }
    off = f"{move.off_mm:.2f} mm" if np.isfinite(move.off_mm) else "an unknown length"
    slid, turned = float(np.hypot(*move.shift_mm[:2])), abs(float(np.degrees(move.turn_rad[2])))
    lifted, tilted = abs(float(move.shift_mm[2])), float(np.degrees(np.hypot(*move.turn_rad[:2])))
    seen = (
        f"the sheet seems {np.linalg.norm(move.shift_mm):.2f} mm and {np.degrees(np.linalg.norm(move.turn_rad)):.2f}°"
    )
    if move.chi_squared < _SURE or move.off_mm < _HARMLESS * tolerance_mm:
        text = f"{seen} from where it was, {_sigmas(move)} sigma: the camera has not moved ({off} on the table at most)"
        return _finding(POSE, "fine", text, figures)
    again = "make camera.json again: rigwarp camera RIG --table PHOTO --replace"
    flat = lifted < _PLAIN_LIFT_MM and tilted < _PLAIN_LIFT_DEG
    if move.upside_down:
        text = (
            "the sheet is turned by 180 degrees in the picture: switch off what turns pictures at the camera, or turn "
            "the sheet if it lies the other way round"
        )
        return _finding(POSE, "remark" if flat else "stop", text, figures)
    if move.magnified is not None:
        stands = ", or it stands nearer" if move.magnified > 1.0 else ", or it stands farther away"
        text = (
            f"the sheet is {move.magnified:.3f} times as large in the picture as camera.json has it, all of it alike: "
            "the camera shows another part of its sensor in as many pixels (another mode, its stabilisation or a zoom)"
            f"{'' if move.only_magnified else stands}. Set it as it was, or {again}"
        )
        return _finding(POSE, "stop", text, figures)
    relaid = slid > _RELAID_MM or turned > _RELAID_DEG
    if relaid and flat:
        text = (
            f"the sheet lies {slid:.0f} mm and {turned:.1f}° from where it was, flat on the table: if nobody moved it, "
            f"the camera has moved, and {again}"
        )
        return _finding(POSE, "remark", text, figures)
    who = "the camera has moved"
    if not relaid and move.lift_chi_squared < _SURE_LIFT:
        who = "the camera has moved, or the sheet along the table"
    text = (
        f"{seen} from where it was ({lifted:.2f} mm up or down, {tilted:.2f}° tilted, {_sigmas(move)} sigma): {who}; "
        f"places on the table may be wrong by {off}. Put it back, or {again}"
    )
    severe = not move.off_mm <= tolerance_mm
    return _finding(POSE, "stop" if severe else "remark", text, figures)


def _sigmas(move: SheetMove) -> str:
    return f"{np.sqrt(move.chi_squared / 6.0):.1f}"


def about_scaling(by_axis: Mapping[str, FinestStripes]) -> PreflightFinding:
    """Judge the finest stripes of both directions, by the worse of them."""
    light = min(s.light for s in by_axis.values())
    names = ("light", "equal_code", "banding", "imbalance", "contrast", "allowed")
    figures = {axis: {name: getattr(s, name) for name in names} for axis, s in by_axis.items()}
    scaled = _scaled(by_axis, light)
    if scaled:
        return _finding(SCALING, "stop", f"{scaled}: {_SCALED_ADVICE}", figures)
    told = f"stripes one pixel wide give {light:.2f} of white's light"
    if light < _HALF_LIGHT[1]:
        text = (
            f"{told} where 0.50 is right, evenly: scaled gently, or smoothed. Check that the display runs at the "
            "projector's native size without overscan, use a digital cable, and switch off noise and sharpness filters"
        )
        return _finding(SCALING, "remark", text, figures)
    kept = min(s.contrast for s in by_axis.values())
    text = f"{told}, evenly: not scaled; the camera sees {100 * kept:.0f} % of their contrast, the rest is blur"
    return _finding(SCALING, "fine", text, figures)


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
                f"stripes one pixel wide keep {100 * s.contrast:.0f} % of their contrast, the blur allows "
                f"{100 * s.allowed:.0f} %: pixels are repeated or dropped"
            )
    return ""
