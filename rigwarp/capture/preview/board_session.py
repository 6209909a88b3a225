"""Taking the camera's calibration photos live: the board held by hand, shot by shot, then the sheet on the table."""

from collections.abc import Callable
from dataclasses import replace
from typing import Literal

import numpy as np

from rigwarp.camera import (
    BoardView,
    CameraModel,
    LensResult,
    calibrate_lens_from_views,
    detect_board,
    locate_table_from_view,
)
from rigwarp.camera.boards.board import board_corners_mm
from rigwarp.camera.boards.board_sharpness import board_blur_px
from rigwarp.camera.boards.shots import HOLD_S, BoardShots, Looked
from rigwarp.camera.table.field_of_view import content_outline_px
from rigwarp.camera.table.planar import MIN_CORNERS
from rigwarp.capture.preview.picture import PreviewState
from rigwarp.devices import Camera
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, Photo
from rigwarp.rig import Rig

Asked = Literal["go", "stop"]
Show = Callable[[Photo, PreviewState], None]
MIN_SHOTS = 3  # a lens cannot be had from fewer
_WHOLE = 0.9  # of the sheet's corners: with fewer something lies on it, or light falls unevenly

_PROMPTS = {
    "no board": ("Show the board to the camera: at least half of it, evenly lit.", False),
    "mirrored": ("The camera's picture is mirrored: switch its mirror mode off and begin again.", True),
    "blurred": ("Not sharp: hold the board still, or farther from the camera.", True),
    "moving": ("Hold the board still.", False),
    "known": ("This pose is there already: tilt the board, or take it elsewhere.", False),
    "counting": ("Hold the board still.", False),
    "kept": ("Taken ({kept}). Now another tilt, another place.", False),
    "done": ("Taken ({kept}). Now another tilt, another place.", False),
}


class BoardSession:
    """A camera, what is looked for in its picture, and who watches.

    Parameters
    ----------
    camera : delivers the photos; looked at all the time.
    rig : says which board it is and where the content area lies.
    clock : seconds that only go forward.
    show : gets every photo with what is known about it.
    asked : what the operator wants: "go" on, "stop", or None.
    """

    def __init__(
        self,
        camera: Camera,
        rig: Rig,
        *,
        clock: Callable[[], float],
        show: Show,
        asked: Callable[[], Asked | None],
    ) -> None:
        self._camera = camera
        self._rig = rig
        self._clock = clock
        self._show = show
        self._asked = asked
        self._last: tuple[Photo, BoardView, float] | None = None
        self._views: list[BoardView] = []

    def board_shots(self, *, keep: Callable[[Photo, int], None] = lambda photo, number: None) -> tuple[Photo, ...]:
        """Shots of the board held by hand, until there are enough or the operator goes on.

        `keep` gets each the moment it is taken, so that none is lost. KeyboardInterrupt when the operator stops.
        """
        chosen: list[Photo] = []
        shots = BoardShots(len(board_corners_mm(self._rig.target)))
        while True:
            photo, view, blur_px = self._look()
            looked = shots.look(view, blur_px, self._clock())
            self._views = shots.views
            if looked.state == "kept":
                chosen.append(photo)
                keep(photo, len(chosen) - 1)
            self._show(photo, _board_state(shots, view, looked, blur_px))
            if looked.state == "kept" and not shots.wants():
                return tuple(chosen)
            if self._wanted() and len(chosen) >= MIN_SHOTS:
                return tuple(chosen)

    def sheet_photo(self, earlier: CameraModel | None = None, *, where: str | None = None) -> Photo:
        """The photo of the sheet on the table, taken when the operator says so and the sheet is seen.

        Parameters
        ----------
        earlier : a camera whose lens is known already; without it the board's shots tell the lens, if there are any.
            With a lens and the sheet the pose is known, and the content area is outlined.
        where : what the sheet is to be laid on; None for the table, where the rig file says.
        """
        lens = self._lens() if earlier is None else replace(earlier, covariance=None)
        said_go, warned = False, False
        while True:
            photo, view, blur_px = self._look()
            said_go = self._wanted() or said_go
            seen = view.n >= MIN_CORNERS
            whole = view.n >= _WHOLE * len(board_corners_mm(self._rig.target))
            taken = said_go and (whole or (seen and warned))
            warned = warned or (said_go and seen)
            prompt = f"Lay the sheet on {where or 'the table where target.centre_mm says'}, flat, and press Enter."
            if warned and not whole:
                prompt = f"{view.n} corners of the sheet seen: uncover it, light it evenly. Enter takes it as it is."
            lines = (
                f"{view.n} corners of the sheet" if seen else "no sheet seen",
                f"blur {blur_px:.1f} px" if np.isfinite(blur_px) else "",
                "Escape ends.",
            )
            state = PreviewState(
                title="Sheet on the table",
                prompt=prompt,
                urgent=warned and not whole,
                lines=tuple(line for line in lines if line),
                view=view,
                outline_px=None if lens is None or not whole else self._outline(view, lens),
            )
            self._show(photo, state)
            if taken:
                return photo
            said_go = said_go and not seen  # a sheet half seen: ask again; none yet: still on its way

    def _look(self) -> tuple[Photo, BoardView, float]:
        """The next photo with the board in it; the same photo again costs nothing."""
        photo = self._camera.look()
        if self._last is None or self._last[0] is not photo:
            view = detect_board(photo, self._rig.target)
            self._last = (photo, view, board_blur_px(photo, view))
        return self._last

    def _lens(self) -> CameraModel | None:
        """The lens that the shots tell, for the preview only; None where they do not yet."""
        try:
            lens: LensResult = calibrate_lens_from_views(self._views)
        except MeasurementError:
            return None  # the calibration itself will say why, from the photos
        return CameraModel(
            resolution=lens.resolution,
            matrix=lens.matrix,
            distortion=lens.distortion,
            R_camera_from_table=np.eye(3),
            t_camera_from_table_mm=np.zeros(3),
        )

    def _outline(self, view: BoardView, lens: CameraModel) -> Array | None:
        """The content area in the picture, by the sheet as it lies now; None where the sheet does not tell the pose."""
        height_mm = self._rig.table.height_mm
        try:
            pose = locate_table_from_view(view, lens, self._rig.target, height_mm=height_mm)
        except MeasurementError:
            return None  # held in the hand still, or too small: there is nothing to draw
        return content_outline_px(pose.camera, self._rig.content, height_mm)

    def _wanted(self) -> bool:
        """True when the operator wants to go on."""
        asked = self._asked()
        if asked == "stop":
            raise KeyboardInterrupt
        return asked == "go"


def _board_state(shots: BoardShots, view: BoardView, looked: Looked, blur_px: float) -> PreviewState:
    prompt, urgent = _PROMPTS[looked.state]
    kept, wants = len(shots.views), shots.wants()
    lines = [f"{kept} shot{'' if kept == 1 else 's'} kept"]
    lines += [f"still wanted: {'; '.join(wants)}"] if wants else ["enough"]
    lines += [f"blur {blur_px:.1f} px"] if np.isfinite(blur_px) else []
    lines.append("Enter goes on with these, Escape ends." if kept >= MIN_SHOTS else "Escape ends.")
    return PreviewState(
        title="Board in the hand",
        prompt=prompt.format(kept=kept),
        urgent=urgent,
        lines=tuple(lines),
        view=view,
        cells=shots.cells(),
        left_s=looked.left_s if looked.state == "counting" else None,
        hold_s=HOLD_S,
    )
