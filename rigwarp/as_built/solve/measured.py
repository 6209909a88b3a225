"""Lengths measured with a ruler as data of the fit: what the scan cannot tell, a steel rule often can."""

from collections.abc import Sequence

import numpy as np

from rigwarp.as_built.solve.linearised import N_MOUNT, N_OPTICS, moved_model
from rigwarp.geometry import Array
from rigwarp.rig import Measured
from rigwarp.tracing import OpticalModel

_STEP = 1e-4  # mm and rad; lengths of some hundred mm are nearly linear in it


def length_mm(model: OpticalModel, what: str) -> float:
    """A length of the model by its name in rig.toml; the mirror's vertex is the origin of its own frame.

    Raises
    ------
    KeyError
        For a name that `rigwarp.rig.MEASURED` has not.
    """
    lens, vertex = model.projector.placement.position_mm, model.mirror.position_mm
    lengths = {
        "projector to mirror vertex": float(np.linalg.norm(lens - vertex)),
        "projector to table": float(lens[2] - model.table_height_mm),
        "mirror vertex to table": float(vertex[2] - model.table_height_mm),
        "projector to mirror vertex, sideways": float(np.linalg.norm((lens - vertex)[:2])),
    }
    return lengths[what]


class Lengths:
    """Measured lengths as residuals over their sigmas, and their derivatives by the whitened mounting."""

    def __init__(self, design: OpticalModel, measured: Sequence[Measured], scale: Array) -> None:
        self._design, self._measured, self.scale = design, tuple(measured), scale

    def residual(self, whitened: Array) -> Array:
        """(M,) measured minus model for a whitened mounting (15,), in sigmas."""
        model = moved_model(self._design, whitened * self.scale)
        return np.array([(m.mm - length_mm(model, m.what)) / m.sigma_mm for m in self._measured])

    def jacobian(self, whitened: Array) -> Array:
        """(M, 15) derivatives of the lengths, in sigmas."""
        columns = []
        for k in range(N_MOUNT + N_OPTICS):
            step = np.zeros(len(whitened))
            step[k] = _STEP / self.scale[k]
            columns.append((self.residual(whitened - step) - self.residual(whitened + step)) / (2.0 * step[k]))
        return np.stack(columns, axis=-1)
