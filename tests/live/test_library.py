"""`rigwarp.load_warp`: the same frames as the player's, in somebody else's program."""

import importlib.util
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import rigwarp
from rigwarp.errors import InputError
from rigwarp.files import write_adjustment
from rigwarp.files.names import ADJUST_FILE
from rigwarp.live.render.gl_context import standalone_context
from rigwarp.live.render.reference import ReferenceRenderer
from rigwarp.prewarp import Adjustment

_spec = importlib.util.spec_from_file_location("result_rig", Path(__file__).with_name("result_rig.py"))
result_rig = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(result_rig)
PICTURE = np.random.default_rng(6).integers(0, 256, (120, 90, 3), dtype=np.uint8)


@pytest.fixture
def rig(tmp_path):
    root = result_rig.make_rig(tmp_path / "rig")
    write_adjustment(root / ADJUST_FILE, Adjustment(turn_deg=5.0, brightness=0.7, black_level=0.02), revision=1)
    return root


def test_apply_is_the_reference_within_one_code(rig):
    warp = rigwarp.load_warp(rig)
    assert warp.rig.content.pixels == (400, 400)
    frame = warp.apply(PICTURE)
    assert np.abs(frame.astype(int) - ReferenceRenderer(warp.warp).render(PICTURE)).max() <= 1
    warp.close()
    warp.close()


@pytest.mark.gl
@pytest.mark.parametrize("components", [3, 4])
def test_draw_takes_textures_either_way_up(rig, gl_available, components):
    context = standalone_context()
    warp = rigwarp.load_warp(str(rig))
    expected = ReferenceRenderer(warp.warp).render(PICTURE).astype(int)
    data = np.dstack([PICTURE, np.full(PICTURE.shape[:2], 9, np.uint8)])[..., :components]
    target = context.framebuffer([context.texture(warp.resolution, 4)])
    for bottom_up, rows in ((False, data), (True, data[::-1])):
        texture = context.texture((90, 120), components, np.ascontiguousarray(rows).tobytes(), alignment=1)
        warp.draw(texture, target, bottom_up=bottom_up)
        shown = np.frombuffer(target.read(components=3, alignment=1), np.uint8).reshape(180, 320, 3)[::-1]
        assert np.abs(shown.astype(int) - expected).max() <= 1
    small = context.framebuffer([context.texture((64, 64), 4)])
    with pytest.raises(InputError, match="320 x 180"):
        warp.draw(texture, small)
    warp.close()
    context.release()


def test_import_stays_cheap():
    heavy = "import sys, rigwarp; print(sorted({'cv2', 'numpy', 'pygame', 'moderngl', 'scipy'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", heavy], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "[]"


@pytest.mark.gl
def test_the_demos_run(rig, gl_available, tmp_path):
    demos = Path(rigwarp.__file__).parents[1] / "demos"
    environment = {"PATH": "", "SDL_VIDEODRIVER": "offscreen", "SDL_AUDIODRIVER": "dummy"}
    for command in (
        [str(demos / "own_program.py"), str(rig), "0.3"],
        ["-m", "rigwarp.cli", "play", str(rig), "--scene", "clock:draw", "--still", str(tmp_path / "clock.png")],
    ):
        subprocess.run([sys.executable, *command], env=environment, cwd=demos, timeout=60, check=True)
    assert (tmp_path / "clock.png").exists()
