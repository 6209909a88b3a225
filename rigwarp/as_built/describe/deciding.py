"""What would tell the mirror's power of this rig where its scan does not: tried on the fit's own covariance.

A measured length or a scan on a raised board is one more observation of the fit's unknowns; what it would do to their
covariance needs no values, only derivatives (Kalman 1960, the update of a covariance). So each is tried before anybody
is asked for it, by the same test that the fit uses: which share of the power's variance is the mounting tolerances'.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, Final

import numpy as np

from rigwarp.as_built.solve.fit_data import LitPixels
from rigwarp.as_built.solve.linearised import landing, linearise
from rigwarp.as_built.solve.map_fit import MapFit
from rigwarp.as_built.solve.measured import Lengths
from rigwarp.as_built.solve.shared_errors import plane_warp
from rigwarp.geometry import Array
from rigwarp.rig import MEASURED_LENGTHS, Measured
from rigwarp.tracing import OpticalModel

POWER_FROM_PRIOR: Final = 0.25
"""Share of the power's variance from the mounting tolerances: more is over half of its sigma."""
RAISED_MM: Final = 60.0
"""A board that is easily had, and well above what a table's own errors are."""
_SIGMAS_MM: Final = (5.0, 2.0, 1.0, 0.5, 0.2, 0.1)
"""How well a length can be measured, coarse to fine; finer than the last is no work for a ruler."""
_RAISED_SAMPLES = 150
_RISE_MM, _SLOPE, _MOVED_MM = 0.2, 3e-4, 0.05
"""What is not known of a board that stands higher: how much, how it slopes, whether the light has moved since."""
_PLANE_MM = 0.01  # smooth errors of the camera on the board alone
_STEP_MM = 1.0


@dataclass(frozen=True, kw_only=True)
class Decider:
    """Something that would tell the power.

    Attributes
    ----------
    lengths : names of rig.toml's measured lengths, each as well as `sigma_mm`; empty for a raised scan.
    sigma_mm : 1-sigma that is enough.
    raised_mm : how much higher a second scan has to be taken; 0 for lengths.
    """

    lengths: tuple[str, ...] = ()
    sigma_mm: float = float("nan")
    raised_mm: float = 0.0

    def to_dict(self) -> dict[str, Any]:
        """The board's height, or the lengths and their sigma."""
        lengths = {"lengths": list(self.lengths), "sigma_mm": self.sigma_mm}
        return {"raised_mm": self.raised_mm} if self.raised_mm else lengths


def deciders_in_words(deciders: Sequence[Decider]) -> str:
    """A sentence without a full stop on what would tell the power, what does most for it first."""
    if not deciders:
        return (
            f"neither a length known to {_SIGMAS_MM[-1]:g} mm nor a scan on a board {RAISED_MM:g} mm higher would tell "
            "it: judge the mirror without power"
        )
    return "; or ".join(_one_in_words(one) for one in deciders[:2]) + " would tell it"


def _one_in_words(decider: Decider) -> str:
    if decider.raised_mm:
        return f"a scan on a board {decider.raised_mm:g} mm above the table (rigwarp scan RIG --raised MM)"
    keys = ", ".join(f'[[measured]] what = "{name}"' for name in decider.lengths)
    both = " both to" if len(decider.lengths) > 1 else ""
    return f"in rig.toml {keys}, measured{both} sigma_mm = {decider.sigma_mm:g} or better"


