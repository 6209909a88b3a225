"""The uncertainty budget on the three virtual rigs: how many residuals lie within k = 2.

"check dots, budget": residuals of the check grid inside the budget's repeatable part, each dot judged by its
neighbours; "check dots, prediction": inside what scan, mesh and the finding of the dots predict without looking at any
dot; "truth": errors of the map against what was built, inside the absolute budget. A virtual rig is one draw of a print
scale and a sheet, on a table that is flat: of what is common to all positions it can say little, so no share is wanted
there.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
from demo_rigs import demo_folders

from rigwarp.devices import open_virtual
from rigwarp.files import current_result, open_rig, read_map
from rigwarp.rig import inside_content

_SCENARIOS = ("round-table", "freeform-desk", "folded-counter")
_WANTED = (0.93, 0.97)


def measure() -> dict[str, Any]:
    """Shares within k = 2, and the expanded uncertainty, of each scenario."""
    figures: dict[str, Any] = {}
    held: dict[str, bool] = {}
    for scenario, root in demo_folders(_SCENARIOS):
        figures[scenario] = found = _judge(root)
        wanted = f"{scenario}: {_WANTED[0]:.0%} to {_WANTED[1]:.0%} of the check dots' residuals inside"
        held[wanted] = _WANTED[0] <= found["check dots, budget"] <= _WANTED[1]
    return {**figures, "held": held}


def _judge(root: Path) -> dict[str, Any]:
    folder, result = open_rig(root), current_result(root)
    budget = json.loads((result / "budget.json").read_text(encoding="utf-8"))
    whole = next(region for region in budget["regions"] if region["name"] == "all")
    table_map, _ = read_map(result / "map.npz")
    truth = open_virtual(folder).true_map()
    both = truth.answered & table_map.measured
    both[both] = inside_content(folder.rig.content, truth.table_mm[both])
    error = np.abs(table_map.table_mm[both] - truth.table_mm[both])
    return {
        "check dots, budget": budget["check_grid"]["inside"],
        "check dots, prediction": budget["check_grid"]["inside_predicted"],
        "truth": float(np.mean(error <= whole["expanded_mm"])),
        "expanded, per axis (mm)": whole["expanded_mm"],
        "repeatable, 1-sigma (mm)": whole["repeatable_mm"],
    }


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parent))
    from run import alone

    sys.exit(alone("budget", measure))
