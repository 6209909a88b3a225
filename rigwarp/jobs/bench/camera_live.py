"""Photos of board and sheet from the rig's own camera, kept in the rig folder."""

import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from rigwarp.camera import CameraModel
from rigwarp.capture.preview.board_session import Asked, BoardSession
from rigwarp.devices import VIRTUAL, Camera, open_virtual
from rigwarp.errors import MeasurementError
from rigwarp.files import UTC_STAMP, RigFolder, make_folder, write_picture
from rigwarp.geometry import Photo
from rigwarp.jobs.bench.preview import PreviewOperator, operator
from rigwarp.jobs.progress import NOBODY, Person, Progress
from rigwarp.simulation import VirtualRig

_VIRTUAL_LOOK_S = 0.8  # between looks of the virtual camera: a pose is held for a few of them
_VIRTUAL_LOOKS = 5


@dataclass(frozen=True, kw_only=True)
class PhotosTaken:
    """Where live photos were put; `lens` None when only the sheet was photographed."""

    lens: Path | None
    table: Path


def take_photos(
    progress: Progress,
    folder: RigFolder,
    *,
    preview: bool = True,
    earlier: CameraModel | None = None,
    raised_mm: float = 0.0,
    person: Person = NOBODY,
) -> PhotosTaken:
    """Photograph the board held by hand and the sheet on the table, live.

    Every shot is on disk the moment it is taken.

    Parameters
    ----------
    preview : show a window where there is a screen.
    earlier : a camera whose lens is kept: only the sheet is photographed.
    raised_mm : the sheet lies on a board that stands this much higher than the table.
    person : who may press Enter at a terminal.

    Raises
    ------
    DeviceError
        If the camera is missing, busy or fails.
    """
    root = folder.root / "photos" / datetime.now(UTC).strftime(UTC_STAMP)
    lens = root / "lens" if earlier is None else None
    make_folder(lens or root)

    def keep(photo: Photo, number: int) -> None:
        assert lens is not None
        write_picture(lens / f"{number:02d}.png", photo)

    with (
        operator(progress, person, preview=preview) as watcher,
        _camera(folder, watcher, lens is not None, raised_mm) as (camera, clock, asked),
    ):
        session = BoardSession(camera, folder.rig, clock=clock, show=watcher.show, asked=asked)
        try:
            if lens is not None:
                session.board_shots(keep=keep)
            where = f"the board that stands {raised_mm:g} mm higher" if raised_mm else None
            write_picture(root / "table.png", session.sheet_photo(earlier, where=where))
        except KeyboardInterrupt:
            if lens is not None and any(lens.iterdir()):
                progress.note(f"The shots taken so far are in {lens}; --lens {lens} uses them.")
            raise
    return PhotosTaken(lens=lens, table=root / "table.png")


@contextmanager
def _camera(
    folder: RigFolder, watcher: PreviewOperator, with_board: bool, raised_mm: float
) -> Iterator[tuple[Camera, Callable[[], float], Callable[[], Asked | None]]]:
    """A camera, the clock that goes with it, and who says when to go on."""
    if folder.rig.camera.device == VIRTUAL:
        hand = VirtualHand(open_virtual(folder, raised_mm=raised_mm), with_board=with_board)
        yield hand, hand.clock, lambda: watcher.asked() or hand.asked()
        return
    from rigwarp.devices.open_camera import open_camera

    wanted = folder.rig.camera
    with closing(open_camera(wanted.device, wanted.resolution, wanted.channel)) as camera:
        yield camera, time.monotonic, watcher.asked


class VirtualHand:
    """A virtual rig's camera while somebody holds the board before it, pose after pose, and then lays down the sheet.

    Its clock is virtual as well: a pose is held for a few looks, which take as long as they are said to.
    """

    unlocked: tuple[str, ...] = ()
    exposure_s: float | None = None  # nobody sets the exposure of a photo of the board: it is automatic

    def __init__(self, virtual: VirtualRig, *, with_board: bool) -> None:
        self._virtual = virtual
        self._poses = iter(virtual.board_photos() if with_board else [])
        self._photo: Photo | None = None
        self._looks = 0
        self._laid = False
        self._asked_for_sheet = 0

    @property
    def resolution(self) -> tuple[int, int]:
        """(width, height) in pixels."""
        return self._virtual.camera.resolution

    def set_exposure(self, seconds: float) -> float | None:
        """Refused, see `exposure_s`."""
        return None

    def clock(self) -> float:
        """Virtual seconds."""
        return self._looks * _VIRTUAL_LOOK_S

    def look(self) -> Photo:
        """The board as it is held now; the sheet on the table once all poses are through."""
        if self._photo is None or (self._looks % _VIRTUAL_LOOKS == 0 and not self._laid):
            held = next(self._poses, None)
            self._laid = held is None
            self._photo = self._virtual.table_sheet_photo() if held is None else held
        self._looks += 1
        return self._photo

    grab = look

    def asked(self) -> Asked | None:
        """Goes on as soon as the sheet lies there.

        Raises
        ------
        MeasurementError
            If the photo of the sheet is still not taken after some looks: nobody is there to lay it otherwise.
        """
        self._asked_for_sheet += self._laid
        if self._asked_for_sheet > _VIRTUAL_LOOKS:
            raise MeasurementError(
                "the virtual camera sees too little of the sheet on the table: give [target] larger or fewer squares, "
                "or [camera] more pixels, in rig.toml"
            )
        return "go" if self._laid else None

    def close(self) -> None:
        """Nothing to give back."""