def deciders_of(
    model: OpticalModel,
    fit: MapFit,
    power: Array,
    *,
    measured: Sequence[Measured],
    raised: bool,
    camera_mm: Array,
) -> tuple[Decider, ...]:
    """What would tell the power: single lengths, else two together, and a raised scan; empty where none of them would.

    Parameters
    ----------
    power : (P,) derivative of the power by the fit's unknowns.
    measured : lengths that the fit has already; they are not asked for again.
    raised : whether it has a raised scan already.
    camera_mm : (3,) where the camera stands, table frame.
    """
    test = _told(fit, power)
    scale, known = fit.problem.scale, {one.what for one in measured}
    names = [name for name in MEASURED_LENGTHS if name not in known]
    lengths = Lengths(model, [Measured(what=name, mm=1.0, sigma_mm=1.0) for name in names], scale)
    changes = lengths.jacobian(fit.mounting / scale)  # mm by the whitened mounting
    rows = dict(zip(names, np.pad(changes, ((0, 0), (0, len(fit.covariance) - len(scale)))), strict=True))
    found: list[Decider] = []
    for count in (1, 2):
        for chosen in combinations(names, count):
            together = np.stack([rows[name] for name in chosen])
            enough = [s for s in _SIGMAS_MM if test(together, s**2 * np.eye(count))]
            if enough:
                found.append(Decider(lengths=chosen, sigma_mm=max(enough)))
        if found:
            break
    if not raised and test(*_raised_rows(model, fit, camera_mm)):
        found.append(Decider(raised_mm=RAISED_MM))
    return tuple(sorted(found, key=lambda one: (not one.raised_mm, -one.sigma_mm)))


def _told(fit: MapFit, power: Array) -> Callable[[Array, Array], bool]:
    """A test of observations, by derivatives (m, P) and noise covariance (m, m): is the power told with them?"""
    C, prior = fit.covariance, fit.prior_precision
    spread = power @ C

    def test(rows: Array, noise: Array) -> bool:
        seen = C @ rows.T
        gain = np.linalg.solve(rows @ seen + noise, seen.T)
        after = spread - (power @ seen) @ gain
        by_prior = after[: len(prior)]
        return bool(by_prior @ prior @ by_prior < POWER_FROM_PRIOR * (after @ power))

    return test


def _raised_rows(model: OpticalModel, fit: MapFit, camera_mm: Array) -> tuple[Array, Array]:
    """Derivatives (2 n, P) and noise covariance of n samples on a board that stand for all that it would have."""
    every = slice(None, None, max(1, len(fit.problem.data.zone) // _RAISED_SAMPLES))
    data, rows = fit.problem.data.only(every), fit.problem.rows.only(every)
    height = np.full(len(data.zone), model.table_height_mm + RAISED_MM)
    lit = LitPixels(pixels_px=data.pixels_px, zone=data.zone, height_mm=height)
    figure = rows, fit.coefficients_mm
    state = linearise(model, fit.mounting, lit, figure, camera=data.camera)
    above = landing(model, fit.mounting, replace(lit, height_mm=height + _STEP_MM), figure)
    dense = state.dense.copy()
    dense[..., : len(fit.problem.scale)] *= fit.problem.scale
    seen = np.isfinite(dense).all(axis=(1, 2)) & np.isfinite(above).all(axis=-1) & (fit.weight[every] > 0.0)
    full = np.zeros((len(dense), 2, len(fit.covariance)))
    full[..., : dense.shape[-1]] = dense
    for axis in (0, 1):
        np.add.at(
            full[:, axis], (np.arange(len(dense))[:, None], dense.shape[-1] + rows.columns), state.figure[:, axis]
        )
    sight = (camera_mm[:2] - state.table_mm) / (camera_mm[2] - height)[:, None]
    slant = ((above - state.table_mm) / _STEP_MM - sight)[seen]
    noise = _board_noise(slant, state.table_mm[seen])
    share = len(data.zone) / len(fit.problem.data.zone)
    own = share * (fit.noise_scale * data.sigma_mm[seen]) ** 2 / np.maximum(data.information_weight[seen], 1e-3)
    return full[seen].reshape(-1, full.shape[-1]), noise + np.diag(np.repeat(own, 2))


def _board_noise(slant: Array, table_mm: Array) -> Array:
    """(2 n, 2 n) covariance of what all samples on a board share: `slant` (n, 2) mm of shift per mm of height."""
    lever = table_mm - table_mm.mean(axis=0)
    up_mm = np.column_stack([np.full(len(lever), _RISE_MM), _SLOPE * lever])
    columns = [
        slant[:, :, None] * up_mm[:, None, :],
        np.broadcast_to(_MOVED_MM * np.eye(2), (len(lever), 2, 2)),
        plane_warp(table_mm, _PLANE_MM),
    ]
    shared = np.concatenate(columns, axis=-1).reshape(2 * len(lever), -1)
    return np.asarray(shared @ shared.T)
