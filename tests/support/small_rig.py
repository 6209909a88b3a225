"""The round-table scenario at a quarter of its pixels, so that the whole job takes seconds."""

import re
from pathlib import Path

from rigwarp.scenarios import create_rig


def make_small_rig(
    root: Path, scenario: str = "round-table", *, share: float = 0.5, whole_camera: bool = False
) -> Path:
    """A virtual rig folder with a share of the pixels along each side, in projector, camera and content.

    A `whole_camera` keeps all of its own.
    """
    kept = "camera" if whole_camera else None
    create_rig(scenario, root)
    rig = (root / "rig.toml").read_text(encoding="utf-8")
    rig = _scaled(rig, "resolution", lambda n: int(n * share), kept)
    rig = _scaled(rig, "pixels", lambda n: int(n * share))
    rig = _view_scaled(rig, share)
    (root / "rig.toml").write_text(rig, encoding="utf-8")
    truth = (root / "virtual.toml").read_text(encoding="utf-8")
    truth = _scaled(truth, "focal_px", lambda f: f * share, kept)
    truth = _scaled(truth, "principal_px", lambda c: (c + 0.5) * share - 0.5, kept)
    (root / "virtual.toml").write_text(_view_scaled(truth, share), encoding="utf-8")
    return root


def _view_scaled(text: str, share: float) -> str:
    """A view's focal length is one number."""
    return re.sub(r"^focal_px = ([\d.]+)$", lambda m: f"focal_px = {share * float(m[1])}", text, flags=re.MULTILINE)


def _scaled(text: str, key: str, change, kept: str | None = None) -> str:
    """All values of a key changed but that of the table `kept`."""

    def replaced(match: re.Match[str]) -> str:
        table = text[: match.start()].rpartition("\n[")[2].partition("]")[0]
        if table == kept:
            return match.group()
        numbers = [change(float(n)) for n in match.group(2).split(",")]
        return f"{match.group(1)}[{', '.join(str(n) for n in numbers)}]"

    changed, count = re.subn(rf"^({key}\s*=\s*)\[([^\]]*)\]", replaced, text, flags=re.MULTILINE)
    assert count, f"{key} not found"
    return changed
