"""`calibrate`: what goes on beside the scan."""

import threading
from pathlib import Path
from typing import Any

import pytest

from rigwarp.files import open_rig
from rigwarp.jobs import calibrate
from rigwarp.jobs.progress import SILENT
from rigwarp.jobs.results import design_ahead
from rigwarp.scenarios import create_own_rig


def test_ctrl_c_during_the_scan_does_not_wait_for_the_design(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A mirror from CAD takes seconds; whoever waits for it never gets here, since only then may it end."""
    create_own_rig("conic", tmp_path / "rig")
    begun, may_end, ended = threading.Event(), threading.Event(), threading.Event()

    def design(folder: Any) -> None:
        begun.set()
        assert may_end.wait(20.0)
        ended.set()

    def scans(*_: Any, **__: Any) -> None:
        assert begun.wait(20.0)
        raise KeyboardInterrupt

    monkeypatch.setattr(design_ahead, "design_model", design)
    monkeypatch.setattr(calibrate, "take_scans", scans)
    with pytest.raises(KeyboardInterrupt):
        calibrate.calibrate_rig(SILENT, open_rig(tmp_path / "rig"), None)  # type: ignore[arg-type]
    assert not ended.is_set()
    may_end.set()
    assert ended.wait(20.0)
