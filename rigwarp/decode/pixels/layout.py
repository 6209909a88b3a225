"""Which frames of a pattern set belong together, as the decoder wants them."""

from dataclasses import dataclass

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Array
from rigwarp.patterns import GrayFrame, PatternSet
from rigwarp.patterns.frames import Axis


@dataclass(frozen=True, kw_only=True)
class AxisLayout:
    """One axis of the pattern set.

    Attributes
    ----------
    periods_px : its K periods, ascending.
    frames : (K, steps) frame indices in step order.
    extent_px : the projector's extent.
    bits : (plain, inverted) frame indices of a Gray code, coarsest bit first; empty for a set of sinusoids alone.
    cell_px : width of the code's cells.
    """

    periods_px: tuple[float, ...]
    frames: tuple[tuple[int, ...], ...]
    extent_px: int
    bits: tuple[tuple[int, int], ...]
    cell_px: float

    @property
    def steps(self) -> int:
        """Photographs per period."""
        return len(self.frames[0])

    def amplitude_residuals(self) -> Array:
        """(K - 2, K) orthonormal rows: what of K amplitudes no blur explains.

        Blur of sigma s fades a period P by exp(-2 (pi s / P)^2). Over the narrow range of periods of a set that is
        close to a line in 1 / P^2, so that the rows are orthogonal to (1, ..., 1) and to (1 / P^2). A second light
        path makes the amplitudes differ from period to period in no such order.
        """
        rates = 1.0 / np.asarray(self.periods_px) ** 2
        smooth = np.stack([np.ones_like(rates), rates - rates.mean()], axis=1)
        return np.linalg.svd(smooth, full_matrices=True)[0][:, 2:].T


def axis_layout(patterns: PatternSet, name: Axis) -> AxisLayout:
    """The frames of one axis.

    Raises
    ------
    InputError
        If they are no set that can be decoded.
    """
    found = patterns.phase_indices(name)
    bits = patterns.gray_indices(name)
    steps = {len(indices) for indices in found.values()}
    wanted = (1, 8) if bits else (4, 4)
    if not wanted[0] <= len(found) <= wanted[1] or len(steps) != 1:
        raise InputError(
            f"patterns.json: axis {name} has {len(found)} periods{' beside the Gray code' if bits else ''}, expected "
            f"{'at least one' if bits else '4'}, of equally many steps. Export the patterns again."
        )
    cells = [f.cell_px for f in patterns.frames if isinstance(f, GrayFrame) and f.axis == name]
    return AxisLayout(
        periods_px=tuple(found),
        frames=tuple(tuple(i) for i in found.values()),
        extent_px=patterns.resolution[0] if name == "x" else patterns.resolution[1],
        bits=tuple(bits),
        cell_px=cells[0] if cells else 0.0,
    )
