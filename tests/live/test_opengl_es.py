"""OpenGL ES 3.1, all that board computers have: drawn there as exactly as elsewhere, with and without a window."""

import os
import subprocess
import sys
from pathlib import Path

import es_show
import moderngl
import pytest
import x_screen
from forked import forked

from rigwarp.errors import DeviceError
from rigwarp.live.render import gl_context
from rigwarp.live.render.gl_context import standalone_context

SUPPORT = Path(es_show.__file__).parent


def shown(what, **environment):
    """What was found in a process of its own: Mesa reads its settings once."""
    return forked(what, environment={**es_show.BOARD, **environment})


@pytest.mark.gl
def test_without_a_window_it_agrees_within_one_code(gl_available):
    found = shown(es_show.windowless)
    assert found["es"]
    assert found["version"] == 310
    assert max(found["worst"][:3]) <= 1
    assert found["worst"][3] <= 2  # a video frame, whose reference was rounded to codes on its way
    assert found["mesh_is_exact"]
    assert max(found["meshed"]) <= 1  # of a video frame as well, which the mesh's codes are rounded to, too


@pytest.mark.gl
def test_in_memory_it_agrees_within_one_code(gl_available):
    found = shown(es_show.in_window, SDL_VIDEODRIVER="offscreen")
    assert found["driver"] == "offscreen"
    assert max(found["worst"]) <= 1


@pytest.mark.gl
def test_in_a_window_it_agrees_within_one_code(gl_available):
    x_screen.require_x()
    screen = x_screen.Screen((400, 300))
    try:
        found = shown(es_show.in_window, DISPLAY=screen.environment["DISPLAY"])
    finally:
        screen.close()
    assert found["driver"] == "x11"
    assert max(found["worst"]) <= 1


@pytest.mark.gl
def test_desktop_opengl_goes_first(gl_available):
    context = standalone_context()
    assert not gl_context.is_es(context)
    context.release()


def test_without_moderngl_the_cpu_draws(tmp_path):
    """It has no wheel for arm64; everything else can be imported and drawn all the same."""
    (tmp_path / "moderngl.py").write_text("raise ImportError('not installed')")
    code = (
        "import bent_rig, numpy as np, rigwarp.live.run.session, rigwarp.jobs.play, rigwarp.jobs.bench.machine as m;"
        "from rigwarp.live.run.window import open_window; w = open_window(bent_rig.plain_prewarp());"
        "w.show(bent_rig.noisy(64, 48)); who = w.drawing; w.close(); print(who, '|', m.look_around().gl_problem)"
    )
    path = os.pathsep.join([str(tmp_path), str(SUPPORT), *sys.path])
    environment = {**os.environ, "PYTHONPATH": path, "SDL_VIDEODRIVER": "dummy"}
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    assert "CPU (OpenCV remap) | neither OpenGL 3.3 nor OpenGL ES 3.1" in done.stdout
    assert "pip install 'rigwarp[gl]'" in done.stdout  # not packages that are there already
    assert "not installed" in done.stdout


def test_neither_of_the_two_is_one_line(monkeypatch):
    def refuse(**_):
        raise Exception("cannot load libGL")

    monkeypatch.setattr(moderngl, "create_context", refuse)
    with pytest.raises(DeviceError, match=r"neither OpenGL 3\.3 nor OpenGL ES 3\.1 .*cannot load libGL") as caught:
        standalone_context()
    assert "\n" not in str(caught.value)
