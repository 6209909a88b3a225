"""Normal equations shaped like an arrow: a block for what all photos share, and one 6 x 6 block per photo's pose.

Each pose touches only its own photo's corners. Eliminating the poses by a Schur complement therefore costs nothing, and
the inverse of what is left *is* the covariance of the shared part with the poses marginalised (Triggs, McLauchlan,
Hartley and Fitzgibbon, Bundle adjustment: a modern synthesis, 2000).
"""

from dataclasses import dataclass, replace

import numpy as np

from rigwarp.camera.projection import N_POSE
from rigwarp.geometry import Array


@dataclass(frozen=True, kw_only=True)
class NormalEquations:
    """Blocks of J^T W J and J^T W r for F free shared terms and V poses.

    Attributes
    ----------
    shared : (F, F); cross : (V, F, 6); pose : (V, 6, 6); shared_gradient : (F,); pose_gradient : (V, 6)
    """

    shared: Array
    cross: Array
    pose: Array
    shared_gradient: Array
    pose_gradient: Array

    def damped(self, damping: float) -> "NormalEquations":
        """Levenberg-Marquardt: diagonals raised by a share."""
        raised = 1.0 + damping * np.eye(N_POSE)
        return replace(self, shared=self.shared * (1.0 + damping * np.eye(len(self.shared))), pose=self.pose * raised)

    def reduced(self) -> Array:
        """(F, F) the shared block with the poses eliminated."""
        return self.shared - np.sum(self.cross @ np.linalg.solve(self.pose, np.swapaxes(self.cross, -1, -2)), axis=0)

    def solve(self) -> tuple[Array, Array]:
        """Steps of the shared terms (F,) and poses (V, 6) that zero the linearised gradient."""
        gradient = self.pose_gradient[..., None]
        right = self.shared_gradient - np.sum(self.cross @ np.linalg.solve(self.pose, gradient), axis=0)[:, 0]
        shared_step = np.linalg.solve(self.reduced(), right)
        pulled = gradient - np.swapaxes(self.cross, -1, -2) @ shared_step[:, None]
        return shared_step, np.asarray(np.linalg.solve(self.pose, pulled)[..., 0], np.float64)

    def covariance(self, photo: int | None) -> Array:
        """Unscaled covariance of the free shared terms, joined with the pose of one photo unless `photo` is None."""
        shared = _inverse(self.reduced())
        if photo is None:
            return shared
        pull = np.linalg.solve(self.pose[photo], self.cross[photo].T)
        cross = -shared @ pull.T
        return np.block([[shared, cross], [cross.T, _inverse(self.pose[photo]) + pull @ shared @ pull.T]])


def _inverse(matrix: Array) -> Array:
    """Inverse of a symmetric positive matrix whose entries have very different units."""
    if matrix.size == 0:
        return matrix
    scale = 1.0 / np.sqrt(np.diag(matrix))
    return np.linalg.inv(matrix * np.outer(scale, scale)) * np.outer(scale, scale)
