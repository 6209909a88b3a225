"""Checks on a table that is not flat: positions moved to where the table really is."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.files.names import TABLE_SHAPE_FILE
from rigwarp.files.table_shape_file import read_table_shape
from rigwarp.geometry import Array
from rigwarp.verification import VerificationResult
from rigwarp.verification.dots.judge import judged_anew
from rigwarp.verification.quality.table_shape import TableShape

_SAME = 1e-9  # relative: the same numbers, written and read


def shape_of(result: Path, camera: CameraModel) -> TableShape | None:
    """The table's shape that a result takes into account, seen by a camera; None where its table is flat.

    A camera that stands elsewhere today sees the same heights from there.

    Raises
    ------
    InputError
        When the file is damaged.
    """
    path = result / TABLE_SHAPE_FILE
    if not path.exists():
        return None
    shape = read_table_shape(path)
    same = np.allclose(shape.camera.t_camera_from_table_mm, camera.t_camera_from_table_mm, rtol=_SAME, atol=_SAME)
    return shape if same else replace(shape, camera=camera)


@dataclass(frozen=True)
class CheckPositions:
    """Positions on the table, by the flat one's camera, moved to where the table is; None: it is flat."""

    shape: TableShape | None

    def shift_mm(self, table_mm: Array) -> Array:
        """(..., 2) by which positions (..., 2) move."""
        return np.zeros_like(table_mm) if self.shape is None else self.shape.correction().at(table_mm)

    def judged(self, found: VerificationResult) -> VerificationResult:
        """A check judged by where the dots really are."""
        if self.shape is None:
            return found
        seen = found.table_mm + found.vectors_mm
        return judged_anew(found, seen + self.shape.correction().at(seen))
