"""A view's map over virtual rigs drawn from their tolerances: error, and error over sigma.

Rays are the virtual rig's own; places have independent noise and a smooth error that a projector's map would share.
Patterns through mirrors, glass and a whole job: `rigwarp demo two-wings` and `--view-only`.
"""

import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from virtual_views import errors, sorting_view

from rigwarp.view import fit_view

RIGS = 24
_SHARE = 0.2
WANTED = {
    "rms_mm": "at most 0.05",
    "p95_mm": "at most 0.10",
    "z": "0.9 to 1.1",
    "lean_z": "0.5 to 1.2",
    "seen": "at least 0.98",
}


def run(*, rigs: int = RIGS) -> dict[str, Any]:
    """Pooled figures over so many rigs."""
    square, z, lean_z, seen, p95 = [], [], [], [], []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(1, rigs + 1):
            view = sorting_view(Path(folder) / f"rig-{seed}", share=_SHARE, seed=seed)
            fit = fit_view(view.parts, view.seen, view.folder.rig.table)
            vectors, sigma_mm = errors(fit.view_map, view.true)
            square.append(np.mean(np.sum(vectors**2, axis=-1)))
            p95.append(np.percentile(np.linalg.norm(vectors, axis=-1), 95))
            z.append(np.mean((vectors / sigma_mm[:, None]) ** 2))
            both = fit.view_map.measured & view.true.answered
            lean = (fit.view_map.lean - view.true.lean)[both]
            lean_z.append(np.mean(lean**2) / max(fit.registration.lean_sigma) ** 2)
            seen.append(both.sum() / view.true.answered.sum())
    return {
        "rigs": rigs,
        "rms_mm": float(np.sqrt(np.mean(square))),
        "p95_mm": float(np.max(p95)),
        "z": float(np.sqrt(np.mean(z))),
        "lean_z": float(np.sqrt(np.mean(lean_z))),
        "seen": float(np.min(seen)),
    }


if __name__ == "__main__":
    print(run(rigs=int(sys.argv[1]) if len(sys.argv) > 1 else RIGS))  # noqa: T201
