"""A live scan by a camera that delivers its pictures another way round than those of the sheet."""

import json

import pytest
from loop_rig import make_virtual_rig

from rigwarp.cli import main
from rigwarp.files import complete_runs
from rigwarp.simulation.virtual_rig import VirtualCamera


@pytest.mark.parametrize(("turned", "said"), [((1, -1), "mirrored left to right"), ((-1, -1), "turned by 180 degrees")])
def test_a_camera_that_turns_its_picture_is_named(tmp_path, monkeypatch, capsys, turned, said):
    root = make_virtual_rig(tmp_path / "rig")
    grab = VirtualCamera.grab
    monkeypatch.setattr(VirtualCamera, "grab", lambda camera: grab(camera)[:: turned[0], :: turned[1]].copy())
    assert main(["scan", str(root), "--no-look", "--blur", "3", "--json"]) == 5
    assert said in capsys.readouterr().err
    assert complete_runs(root / "scans") == []
    monkeypatch.undo()
    if turned == (1, -1):
        assert main(["scan", str(root), "--no-look", "--blur", "3", "--json"]) == 0
        assert json.loads(capsys.readouterr().out)["scan"]
