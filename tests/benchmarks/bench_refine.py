"""`rigwarp verify --refine` on the round-table scenario: its table bowed by 0.5 mm, and as it is.

Judged by what was really built: on the bowed table the map must be nearer to the truth afterwards; on the flat one
nothing may change.
"""

import contextlib
import io
import json
import os
import sys
import tempfile
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")  # it would stand on stdout, beside the JSON object

from rigwarp.cli import main  # noqa: E402
from rigwarp.devices import open_virtual  # noqa: E402
from rigwarp.files import current_result, open_rig, read_map  # noqa: E402
from rigwarp.jobs.demo import map_against_truth  # noqa: E402
from rigwarp.scenarios import create_rig  # noqa: E402

BOW_MM = 0.5


def measure() -> dict[str, Any]:
    """Both tables."""
    with tempfile.TemporaryDirectory() as place:
        bowed, flat = (_refined(Path(place) / name, bow) for name, bow in (("bowed", BOW_MM), ("flat", 0.0)))
    return {
        "bowed": bowed,
        "flat": flat,
        "held": {
            "a bowed table: P95 against the truth improves": bowed["p95_after_mm"] < bowed["p95_before_mm"],
            "a bowed table: the new result is kept": bowed["kept"],
            "a flat table: nothing changes": not flat["kept"] and flat["same_result"],
        },
    }


def _refined(root: Path, bow_mm: float) -> dict[str, Any]:
    create_rig("round-table", root)
    text = (root / "virtual.toml").read_text(encoding="utf-8")
    (root / "virtual.toml").write_text(
        text.replace("texture = 0.01", f"texture = 0.01\ntable_bow_mm = {bow_mm}"), encoding="utf-8"
    )
    for command in ("camera", "scan", "fit"):
        _run(command, str(root))
    folder, before = open_rig(root), current_result(root)
    done = json.loads(_run("verify", str(root), "--refine", "--json"))["refinement"]
    truth, after = open_virtual(folder).true_map(), current_result(root)
    errors = [map_against_truth(folder.rig, read_map(result / "map.npz")[0], truth) for result in (before, after)]
    return {
        "kept": done["kept"],
        "same_result": before == after,
        "bow_found_mm": done["table"]["bow_mm"],
        "p95_before_mm": errors[0]["p95_mm"],
        "p95_after_mm": errors[1]["p95_mm"],
        "rms_before_mm": errors[0]["rms_mm"],
        "rms_after_mm": errors[1]["rms_mm"],
    }


def _run(*words: str) -> str:
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        code = main(list(words))
    if code not in (0, 6):
        raise RuntimeError(f"rigwarp {' '.join(words)} ended with {code}")
    return out.getvalue()


if __name__ == "__main__":
    from run import alone

    raise SystemExit(alone("refine", measure))
