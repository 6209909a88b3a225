"""A virtual rig photographed and scanned as a user would, without files in between."""

import numpy as np

from rigwarp.camera import CameraModel, calibrate_lens_from_views, detect_board, locate_table_from_view
from rigwarp.decode import Decoded, Decoder
from rigwarp.files import RigFolder
from rigwarp.geometry import Array
from rigwarp.patterns import fast_set
from rigwarp.simulation import VirtualRig

_BOARD_PHOTOS = 14


def photographed_camera(folder: RigFolder, virtual: VirtualRig, *, sheet_mm: float) -> CameraModel:
    """The camera from photos of the hand-held board and of the sheet, whose nominal thickness is given."""
    target = folder.rig.target
    lens = calibrate_lens_from_views([detect_board(photo, target) for photo in virtual.board_photos(_BOARD_PHOTOS)])
    sheet = detect_board(virtual.table_sheet_photo(), target)
    return locate_table_from_view(sheet, lens, target, height_mm=folder.rig.table.height_mm + sheet_mm).camera


def true_camera(folder: RigFolder, virtual: VirtualRig) -> CameraModel:
    """The camera as it is, but for what the lens model does not hold; without a covariance."""
    exact = virtual.true_camera()
    names = ("matrix", "distortion", "R_camera_from_table", "t_camera_from_table_mm")
    arrays: dict[str, Array] = {name: np.asarray(exact[name], float) for name in names}
    return CameraModel(resolution=folder.rig.camera.resolution, **arrays)


def scanned(folder: RigFolder, virtual: VirtualRig) -> Decoded:
    """One scan with the fast patterns."""
    patterns = fast_set(folder.rig.projector.resolution, folder.rig.projector.transfer)
    decoder = Decoder(patterns)
    for index in range(len(patterns.frames)):
        virtual.display.show(patterns.picture(index))
        decoder.add(virtual.camera.grab())
    return decoder.finish()
