"""`next`: each state of a rig folder has its sentence and its command."""

import json
import os
from pathlib import Path

import numpy as np
import pytest

from rigwarp.files import RigFolder, make_current, new_run, open_rig, rig_locked, write_bytes, write_map
from rigwarp.files.names import LOCK_FILE
from rigwarp.files.records import DriftRecord, VerificationRecord
from rigwarp.files.rig_lock import try_lock
from rigwarp.geometry import PixelMap
from rigwarp.jobs.next_step import next_step
from rigwarp.scenarios import create_own_rig


@pytest.fixture
def folder(tmp_path: Path) -> RigFolder:
    create_own_rig("conic", tmp_path / "rig")
    return open_rig(tmp_path / "rig")


def traced(folder: RigFolder) -> None:
    one = np.ones((2, 2))
    design = PixelMap(x_mm=one, y_mm=one, sigma_mm=one, zone=np.zeros((2, 2), np.int16), measured=one > 2)
    write_map(folder.root / "design.npz", design, rig_hash=folder.rig_hash, replace=True)


def scanned(folder: RigFolder) -> Path:
    with new_run(folder.root / "scans", "scan", folder) as scan:
        pass
    return scan


def fitted(folder: RigFolder, *, latest_scan: str | None = None) -> Path:
    settings = {"scans": [scanned(folder).name], "latest_scan": latest_scan}
    with new_run(folder.root / "results", "fit", folder, settings=settings) as result:
        pass
    make_current(folder.root, result)
    return result


def test_from_an_empty_folder_to_a_picture_that_is_good(folder: RigFolder) -> None:
    root = folder.root
    assert next_step(folder).command == f"rigwarp trace {root}"
    traced(folder)
    assert next_step(folder).command == f"rigwarp camera {root}"
    write_bytes(root / "camera.json", b"{}")
    assert next_step(folder).command == f"rigwarp calibrate {root}"
    result = fitted(folder)
    assert next_step(folder).command == f"rigwarp verify {root}"
    assert "nobody has looked at the picture" in next_step(folder).standing
    write_bytes(result / "quick.npz", b"")  # as a registration anew leaves one
    assert "good by a quick look" in next_step(folder).standing
    record = {"before": {"n": 90, "p95_mm": 9.4}, "after": {"n": 90, "p95_mm": 0.02, "missing": []}}
    VerificationRecord.from_dict(record).write(result / "verification.json")
    step = next_step(folder)
    assert "before 9.4 mm, now 0.02 mm" in step.standing
    assert "good" in step.standing
    assert step.command.startswith("rigwarp play")
    look = {"findings": ["projector"], "advice": "re-register", "why": "a rigid motion explains the shift"}
    DriftRecord.from_dict(look).write(result / "drift.json")
    assert next_step(folder).command == f"rigwarp verify {root} --quick --reregister"
    VerificationRecord.from_dict(record).write(result / "verification.json", replace=True)  # looked at since
    os.utime(result / "drift.json", ns=(0, 0))
    assert next_step(folder).command.startswith("rigwarp play")
    scanned(folder)
    assert next_step(folder).command == f"rigwarp fit {root}"


@pytest.mark.parametrize("stamp", ["20200101T000000Z", "29990101T000000Z"])
def test_a_scan_is_newer_whatever_its_stamp_until_a_fit_has_seen_it(folder: RigFolder, stamp: str) -> None:
    """A clock was put back; a fit has seen a scan on a raised board, too, which is none of the table's."""
    traced(folder)
    write_bytes(folder.root / "camera.json", b"{}")
    fitted(folder)
    scanned(folder).rename(folder.root / "scans" / stamp)
    assert next_step(folder).command == f"rigwarp fit {folder.root}"
    fitted(folder, latest_scan=stamp)
    (folder.root / "scans" / stamp / "start.json").write_text(
        (folder.root / "scans" / stamp / "start.json").read_text().replace('"number": 2', '"number": 9')
    )
    assert next_step(folder).command == f"rigwarp verify {folder.root}"


@pytest.mark.parametrize("after", [{"p95_mm": 3.0, "missing": []}, {"p95_mm": 0.02, "missing": [3, 4]}])
def test_a_picture_that_is_off_is_not_called_good(folder: RigFolder, after: dict[str, object]) -> None:
    traced(folder)
    write_bytes(folder.root / "camera.json", b"{}")
    result = fitted(folder)
    VerificationRecord.from_dict({"after": after}).write(result / "verification.json")
    step = next_step(folder)
    assert "good" not in step.standing
    assert step.command == f"rigwarp report {folder.root}"


def test_a_scan_that_still_runs_is_waited_for_not_resumed(folder: RigFolder) -> None:
    """Another process holds the rig's lock, here another open file of this one: `flock` takes them alike."""
    traced(folder)
    write_bytes(folder.root / "camera.json", b"{}")
    with (folder.root / LOCK_FILE).open("w+") as other:
        json.dump({"process": 4321, "doing": "scan", "since": "2026-01-01T00:00:00+00:00"}, other)
        other.flush()
        try_lock(other.fileno())
        step = next_step(folder)
        assert "Process 4321 (scan, since 2026" in step.standing
        assert step.command == f"rigwarp next {folder.root}"
    assert next_step(folder).command == f"rigwarp calibrate {folder.root}"
    with rig_locked(folder.root, "calibrate"):  # at the end of a command of this process
        assert next_step(folder).command == f"rigwarp calibrate {folder.root}"


def test_a_changed_rig_goes_back_to_trace(folder: RigFolder) -> None:
    traced(folder)
    rig = folder.root / "rig.toml"
    rig.write_text(rig.read_text().replace("gamma = 2.2", "gamma = 2.0"))
    assert next_step(open_rig(folder.root)).command == f"rigwarp trace {folder.root}"
