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


def measure(rigs: int = RIGS) -> dict[str, Any]:
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
    figures = {
        "rigs": rigs,
        "rms_mm": float(np.sqrt(np.mean(square))),
        "worst_p95_mm": float(np.max(p95)),
        "z": float(np.sqrt(np.mean(z))),
        "lean_z": float(np.sqrt(np.mean(lean_z))),
        "seen": float(np.min(seen)),
    }
    held = {
        "rms at most 0.05 mm": figures["rms_mm"] <= 0.05,
        "P95 at most 0.10 mm on every rig": figures["worst_p95_mm"] <= 0.10,
        "98 % of what is seen": figures["seen"] >= 0.98,
        "error over sigma 0.9 to 1.1": 0.9 <= figures["z"] <= 1.1,
        "lean's error over its sigma at most 1.2": figures["lean_z"] <= 1.2,
    }
    return {**figures, "held": held}


if __name__ == "__main__":
    from run import alone

    sys.exit(alone("view", measure))
