"""How far triangles stray, against every pixel's triangle found and interpolated."""

import numpy as np
from scipy.spatial import Delaunay

from rigwarp.prewarp.rasterise import cover_pixels, interpolate, largest_strays


def test_strays_are_those_of_the_interpolated_picture() -> None:
    rng = np.random.default_rng(5)
    vertices = np.concatenate([rng.uniform(0.0, [40.0, 30.0], (30, 2)), [[-1, -1], [41, -1], [41, 31], [-1, 31]]])
    triangles = Delaunay(vertices).simplices.astype(np.int32)
    values, wanted = rng.normal(size=(len(vertices), 2)), rng.normal(size=(31, 41, 2))
    wanted[5:9, 10:20] = np.nan
    cover = cover_pixels(vertices, triangles, (41, 31))
    off = np.linalg.norm(interpolate(cover, values, triangles) - wanted, axis=-1)
    counts = np.isfinite(off)
    expected = np.zeros(len(triangles))
    np.maximum.at(expected, cover.triangle[counts], off[counts])
    found = largest_strays(vertices, values, triangles, wanted, np.isfinite(wanted[..., 0]))
    assert np.abs(found - expected).max() < 1e-9
