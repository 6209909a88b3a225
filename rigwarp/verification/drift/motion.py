"""What has moved: rigid motions of projector and mirror that explain how the light moved on the table.

Each explanation is a maximum-a-posteriori fit of a few rigid motions to the dots' shifts, by the traced light path.
The camera's own motion is known from elsewhere, with an uncertainty that every explanation may use. Explanations are
told apart by how much better one fits than the other, in units of the dots' noise; where that is not decisive both are
named.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.geometry.robust import (
    HUBER_WIDE,
    huber_cost,
    huber_weights,
    normal_prior,
    parts_of,
    robust_least_squares,
    sigma_per_axis,
)
from rigwarp.table_map.registration import apply_shifts, trace_zones
from rigwarp.tracing import OpticalModel

Moved = Literal["nothing", "projector", "mirror", "projector or mirror", "projector and mirror"]

_PRIOR = np.repeat([5.0, np.radians(2.0)] * 2, 3)  # mm and rad of what happens to a rig that nobody has rebuilt
_PARTS: dict[str, tuple[int, ...]] = {"projector": tuple(range(6)), "mirror": tuple(range(6, 12))}
_ROUNDS = 6
_DONE = 1e-4  # a step below this share of the prior ends the iteration
_STEP = 1e-3
_SMALLEST_MM = 0.005  # no dot is known better than this from one look to the next
_MODEL_SHARE = 0.002  # of a dot's shift, that a light path fitted to the map does not get right
_PARTS_ACROSS = 4  # of the picture, each way, whose dots may be off together
_NOT_WRONG = 0.95  # of the dots, at least
_DECISIVE = 25.0  # chi-squared between two explanations: five sigma
_WORTH_MM = 0.05  # rms shift of the light below which nobody would notice
_RIGID_SIGMAS, _RIGID_MM = 4.0, 0.1  # what a rigid motion may leave, rms, before it is something else


@dataclass(frozen=True, kw_only=True)
class PartMotion:
    """A rigid motion of one part along table axes, about its own origin, with 1-sigma per component.

    Attributes
    ----------
    part : "projector" or "mirror".
    shift_mm, turn_rad : (3,); a turn is a rotation vector.
    shift_sigma_mm, turn_sigma_rad : (3,); 0 where the motion was taken to be a pure turn or a pure shift.
    """

    part: str
    shift_mm: Array
    turn_rad: Array
    shift_sigma_mm: Array
    turn_sigma_rad: Array


@dataclass(frozen=True, kw_only=True)
class LightShift:
    """Dots that have moved.

    Attributes
    ----------
    pixels_px, zone : (K, 2), (K,) the projector pixels and zones that light them.
    moved_mm : (K, 2) now minus then.
    sigma_mm : (K,) 1-sigma of that per axis, from photo noise.
    by_camera : (K, 2, 6) how a further turn and shift of the camera (its axes) would move them in the measurement.
    camera_covariance : (6, 6) how well the camera's motion is known.
    """

    pixels_px: Array
    zone: NDArray[np.int64]
    moved_mm: Array
    sigma_mm: Array
    by_camera: Array
    camera_covariance: Array


@dataclass(frozen=True, kw_only=True)
class Explanation:
    """What explains a shift of the light.

    Attributes
    ----------
    moved : the part, both, either, or nothing.
    motions : one per part that moved, or per alternative where either may have.
    shifts : (12,) the motion to correct by: projector shift, turn, mirror shift, turn (mm, rad, table axes).
    camera_pose : (6,) further turn and shift of the camera that goes with it.
    left_mm : (K, 2) what it leaves of the dots' shifts.
    rigid : False when no rigid motion explains the shift to the dots' noise.
    rms_mm, left_rms_mm : of the shift as measured, and of what is left.
    chi_squared : per explanation tried.
    """

    moved: Moved
    motions: tuple[PartMotion, ...]
    shifts: Array
    camera_pose: Array
    left_mm: Array
    rigid: bool
    rms_mm: float
    left_rms_mm: float
    chi_squared: dict[str, float]


@dataclass(frozen=True, kw_only=True)
class _Fit:
    """One explanation: shifts (12,), which of them were free, camera pose (6,), what is left, covariance of these."""

    free: tuple[int, ...]
    shifts: Array
    camera_pose: Array
    left_mm: Array
    chi_squared: float
    covariance: Array


def explain_shift(model: OpticalModel, light: LightShift) -> Explanation:
    """Find which part has moved.

    Parameters
    ----------
    model : the light path as it was, mirror figure included as far as it is known.
    light : how dots on the table have moved since.
    """
    fitter = _Fitter(model, light)
    fits = {"nothing": fitter.fit(()), **{part: fitter.fit(free) for part, free in _PARTS.items()}}
    fits["projector and mirror"] = fitter.fit(_PARTS["projector"] + _PARTS["mirror"])
    noise = _noise(fits["projector and mirror"], fitter.sigma_mm)
    chi = {name: fit.chi_squared / noise**2 for name, fit in fits.items()}
    moved = _verdict(chi, _robust_rms(fits["nothing"].left_mm))
    named = ("projector", "mirror") if moved == "projector or mirror" else (moved,)
    chosen = fits[min(named, key=lambda name: chi[name])]
    motions = tuple(motion for name in named for motion in _motions(fitter, name, fits[name], noise))
    left = _rms(chosen.left_mm)
    usual = _rms(np.repeat(fitter.sigma_mm[:, None], 2, axis=1))
    return Explanation(
        moved=moved,
        motions=motions,
        shifts=chosen.shifts,
        camera_pose=chosen.camera_pose,
        left_mm=chosen.left_mm,
        rigid=bool(_robust_rms(chosen.left_mm) < max(_RIGID_SIGMAS * usual, _RIGID_MM)),
        rms_mm=_rms(light.moved_mm),
        left_rms_mm=left,
        chi_squared=chi,
    )


def _verdict(chi: dict[str, float], left_mm: float) -> Moved:
    """The explanation that the figures support; `left_mm` of the shift if only the camera's place is in doubt."""
    single = min(("projector", "mirror"), key=lambda name: chi[name])
    other = "mirror" if single == "projector" else "projector"
    gained = chi["nothing"] - min(chi[single], chi["projector and mirror"])
    if gained < _DECISIVE or left_mm < _WORTH_MM:
        return "nothing"
    if chi[single] - chi["projector and mirror"] > 2.0 * _DECISIVE:
        return "projector and mirror"
    if chi[other] - chi[single] < _DECISIVE:
        return "projector or mirror"
    return "projector" if single == "projector" else "mirror"


