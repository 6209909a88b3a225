"""The camera's figures for people."""

from collections.abc import Sequence

import numpy as np

from rigwarp.camera import LensResult
from rigwarp.camera.lens.support import LensSupport
from rigwarp.camera.projection import LENS_TERMS
from rigwarp.camera.table.table_flatness import FurtherSheet
from rigwarp.commands.console import Console
from rigwarp.files.names import CAMERA_PICTURE
from rigwarp.jobs.bench.camera_record import CameraMade


def print_camera(console: Console, made: CameraMade) -> None:
    """The result for people."""
    console.say("The camera")
    rows = [] if made.lens is None or made.support is None else _lens_rows(made, made.lens, made.support)
    rows += _pose_rows(made)
    rows += _sheet_rows(made.sheets)
    rows.append(("written", str(made.path)))
    if made.lens is not None:
        rows.append(("residuals over the picture", str(made.path.with_name(CAMERA_PICTURE))))
    if made.kept_aside is not None:
        rows.append(("the one before is kept as", str(made.kept_aside)))
    console.table(rows)
    for photo in made.photos:
        if photo.rejected:
            console.note(f"{photo.file} not used: {photo.rejected}")
    for warning in made.warnings:
        console.note(f"weak: {warning}")


def _lens_rows(made: CameraMade, lens: LensResult, support: LensSupport) -> list[tuple[str, str]]:
    values, sigmas = (dict(zip(LENS_TERMS, each, strict=True)) for each in (made.pose.camera.lens, made.lens_sigmas))
    pattern, middle = f"{support.structure_px:.3f}", f"{np.nanmin(support.sigma_px):.2f}"
    corner = f"{np.nanmax(support.corner_sigma_px):.2f}"
    distortion = [f"{name} {values[name]:+.4f} ± {sigmas[name]:.4f}" for name in LENS_TERMS[4:] if name in lens.terms]
    rows = [
        ("photos of the board used", f"{len(lens.used)} of {len(lens.used) + len(lens.rejected)}"),
        ("they cover", f"{100 * lens.coverage:.0f} % of the picture"),
        ("focal lengths", f"{values['fx']:.2f} ± {sigmas['fx']:.2f}, {values['fy']:.2f} ± {sigmas['fy']:.2f} px"),
        ("principal point", f"{values['cx']:.2f} ± {sigmas['cx']:.2f}, {values['cy']:.2f} ± {sigmas['cy']:.2f} px"),
        ("distortion", ", ".join(distortion)),
        ("corners of the boards off by", f"{lens.rms_px:.3f} px rms, {pattern} px of it a pattern over the picture"),
        ("a direction is uncertain by", f"{middle} px in the middle, {corner} px in the worst corner"),
        ("bow of the board", f"{float(np.abs(lens.shape[2:]).max()):.2f} mm at half a diagonal"),
    ]
    if made.released is not None:
        said = f"{made.released.bow_mm:.2f} mm out of plane in {made.released.views} whole photos"
        rows.append(("the board corner by corner", said))
    return rows


def _pose_rows(made: CameraMade) -> list[tuple[str, str]]:
    camera = made.pose.camera
    position, turn = camera.position_sigma_mm, camera.turn_sigma_rad
    stands = ", ".join(f"{name} {value:.1f}" for name, value in zip("xyz", camera.position_mm, strict=True))
    if position is not None:
        stands += f", ± {', '.join(f'{sigma:.1f}' for sigma in position)}"
    rows = [
        ("corners of the sheet off by", f"{made.pose.rms_px:.3f} px rms ({int(made.pose.kept.sum())} corners)"),
        ("it stands at", f"{stands} mm"),
    ]
    if turn is not None:
        rows.append(("its direction is known to", f"{np.degrees(turn).max():.3f}° (1 sigma)"))
    if made.content_sigma_mm is not None:
        usual, worst = made.content_sigma_mm
        rows.append(("a place in the content area to", f"{usual:.2f} mm, at worst {worst:.2f} mm (1 sigma)"))
    return rows


def _sheet_rows(sheets: Sequence[FurtherSheet | None]) -> list[tuple[str, str]]:
    return [
        (
            f"sheet {number}",
            f"at ({sheet.middle_mm[0]:.0f}, {sheet.middle_mm[1]:.0f}) mm, {sheet.rise_mm:+.2f} ± "
            f"{sheet.rise_sigma_mm:.2f} mm higher, slopes {sheet.tilt_mrad[0]:+.1f}, {sheet.tilt_mrad[1]:+.1f} mrad",
        )
        for number, sheet in enumerate(sheets, start=2)
        if sheet is not None
    ]
