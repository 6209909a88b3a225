"""The camera's live picture with what matters for setting it up: level, burnt places, board, content area."""

from collections.abc import Callable

import numpy as np

from rigwarp.camera import BoardView, CameraModel, detect_board
from rigwarp.camera.boards.board_sharpness import board_blur_px
from rigwarp.camera.table.field_of_view import content_in_view, content_outline_px
from rigwarp.camera.table.sheet_move import sheet_move
from rigwarp.capture.preview.picture import PreviewState, brightest_and_burnt
from rigwarp.devices import Camera
from rigwarp.geometry import Photo
from rigwarp.rig import Rig

_BURNT = 0.001  # share of the picture
_DIM = 0.3  # brightest spots, share of full scale


def watch(
    camera: Camera,
    rig: Rig,
    *,
    model: CameraModel | None,
    sheet_height_mm: float,
    show: Callable[[Photo, PreviewState], None],
    done: Callable[[], bool],
) -> None:
    """Show the camera's picture until `done`.

    Parameters
    ----------
    model : from camera.json, to outline the content area by; None where there is none, or none of this resolution.
    """
    while not done():
        photo = camera.look()
        show(photo, watched(photo, rig, model, sheet_height_mm))


def watched(photo: Photo, rig: Rig, model: CameraModel | None, sheet_height_mm: float) -> PreviewState:
    """What there is to say about one photo."""
    view = detect_board(photo, rig.target)
    lines = [_about_content(rig, model), f"board: {_about_board(view)}"]
    blur_px = board_blur_px(photo, view)
    lines += [f"blur {blur_px:.1f} px"] if np.isfinite(blur_px) else []
    if model is not None and view.n:
        move = sheet_move(
            view, model, rig.target, rig.content, sheet_height_mm=sheet_height_mm, height_mm=rig.table.height_mm
        )
        lines += [] if move is None else [f"sheet {np.linalg.norm(move.shift_mm):.1f} mm from where camera.json has it"]
    prompt, urgent = _advice(photo)
    return PreviewState(
        title="Camera",
        prompt=prompt,
        urgent=urgent,
        lines=(*lines, "Escape or Enter goes on."),
        view=view,
        outline_px=None if model is None else content_outline_px(model, rig.content, rig.table.height_mm),
    )


def _about_board(view: BoardView) -> str:
    if view.mirrored:
        return "in mirror image only, switch the camera's mirror mode off"
    return f"{view.n} corners" if view.n else view.oddity or "not in the picture"


def _about_content(rig: Rig, model: CameraModel | None) -> str:
    if model is None:
        return "content area: no camera.json for this picture yet"
    seen = content_in_view(model, rig.content, rig.table.height_mm)
    return f"content area: {100 * seen.share:.0f} % in the picture, {seen.margin_px:.0f} px from its {seen.side} rim"


def _advice(photo: Photo) -> tuple[str, bool]:
    brightest, burnt = brightest_and_burnt(photo)
    if burnt > _BURNT:
        return "Hatched places are burnt out: shorten the exposure, lower the gain or close the aperture.", True
    if brightest < _DIM:
        return "Dark: lengthen the exposure, or give it more light.", True
    return "Aim and focus the camera, then fix it: position, focus, exposure, white balance.", False
