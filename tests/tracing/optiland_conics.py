"""Conic mirrors traced by an outside optics library, optiland (in the extra `test`).

    python tests/tracing/optiland_conics.py

writes data/optiland_conics.json, which the tests always compare with; with the library at hand they trace anew as well.
Set-up: check_values.md §1.10, the lens at (0, 0, -90), light along +z, mirror vertex at the origin, table at z = -400.
Rays start on the vertex's tangent plane, so that the far sheet of a hyperboloid is not met.
"""

import json
from pathlib import Path
from typing import Any

import numpy as np

FILE = Path(__file__).parent / "data" / "optiland_conics.json"
CASES = [(sign * 100.0, k) for sign in (1.0, -1.0) for k in (0.0, -1.0, -0.5, -2.25)]
PIXELS = [(float(u), float(v)) for u in np.linspace(0.0, 1279.0, 24) for v in np.linspace(0.0, 719.0, 24)]
_FOCAL_PX, _LENS_MM, _TABLE_MM = 1536.0, -90.0, -400.0


def trace(radius_mm: float, conic: float) -> Any:
    """(N, 2) table positions of PIXELS."""
    from optiland.coordinate_system import CoordinateSystem
    from optiland.geometries import StandardGeometry
    from optiland.rays import RealRays

    u, v = np.array(PIXELS).T
    d = np.stack([(u - 639.5) / _FOCAL_PX, (v - 359.5) / _FOCAL_PX, np.ones(len(u))], axis=-1)
    d /= np.linalg.norm(d, axis=-1, keepdims=True)
    start = np.array([0.0, 0.0, _LENS_MM]) - _LENS_MM * d / d[:, 2:]
    rays = RealRays(*start.T, *d.T, np.ones(len(u)), np.ones(len(u)))
    geometry = StandardGeometry(CoordinateSystem(), radius_mm, conic)
    reach = geometry.distance(rays)
    rays.x, rays.y, rays.z = rays.x + reach * rays.L, rays.y + reach * rays.M, rays.z + reach * rays.N
    rays.reflect(*geometry.surface_normal(rays))
    reach = (_TABLE_MM - rays.z) / rays.N
    return np.stack([rays.x + reach * rays.L, rays.y + reach * rays.M], axis=-1)


def main() -> None:
    """Trace every case and write the file."""
    from importlib.metadata import version

    made = {
        "origin": f"optiland {version('optiland')}, StandardGeometry, numpy {np.__version__}, float64",
        "pixels": "24 x 24 over 1280 x 720, ends included, u outermost",
        "table_mm": [{"radius_mm": r, "conic": k, "xy": trace(r, k)[::5].tolist()} for r, k in CASES],
        "every": 5,
    }
    FILE.write_text(json.dumps(made, indent=None, separators=(",", ":")) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