def _motions(fitter: "_Fitter", name: str, fit: _Fit, noise: float) -> list[PartMotion]:
    """The motions of an explanation; a pure shift or a pure turn where that alone explains as much."""
    if name == "nothing":
        return []
    if name in _PARTS:
        halves = [fitter.fit(_PARTS[name][:3]), fitter.fit(_PARTS[name][3:])]
        as_good = [half for half in halves if half.chi_squared - fit.chi_squared < _DECISIVE * noise**2]
        fit = as_good[0] if len(as_good) == 1 else fit  # either would do: which it was is not told
    sigma = np.zeros(12)
    alone = noise * np.sqrt(np.diag(fit.covariance)[: len(fit.free)])
    sigma[list(fit.free)] = np.maximum(alone, fitter.sigma_together(fit))
    return [
        PartMotion(
            part=part,
            shift_mm=fit.shifts[list(rows[:3])],
            turn_rad=fit.shifts[list(rows[3:])],
            shift_sigma_mm=sigma[list(rows[:3])],
            turn_sigma_rad=sigma[list(rows[3:])],
        )
        for part, rows in _PARTS.items()
        if set(rows) & set(fit.free)
    ]


class _Fitter:
    """Fits some of the twelve rigid motions and the camera's six."""

    def __init__(self, model: OpticalModel, light: LightShift) -> None:
        self._model = model
        self._light = light
        self._start = trace_zones(model, light.pixels_px, light.zone)
        size = np.linalg.norm(light.moved_mm, axis=-1)
        self.sigma_mm = np.sqrt(light.sigma_mm**2 + _SMALLEST_MM**2 + (_MODEL_SHARE * size) ** 2)
        self._camera_information = np.linalg.inv(light.camera_covariance)

    def fit(self, free: Sequence[int]) -> _Fit:
        """The best explanation by these motions."""
        chosen = list(free)
        n = len(chosen)
        precision = np.zeros((n + 6,) * 2)
        precision[:n, :n] = np.diag(_PRIOR[chosen] ** -2.0)
        precision[n:, n:] = self._camera_information
        found = robust_least_squares(
            lambda unknowns: self._linearised(chosen, unknowns),
            np.zeros(n + 6),
            prior=normal_prior(precision),
            sigma=lambda _: self.sigma_mm,
            limit=HUBER_WIDE,
            passes=_ROUNDS,
            settled=lambda step: bool(np.max(np.abs(step[:n]) / _PRIOR[chosen], initial=0.0) < _DONE),
        )
        left = self._left(chosen, found.unknowns)
        known = np.isfinite(left).all(axis=-1)
        cost = huber_cost(np.linalg.norm(left[known], axis=-1) / self.sigma_mm[known], HUBER_WIDE)
        return _Fit(
            free=tuple(chosen),
            shifts=self._shifts(chosen, found.unknowns),
            camera_pose=found.unknowns[n:],
            left_mm=left,
            chi_squared=cost + float(found.unknowns @ precision @ found.unknowns),
            covariance=found.covariance,
        )

    def sigma_together(self, fit: _Fit) -> Array:
        """(n,) 1-sigma of a fit's free shifts where neighbouring dots are off together.

        The clusters' own scatter instead of the dots' sigmas (Liang and Zeger 1986, Biometrika 73, 13), by parts of the
        picture.
        """
        chosen = list(fit.free)
        left, jacobian = self._linearised(chosen, np.concatenate([fit.shifts[chosen], fit.camera_pose]))
        known = np.isfinite(left).all(axis=-1)
        weight = huber_weights(np.linalg.norm(left, axis=-1) / self.sigma_mm, HUBER_WIDE) / self.sigma_mm**2
        pulls = np.einsum("kin,ki->kn", jacobian(), left * weight[:, None])[known]
        of_part = np.zeros((_PARTS_ACROSS**2, pulls.shape[1]))
        np.add.at(of_part, parts_of(self._light.pixels_px, _PARTS_ACROSS)[known], pulls)
        moved = of_part @ fit.covariance
        return np.asarray(np.sqrt(np.sum(moved**2, axis=0))[: len(chosen)])

    @staticmethod
    def _shifts(chosen: list[int], unknowns: Array) -> Array:
        shifts = np.zeros(12)
        shifts[chosen] = unknowns[: len(chosen)]
        return shifts

    def _left(self, chosen: list[int], unknowns: Array) -> Array:
        model = apply_shifts(self._model, self._shifts(chosen, unknowns))
        moved = trace_zones(model, self._light.pixels_px, self._light.zone) - self._start
        return self._light.moved_mm - moved - self._light.by_camera @ unknowns[len(chosen) :]

    def _linearised(self, chosen: list[int], unknowns: Array) -> tuple[Array, Callable[[], Array]]:
        """What unknowns (free + 6) leave, (K, 2), and its derivatives: finite differences of the traced light path."""
        left = self._left(chosen, unknowns)

        def jacobian() -> Array:
            steps = _STEP * _PRIOR[chosen]
            asides = unknowns + np.pad(np.diag(steps), ((0, 0), (0, 6)))
            columns = [(left - self._left(chosen, one)) / step for one, step in zip(asides, steps, strict=True)]
            return np.concatenate([*(c[..., None] for c in columns), self._light.by_camera], axis=-1)

        return left, jacobian


