"""Rig folders to attack: a small one made in a second, its result taken from the design, and one with everything."""

from pathlib import Path
from unittest import mock

from small_rig import make_small_rig
from whole_chain import true_camera

from rigwarp.cli import main
from rigwarp.devices import open_virtual
from rigwarp.files import (
    make_current,
    new_run,
    open_rig,
    write_adjustment,
    write_camera,
    write_map,
    write_patterns,
    write_picture,
    write_prewarp,
)
from rigwarp.jobs.design import design_map, design_prewarp
from rigwarp.patterns import fast_set
from rigwarp.prewarp import Adjustment, Drag

CORRECTION = Adjustment(drags=(Drag(at_mm=(1, 2), by_mm=(3, 4)),), masks=(((0.0, 0.0), (50.0, 0.0), (0.0, 50.0)),))


def make_quick_rig(root: Path) -> Path:
    """A rig with camera, design, result and correction; nothing was photographed."""
    make_small_rig(root, share=0.1)
    folder = open_rig(root)
    write_camera(root / "camera.json", true_camera(folder, open_virtual(folder)))
    add_result(root)
    write_adjustment(root / "adjust.json", CORRECTION, revision=1)
    photograph_sheet(root)
    return root


def nudge(root: Path) -> None:
    """The projector moves by 0.08 mm, so that refining and registering anew have something to do."""
    truth = (root / "virtual.toml").read_text(encoding="utf-8")
    before = "position_error_mm = [1.4, -1.1, 1.6]"
    assert truth.count(before) == 1
    (root / "virtual.toml").write_text(truth.replace(before, before.replace("1.4", "1.48")), encoding="utf-8")


def refine(root: Path) -> int:
    """Without a look at the sheet, of which a small rig's camera sees too little."""
    with mock.patch("rigwarp.jobs.checks.refine._seen_shape", return_value=None):
        return main(["verify", str(root), "--refine"])


def photograph_sheet(root: Path) -> None:
    """A photograph of the sheet on the table, beside the rig's own files."""
    write_picture(root / "sheet.png", open_virtual(open_rig(root)).table_sheet_photo())


def add_result(root: Path) -> Path:
    """Another result, which is current."""
    folder = open_rig(root)
    with new_run(root / "results", "made for a test", folder) as run:
        write_map(run / "map.npz", design_map(folder), rig_hash=folder.rig_hash, scan="none")
        write_prewarp(run / "prewarp.npz", design_prewarp(folder))
        write_patterns(run / "patterns.json", fast_set(folder.rig.projector.resolution, transfer=2.2))
    make_current(root, run)
    return run


def make_whole_rig(root: Path) -> Path:
    """A rig on which every command has been at work; half a minute."""
    make_small_rig(root, share=0.25)
    folder = open_rig(root)
    write_camera(root / "camera.json", true_camera(folder, open_virtual(folder)))
    for command in ("trace", "scan", "fit", "verify", "report"):
        assert main([command, str(root)]) == 0
    photograph_sheet(root)
    nudge(root)
    write_adjustment(root / "adjust.json", CORRECTION, revision=1)
    return root
