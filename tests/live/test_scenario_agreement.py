"""The renderers on the ready-made rigs: their meshes, zones and minification, with uneven light evened out.

The projectors have a quarter of their pixels each way, so that content is minified harder than in the rigs as they are;
`tests/benchmarks/bench_live.py` compares them at full size.
"""

import bent_rig
import numpy as np
import pytest

from rigwarp.files import open_rig
from rigwarp.live import CpuRenderer, warp_of
from rigwarp.live.render.gl import GlRenderer
from rigwarp.live.render.gl_context import standalone_context
from rigwarp.live.render.reference import ReferenceRenderer, codes_beyond
from rigwarp.prewarp import build_prewarp
from rigwarp.scenarios import create_rig, scenario_names
from rigwarp.tracing import build_model, trace_map


def scenario_warp(name, root):
    create_rig(name, root)
    path = root / "rig.toml"
    path.write_text(path.read_text("utf-8").replace("[1280, 720]", "[320, 180]", 1), "utf-8")
    folder = open_rig(root)
    design = trace_map(build_model(folder.rig, meshes=folder.meshes, profiles=folder.profiles))
    light = 1.5 + np.sin(design.x_mm / 90.0) * np.cos(design.y_mm / 70.0)
    return warp_of(build_prewarp(design, folder.rig.content, folder.rig.projector.transfer, light=light))


@pytest.mark.gl
@pytest.mark.parametrize("name", scenario_names())
def test_all_renderers_agree_within_one_code_on_the_ready_made_rigs(name, tmp_path, gl_ways):
    warp = scenario_warp(name, tmp_path / "rig")
    picture = bent_rig.noisy(*(side // 2 for side in warp.prewarp.content_pixels))
    expected = ReferenceRenderer(warp).render(picture).astype(int)
    assert expected.max() > 100
    assert np.abs(CpuRenderer(warp).render(picture) - expected).max() <= 1
    context = standalone_context()
    for way in gl_ways:
        renderer = GlRenderer(warp, context, way=way)
        drawn = renderer.render(picture)
        # the mesh is exact to 0.05 px: within a code of what the reference shows somewhere within that
        off = codes_beyond(drawn, warp, picture) if way == "meshed" else np.abs(drawn - expected)
        assert off.max() <= 1
        renderer.close()
    context.release()
