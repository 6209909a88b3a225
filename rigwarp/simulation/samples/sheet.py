"""One piece: its two faces as height maps, rays through both, and what Fresnel's equations leave of each beam.

Mirror frame: the front face at z = 0, x in the plane of incidence, z towards projector and screen.
"""

import numpy as np

from rigwarp.geometry import Array, normalize, reflect
from rigwarp.simulation.samples.truth import Piece

BEAMS = ("front", "main", "third")


def surface(piece: Piece, x: Array, y: Array) -> tuple[Array, Array, Array]:
    """Height (mm) and slopes along x and y that both faces share, at points of any one shape."""
    height, along_x, along_y = (np.zeros(np.shape(x)) for _ in range(3))
    for wave in piece.waves:
        rate = 2.0 * np.pi / wave.wavelength_mm
        cosine, sine = np.cos(wave.direction_rad), np.sin(wave.direction_rad)
        # single precision is 1e-5 of a slope, and several times as quick
        turn = np.asarray(rate * (cosine * x + sine * y) + wave.phase_rad, np.float32)
        slope = wave.slope_rad * np.cos(turn)
        height += wave.slope_rad / rate * np.sin(turn)
        along_x += cosine * slope
        along_y += sine * slope
    if piece.bow_radius_mm is not None:
        height += (x**2 + y**2) / (2.0 * piece.bow_radius_mm)
        along_x += x / piece.bow_radius_mm
        along_y += y / piece.bow_radius_mm
    return height, along_x, along_y


def refract(directions: Array, normals: Array, ratio: float) -> Array:
    """Unit directions (..., 3) behind a boundary of index ratio n1/n2; normals against the light. Snell as vectors."""
    cosine = -np.sum(directions * normals, axis=-1, keepdims=True)
    inside = np.sqrt(1.0 - ratio**2 * (1.0 - cosine**2))
    return np.asarray(ratio * directions + (ratio * cosine - inside) * normals)


def _face(piece: Piece, points: Array, directions: Array, *, rear: bool) -> tuple[Array, Array]:
    """Where rays meet a face, and its normal there; heights are micrometres, so one step from the plane is plenty."""
    base = -piece.thickness_mm if rear else 0.0
    wedge = piece.wedge_rad if rear else 0.0

    def onto(height: Array | float) -> Array:
        return np.asarray(points + directions * ((height - points[..., 2]) / directions[..., 2])[..., None])

    plane = onto(base)
    height, along_x, along_y = surface(piece, plane[..., 0], plane[..., 1])
    normal = normalize(np.stack([-along_x - wedge, -along_y, np.ones_like(along_x)], axis=-1))
    return onto(base + height + wedge * plane[..., 0]), normal


def trace_piece(piece: Piece, points: Array, directions: Array) -> dict[str, tuple[Array, Array]]:
    """Where each beam leaves the front face (..., 3), and its direction (..., 3).

    The rays come in by points (..., 3) anywhere on them and unit directions. Red light's index is left out.

    Colours part by the index's dispersion, 1 % of a double image's distance; the green one stands for all.
    """
    front, normal = _face(piece, points, directions, rear=False)
    bounced = (front, reflect(directions, normal))
    if piece.thickness_mm == 0.0:
        return {"main": bounced}
    index = piece.index[1]
    found = {"front": bounced}
    here, inside = front, refract(directions, normal, 1.0 / index)
    for name in ("main", "third"):
        here, rear_normal = _face(piece, here, inside, rear=True)
        back = reflect(inside, rear_normal)
        here, out_normal = _face(piece, here, back, rear=False)
        found[name] = (here, refract(back, -out_normal, index))
        inside = reflect(back, out_normal)
    return found


def beam_shares(piece: Piece, colour: int, incidence_rad: Array) -> dict[str, Array]:
    """Share of unpolarised light in each beam at one colour, for incidences of any shape."""
    cosine = np.cos(incidence_rad)
    covered, metal = piece.covered[colour], piece.metal[colour]
    if piece.thickness_mm == 0.0:
        s, p = _boundary(1.0, metal, cosine)
        return {"main": covered * 0.5 * (s + p)}
    index = piece.index[colour]
    inside = np.sqrt(1.0 - (1.0 - cosine**2) / index**2)
    fronts = _boundary(1.0, index, cosine)
    rears = [covered * rear for rear in _boundary(index, metal, inside)]
    found = {name: np.zeros(np.shape(cosine)) for name in BEAMS}
    for front, rear in zip(fronts, rears, strict=True):
        found["front"] += 0.5 * front
        found["main"] += 0.5 * (1.0 - front) ** 2 * rear
        found["third"] += 0.5 * (1.0 - front) ** 2 * rear**2 * front
    return found


def _boundary(before: float, behind: complex, cosine: Array) -> tuple[Array, Array]:
    """Reflectance of s and p polarisation, with effective admittances."""
    root = np.sqrt(behind**2 - before**2 * (1.0 - cosine**2) + 0j)
    s = (before * cosine - root) / (before * cosine + root)
    p = (behind**2 * cosine - before * root) / (behind**2 * cosine + before * root)
    return np.abs(s) ** 2, np.abs(p) ** 2
