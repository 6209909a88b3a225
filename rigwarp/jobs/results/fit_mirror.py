"""The mirror's part of a fit: with a scan on a raised board where there is one that belongs to it."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from rigwarp.as_built import AsBuilt, RaisedScan, estimate_as_built, raised_scan
from rigwarp.camera import CameraModel
from rigwarp.decode import Decoded
from rigwarp.errors import MeasurementError
from rigwarp.files import RigFolder, read_decoded
from rigwarp.files.names import DECODED_FILE
from rigwarp.geometry.robust import chi_squared_limit
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.scans.chosen_scans import RaisedRuns, raised_scans
from rigwarp.jobs.scans.zones import shown_in
from rigwarp.table_map import MapFacts, rig_tolerances, zone_places
from rigwarp.tracing import OpticalModel

_WORSE, _WORSE_MM = 4.0, 0.15  # a board's samples this much further off than the table's: something was moved
_STRAINED = chi_squared_limit(15, 1e-4)
"""Sum of squares of the mounting's 15 numbers over their tolerances that chance exceeds once in 10,000. Two scans
between which something moved agree only on a projector and a mirror far from their places."""


def fit_mirror(
    progress: Progress,
    folder: RigFolder,
    scans: Sequence[Path],
    model: OpticalModel,
    table_map: MapFacts,
    camera: CameraModel,
    decoded: Sequence[Decoded],
) -> AsBuilt | None:
    """The mirror's shape; None, with a note, for a scan that cannot tell it: a map to play by is made all the same.

    Parameters
    ----------
    scans : of the table, from which `table_map` was made.
    decoded : the same, read.
    """

    def estimate(raised: Sequence[RaisedScan]) -> AsBuilt:
        return estimate_as_built(
            model,
            table_map,
            rig_tolerances(folder.rig),
            camera,
            raised=raised,
            measured=folder.rig.measured,
            modulations=[one.modulation for one in decoded if one.modulation is not None],
        )

    found, why = raised_scans(folder, scans)
    if why:
        progress.note(f"The scan on the raised board is not used: {why}")
    try:
        if found is not None and (both := _together(progress, folder, found, model, camera)) is not None:
            built = estimate([both])
            alone = estimate([]) if _strain(built) > _STRAINED else None
            if _agree(progress, built, alone):
                if not found.checked:
                    progress.note(
                        "Whether anything moved between the scans of table and board was not looked at: "
                        f"{found.moved_sigma_mm:g} mm on the table are allowed for."
                    )
                return built
            if alone is not None:
                return alone
        return estimate([])
    except MeasurementError as error:
        progress.note(f"The mirror's shape cannot be told: {error}")
        return None


def _together(
    progress: Progress, folder: RigFolder, found: RaisedRuns, model: OpticalModel, camera: CameraModel
) -> RaisedScan | None:
    """The raised scan's samples; None, with a note, where there are too few."""
    decoded = [read_decoded(run / DECODED_FILE) for run in found.runs]
    try:
        places = zone_places(decoded)
        for words in filter(None, [*places.in_words, places.not_proven]):
            progress.note(f"On the raised board: {words}.")
        return raised_scan(
            model,
            decoded,
            camera,
            found.board,
            table=folder.rig.table,
            tolerances=rig_tolerances(folder.rig),
            moved_sigma_mm=found.moved_sigma_mm,
            places=places,
            lit=[shown_in(folder, run) for run in found.runs],
        )
    except MeasurementError as error:
        progress.note(f"The scan on the raised board is not used: {error}")
        return None


def _strain(built: AsBuilt) -> float:
    """How far projector, mirror and optics are from where they should be: sum of squares over tolerances."""
    pose = built.pose
    return float(np.sum((pose.values / pose.prior_sigma) ** 2) + np.sum((pose.optics / pose.optics_prior_sigma) ** 2))


def _agree(progress: Progress, built: AsBuilt, alone: AsBuilt | None) -> bool:
    """Whether one mirror, near its place, explains the scans at all heights.

    `alone` is what the table's scan tells by itself, where both together strain the mounting.
    """
    table, *boards = built.heights
    worst = max(boards, key=lambda board: board.residual_rms_mm)
    if worst.residual_rms_mm > max(_WORSE * table.residual_rms_mm, _WORSE_MM):
        but = f": {worst.residual_rms_mm:.2f} mm rms are left on the board, {table.residual_rms_mm:.2f} on the table"
    elif alone is not None and _strain(built) - _strain(alone) > _STRAINED:
        astray_mm = max(np.linalg.norm(built.pose.projector_shift_mm), np.linalg.norm(built.pose.mirror_shift_mm))
        but = f", unless mirror or projector are {astray_mm:.0f} mm from their places"
    else:
        return True
    progress.note(
        f"The scan on the raised board is not used: no mirror explains it and the scan of the table together{but}. "
        "Something was moved in between: take both again, one after the other."
    )
    return False
