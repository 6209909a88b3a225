"""Conic mirrors traced by an outside optics library, prysm (its generalised ray tracing after Spencer and Murty, 1962).

Set-up: check_values.md §1.10, the lens at (0, 0, -90), light along +z, mirror vertex at the origin, table at z = -400.
Beside it stand results of a second library, optiland 0.6, in data/optiland_conics.json ("origin" tells how they were
made); that one is not installed for the tests, as it brings 0.9 GB. Both start their search on the vertex's tangent
plane, so that the far sheet of a hyperboloid is not met.
"""

from typing import Any

import numpy as np

CASES = [(sign * 100.0, k) for sign in (1.0, -1.0) for k in (0.0, -1.0, -0.5, -2.25)]
PIXELS = [(float(u), float(v)) for u in np.linspace(0.0, 1279.0, 24) for v in np.linspace(0.0, 719.0, 24)]
_FOCAL_PX, _LENS_MM, _TABLE_MM = 1536.0, -90.0, -400.0


def trace(radius_mm: float, conic: float) -> Any:
    """(N, 2) table positions of PIXELS."""
    from prysm.experimental.raytracing.spencer_and_murty import raytrace
    from prysm.experimental.raytracing.surfaces import Surface

    u, v = np.array(PIXELS).T
    d = np.stack([(u - 639.5) / _FOCAL_PX, (v - 359.5) / _FOCAL_PX, np.ones(len(u))], axis=-1)
    d /= np.linalg.norm(d, axis=-1, keepdims=True)
    mirror = Surface.conic(1.0 / radius_mm, conic, "reflect", [0.0, 0.0, 0.0])
    met, turned = raytrace([mirror], np.broadcast_to([0.0, 0.0, _LENS_MM], d.shape), d, wvl=0.55)
    reach = (_TABLE_MM - met[-1, :, 2:]) / turned[-1, :, 2:]
    return (met[-1] + reach * turned[-1])[:, :2]