def _noise(fit: _Fit, sigma_mm: Array) -> float:
    """By how much dots are off beyond their sigmas by the explanation that has every freedom; at least 1.

    The larger of two: how most of them scatter, by the median length, and Birge's ratio (1932, Phys. Rev. 40, 207), the
    root of chi-squared per degree of freedom, without the worst dots, which may be wrong. It is large where the light
    meets a dent elsewhere than before: some dots are off together, and what they gain by an explanation tells nothing.
    """
    sigmas = fit.left_mm / sigma_mm[:, None]
    numbers = 2 * len(sigma_mm)
    lost = numbers / max(numbers - len(fit.free), 1)
    squared = np.sum(sigmas**2, axis=-1)
    squared = np.sort(squared[np.isfinite(squared)])
    squared = squared[: max(1, int(_NOT_WRONG * len(squared)))]
    return max(1.0, sigma_per_axis(sigmas) * float(np.sqrt(lost)), float(np.sqrt(np.mean(squared) / 2.0 * lost)))


def _rms(vectors_mm: Array) -> float:
    return float(np.sqrt(np.nanmean(np.sum(vectors_mm**2, axis=-1))))


def _robust_rms(vectors_mm: Array) -> float:
    """Of the lengths of 2-D Gaussian vectors, by their median."""
    return sigma_per_axis(vectors_mm) * float(np.sqrt(2.0))
