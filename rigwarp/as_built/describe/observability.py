"""Which directions of the mounting the scan cannot tell, in words."""

from dataclasses import dataclass

import numpy as np

from rigwarp.as_built.describe.alignment import RigidMotions
from rigwarp.geometry import Array, BoolArray
from rigwarp.tracing import OpticalModel

UNDETERMINED = 0.8
"""Share of the prior variance that must be left for a direction to count as not told by the scan."""

_NO_TURN = 1e-5  # rad per mm of motion: less is rounding, as no axis lies 100 m away
_INSIDE = 0.9  # share of a named direction (length) that must lie among the undetermined ones
_NUMBERS = {2: "two", 3: "three"}
_WORTH_NAMING = 0.35  # components of a unit direction below this are not mentioned
_PARTS = tuple(
    f"{part} {what} {axis}" for part in ("projector", "mirror") for what in ("shift", "turn") for axis in "xyz"
)


@dataclass(frozen=True, kw_only=True)
class Observability:
    """Directions of the whitened mounting (12) that keep their prior, and which single numbers do.

    Attributes
    ----------
    names : the directions in words.
    determined : (12,) whether each shift and turn by itself is told by the scan.
    """

    names: tuple[str, ...]
    determined: BoolArray


def observability(
    model: OpticalModel, motions: RigidMotions, tolerances: Array, covariance: Array, centre_mm: Array
) -> Observability:
    """Name what the scan cannot tell.

    Parameters
    ----------
    model : the design.
    motions : the rigid motions of its mirror.
    tolerances : (12,) prior sigmas.
    covariance : (12, 12) posterior in units of these.
    centre_mm : (3,) middle of the lit part of the mirror, table frame.
    """
    names, known = _symmetries(model, motions, tolerances, covariance)
    value, vector = np.linalg.eigh(covariance)
    weak = vector[:, value > UNDETERMINED]
    weak = _without(weak, known)
    for name, candidate in _candidates(model, motions, tolerances, centre_mm):
        # decentring a paraboloid and spinning it are not at right angles in units of the tolerances
        direction = candidate - known @ (known.T @ candidate)
        size = np.linalg.norm(direction)
        if weak.shape[1] and size > _WORTH_NAMING and np.linalg.norm(weak.T @ direction) > _INSIDE * size:
            names.append(name)
            found = weak @ (weak.T @ direction)
            known = np.column_stack([known, found / np.linalg.norm(found)])
            weak = _without(weak, known)
    names += [_describe(direction) for direction in weak.T]
    counted = {name: names.count(name) for name in names}
    once = tuple(name if n == 1 else f"{name} ({_NUMBERS.get(n, n)} directions)" for name, n in counted.items())
    return Observability(names=once, determined=np.diag(covariance) < UNDETERMINED)


def _symmetries(
    model: OpticalModel, motions: RigidMotions, tolerances: Array, covariance: Array
) -> tuple[list[str], Array]:
    """Names and orthonormal directions (12, k) of motions that leave the design mirror as it is."""
    if not len(motions.symmetries):
        return [], np.zeros((12, 0))
    directions = np.stack([_mirror_motion(model, m) / tolerances for m in motions.symmetries], axis=1)
    basis = np.linalg.qr(directions)[0]
    free = [i for i in range(basis.shape[1]) if basis[:, i] @ covariance @ basis[:, i] > UNDETERMINED]
    return (symmetry_names(motions.symmetries) if free else []), basis


def symmetry_names(symmetries: Array) -> list[str]:
    """Motions (j, 6) of unit size (mm) that leave a surface as it is, in words."""
    turns = int(np.linalg.matrix_rank(symmetries[:, 3:], tol=_NO_TURN))
    slides = len(symmetries) - turns
    if turns == 3:
        return ["turns of the mirror about the centre of its sphere (three directions)"]
    if slides == 2:
        return ["sliding of the mirror within its plane (two directions)", "spin of the mirror within its plane"]
    if slides == 1:
        return ["sliding of the mirror along its straight direction"] + turns * ["turn of the mirror about its axis"]
    return ["spin of the mirror about its axis of revolution"]


def _candidates(
    model: OpticalModel, motions: RigidMotions, tolerances: Array, centre_mm: Array
) -> list[tuple[str, Array]]:
    """Directions (12,), unit length in units of the priors, that have a name."""
    found = []
    away = centre_mm - model.projector.placement.position_mm
    away = away / np.linalg.norm(away)
    together = np.zeros(12)
    together[0:3] = away
    found.append(("distance of the projector from the mirror, against the mirror's radius", together))
    for motion in motions.hidden:
        found.append(("decentring of the mirror with the tilt that undoes it", _mirror_motion(model, motion)))
    for k, axis in enumerate("xyz"):
        both = np.zeros(12)
        both[[k, 6 + k]] = 1.0
        found.append((f"projector and mirror shifted together along table {axis}", both))
    for k, axis in enumerate("xyz"):
        about = np.zeros(12)
        turn = np.eye(3)[k]
        about[3:6] = about[9:12] = turn
        about[0:3] = np.cross(turn, model.projector.placement.position_mm - centre_mm)
        found.append((f"projector and mirror turned together about table {axis}", about))
    scaled = [(name, direction / tolerances) for name, direction in found]
    return [(name, direction / np.linalg.norm(direction)) for name, direction in scaled]


def _mirror_motion(model: OpticalModel, motion: Array) -> Array:
    """(12,) of a mirror motion (6,) in its own frame."""
    R = model.mirror.rotation
    return np.concatenate([np.zeros(6), R @ motion[:3], R @ motion[3:]])


def _without(directions: Array, known: Array) -> Array:
    """Orthonormal basis of what is left of `directions` (12, k) outside the span of `known` (12, j)."""
    if not known.shape[1] or not directions.shape[1]:
        return directions
    basis = np.linalg.qr(known)[0]
    left = directions - basis @ (basis.T @ directions)
    u, size, _ = np.linalg.svd(left, full_matrices=False)
    return np.asarray(u[:, size > 0.5], float)


def _describe(direction: Array) -> str:
    """The main components of a unit direction, the largest first."""
    order = np.argsort(-np.abs(direction))
    sign = np.sign(direction[order[0]])
    main = [i for i in order if abs(direction[i]) > _WORTH_NAMING] or [order[0]]
    words = [("" if i == main[0] else ("with " if sign * direction[i] > 0 else "against ")) + _PARTS[i] for i in main]
    return ", ".join(words)
