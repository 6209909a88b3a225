"""`rigwarp new` and `rigwarp check`."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.spatial import cKDTree
from small_rig import make_small_rig

from rigwarp.capture.preflight.findings import PreflightFinding
from rigwarp.capture.preflight.look import Preflight
from rigwarp.commands.console import CAUTION
from rigwarp.errors import DeviceError
from rigwarp.files import make_current, new_run, open_rig, write_map
from rigwarp.geometry import PixelMap
from rigwarp.jobs.bench import machine
from rigwarp.jobs.bench.machine import Machine
from rigwarp.rig import inside_content
from rigwarp.scenarios import create_rig, scenario_names
from rigwarp.simulation.virtual_rig import VirtualCamera
from rigwarp.tracing import build_model, trace_map


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    create_rig("round-table", tmp_path / "rig")
    return tmp_path / "rig"


@pytest.mark.parametrize("scenario", scenario_names())
def test_new_makes_a_rig_that_opens(run: Callable[..., Any], tmp_path: Path, scenario: str) -> None:
    code, out, _ = run("new", tmp_path / "a" / "b", "--like", scenario)
    assert code == 0
    assert "rig.toml" in out
    assert open_rig(tmp_path / "a" / "b").rig.name != "unnamed rig"


def test_new_refuses_a_folder_with_something_in_it(run: Callable[..., Any], tmp_path: Path) -> None:
    (tmp_path / "precious.txt").write_text("x")
    code, out, err = run("new", tmp_path)
    assert (code, out) == (3, "")
    assert "found files in it" in err
    assert [path.name for path in tmp_path.iterdir()] == ["precious.txt"]


def test_new_on_a_file(run: Callable[..., Any], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    code, _, err = run("new", tmp_path / "file")
    assert code == 3
    assert "cannot be made a folder" in err


def test_unknown_scenario_lists_the_known_ones(run: Callable[..., Any], tmp_path: Path) -> None:
    code, _, err = run("new", tmp_path / "rig", "--like", "square-table")
    assert code == 2
    assert all(name in err for name in scenario_names())
    assert not (tmp_path / "rig").exists()


def test_round_table_lights_its_content(rig: Path) -> None:
    """Geometry: traced light lands within 3 mm of every point of the content area (pixels are 0.3 mm apart there)."""
    folder = open_rig(rig)
    lit = trace_map(build_model(folder.rig, meshes=folder.meshes))
    landed_mm = lit.table_mm[lit.answered]
    grid_mm = np.stack(np.meshgrid(*[np.arange(-240.0, 241.0, 5.0)] * 2), axis=-1).reshape(-1, 2)
    grid_mm = grid_mm[inside_content(folder.rig.content, grid_mm)]
    distance_mm, _ = cKDTree(landed_mm).query(grid_mm)
    assert distance_mm.max() < 3.0


def test_check_of_a_new_rig(run: Callable[..., Any], rig: Path) -> None:
    code, out, err = run("check", rig, "--files-only")
    assert code == 0
    assert "Harbour chart table" in out
    assert f"missing; make it with: rigwarp trace {rig}" in out
    assert " ".join(err.split()) == CAUTION


def test_check_reports_what_is_there(run: Callable[..., Any], rig: Path) -> None:
    folder = open_rig(rig)
    one = np.ones((2, 2))
    pixel_map = PixelMap(x_mm=one, y_mm=one, sigma_mm=one, zone=np.zeros((2, 2), np.int16), measured=one > 2)
    write_map(rig / "design.npz", pixel_map, rig_hash=folder.rig_hash)
    with new_run(rig / "results", "fit", folder) as result:
        pass
    with pytest.raises(KeyboardInterrupt), new_run(rig / "results", "fit", folder):
        raise KeyboardInterrupt
    make_current(rig, result)
    code, out, _ = run("check", rig, "--files-only", "--json")
    assert code == 0
    files = json.loads(out)["files"]
    assert files["design.npz"].startswith("up to date, 100 %")
    assert files["results"] == f"1 finished, latest {result.name}, 1 unfinished (not used)"
    assert files["current"] == f"results/{result.name}"
    assert files["camera.json"] is None
    (rig / "rig.toml").write_text(folder.rig_text.replace("480.0", "470.0"))
    assert "out of date" in run("check", rig, "--files-only")[1]


@pytest.mark.parametrize("name", ["camera.json", "design.npz", "current.json"])
def test_check_refuses_broken_files(run: Callable[..., Any], rig: Path, name: str) -> None:
    (rig / name).write_text("{")
    code, out, err = run("check", rig, "--files-only")
    assert (code, out) == (3, "")
    assert name in err
    assert err.count("\n") == 1


def test_check_on_a_mistake(run: Callable[..., Any], rig: Path) -> None:
    text = (rig / "rig.toml").read_text()
    (rig / "rig.toml").write_text(text.replace("throw_ratio", "throw_ration"))
    code, _, err = run("check", rig, "--files-only")
    assert code == 3
    assert "projector.throw_ration" in err
    assert "Did you mean throw_ratio?" in err


def test_check_tries_out_projector_and_camera(run: Callable[..., Any], tmp_path: Path) -> None:
    """On the virtual rig everything is fine but what needs camera.json; with a projector that scales, exit code 5."""
    root = make_small_rig(tmp_path / "rig")
    code, out, _ = run("check", root, "--json")
    assert code == 0
    bench = json.loads(out)["bench"]
    assert bench["looked_at"]
    assert {f["what"]: f["severity"] for f in bench["findings"]} == {
        "exposure": "fine",
        "contrast": "fine",
        "room light": "fine",
        "camera settings": "fine",
        "pixel for pixel": "fine",
        "steady light": "fine",
        "sharpness": "fine",
        "compression": "fine",
        "writing in the picture": "fine",
        "content in view": "remark",
        "camera's place": "remark",
    }


def test_what_stops_a_scan_is_exit_code_5(run: Callable[..., Any], rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stop = PreflightFinding(what="contrast", severity="stop", text="hardly any light", figures={"contrast": 0.01})
    looked = Preflight(findings=(stop,), exposure_s=None, white=np.zeros((2, 2), np.uint8))
    monkeypatch.setattr("rigwarp.jobs.bench.check.preflight", lambda console, folder, bench: looked)
    code, out, err = run("check", rig)
    assert code == 5
    assert "STOP" in out
    assert "contrast: hardly any light" in err


def test_a_camera_that_fails_is_exit_code_4(
    run: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(self: VirtualCamera) -> None:
        raise DeviceError("the camera has stopped")

    monkeypatch.setattr(VirtualCamera, "grab", fails)
    code, _, err = run("check", make_small_rig(tmp_path / "rig"))
    assert code == 4
    assert "the camera has stopped" in err


def test_devices_that_are_not_there_are_no_mistake(run: Callable[..., Any], rig: Path) -> None:
    text = (rig / "rig.toml").read_text()
    (rig / "rig.toml").write_text(text.replace('device = "virtual"', 'device = "/dev/no-such-camera"'))
    code, out, _ = run("check", rig)
    assert code == 0
    assert "not tried out" in out
    assert "/dev/no-such-camera" in out


def machine_with(**found: Any) -> Machine:
    """A computer with a display for the rig and a GPU, but for what is given."""
    usual: dict[str, Any] = {
        "displays": ((1280, 720),),
        "display_driver": "x11",
        "cameras": {},
        "gl_renderer": "a GPU",
        "gl_in_software": False,
        "gl_problem": None,
    }
    return Machine(**(usual | found))


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (machine_with(), "This computer"),
        (machine_with(gl_renderer=None, gl_problem="no libGL"), "no libGL"),
        (machine_with(gl_renderer="llvmpipe", gl_in_software=True), "computed in software"),
        (machine_with(displays=()), "no display found"),
        (machine_with(displays=((800, 600),)), "no display has the projector's 1280 x 720"),
    ],
)
def test_remarks_about_the_machine(
    run: Callable[..., Any], rig: Path, monkeypatch: pytest.MonkeyPatch, found: Machine, words: str
) -> None:
    monkeypatch.setattr("rigwarp.commands.check.look_around", lambda: found)
    (rig / "rig.toml").write_text((rig / "rig.toml").read_text().replace('device = "virtual"', "device = 0"))
    code, out, _ = run("check", rig, "--files-only")
    assert code == 0
    assert words in out
    assert ("Remarks" in out) == (found != machine_with())


def test_how_frames_are_drawn_is_said_and_what_one_costs(run: Callable[..., Any], rig: Path) -> None:
    code, out, _ = run("check", rig, "--files-only", "--json")
    drawing = json.loads(out)["drawing"]
    assert code == 0
    assert drawing["frame_ms"] == drawing["tried_ms"][drawing["way"]] > 0
    assert (drawing["plain_draws"] is None) == (drawing["way"] == "cpu")


def test_remarks_about_the_rig(run: Callable[..., Any], rig: Path) -> None:
    text = (rig / "rig.toml").read_text()
    (rig / "rig.toml").write_text(text.replace("pixels = [1080, 1080]", "pixels = [1080, 720]"))
    assert "pictures get stretched" in run("check", rig, "--files-only")[1]


def test_a_new_rig_is_drawn_and_its_print_is_said_to_be_unmeasured(run: Callable[..., Any], tmp_path: Path) -> None:
    run("new", tmp_path / "rig")
    assert "the printed sheet has not been measured yet" in run("check", tmp_path / "rig", "--files-only")[1]
    assert (tmp_path / "rig" / "rig_sketch.png").read_bytes().startswith(b"\x89PNG")


def test_looking_around_works_without_a_screen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    found = machine.look_around()
    assert (found.gl_renderer is None) == (found.gl_problem is not None)
