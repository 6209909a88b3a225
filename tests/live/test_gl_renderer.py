"""The GPU renderer against the float64 reference and the CPU renderer."""

import functools

import bent_rig
import moderngl
import numpy as np
import pytest

from rigwarp.errors import DeviceError
from rigwarp.live import CpuRenderer
from rigwarp.live.render import gl_context
from rigwarp.live.render.gl import GlRenderer
from rigwarp.live.render.gl_context import standalone_context
from rigwarp.live.render.reference import ReferenceRenderer, codes_beyond
from rigwarp.live.render.warp import warp_of
from rigwarp.prewarp import Adjustment


@pytest.fixture(scope="module")
def context(gl_available):
    context = standalone_context()
    yield context
    context.release()


@pytest.fixture(scope="module")
def made(context):
    """The renderers by their ways: one of each serves all that draws for this projector, since compiling is slow."""
    renderers = {}
    yield renderers
    for renderer in renderers.values():
        renderer.close()
        renderer.close()  # once more does no harm


@pytest.fixture
def gpu(made, context, way):
    """A renderer that may have drawn other things before."""
    if way not in made:
        made[way] = GlRenderer(bent_rig.curved_prewarp(2.2), context, way=way)
    return made[way]


@functools.cache
def by_others(transfer, size):
    """A warp, a picture, and its frames by the reference and by the CPU, once for all ways."""
    warp, picture = warp_of(bent_rig.curved_prewarp(transfer)), bent_rig.noisy(*size)
    return warp, picture, ReferenceRenderer(warp).render(picture), CpuRenderer(warp).render(picture)


def off_by(way, frame, warp, picture):
    """Codes from the reference; with the mesh, from what the reference shows within 0.05 px of each place."""
    if way == "meshed":
        return codes_beyond(frame, warp, picture).max()
    return np.abs(frame.astype(int) - ReferenceRenderer(warp).render(picture)).max()


@pytest.mark.gl
@pytest.mark.parametrize("transfer", [2.2, "srgb"])
@pytest.mark.parametrize("size", [(400, 300), (90, 67), (601, 451)])
def test_gpu_cpu_and_reference_agree_within_one_code(gpu, transfer, size, way):
    """Odd sizes: rows of 3-byte pixels that are no multiple of four are where an upload goes wrong."""
    warp, picture, expected, by_cpu = by_others(transfer, size)
    gpu.use(warp)
    frame = gpu.render(picture)
    if way == "meshed":
        assert codes_beyond(frame, warp, picture).max() <= 1
    else:
        assert np.abs(frame.astype(int) - expected).max() <= 1
        assert np.abs(frame.astype(int) - by_cpu).max() <= 1
    assert frame.max() > 60


@pytest.mark.gl
def test_identity_keeps_every_code_and_the_rows_upright(context, way):
    picture = bent_rig.noisy(64, 48)
    picture[0] = 255
    gpu = GlRenderer(bent_rig.plain_prewarp(), context, way=way)
    np.testing.assert_array_equal(gpu.render(picture), picture)
    gpu.close()


@pytest.mark.gl
def test_another_warp_is_taken_between_two_frames(context, gpu, way):
    """The picture stays loaded; brightness and black level come along."""
    picture = bent_rig.noisy(200, 150)
    gpu.use(warp_of(bent_rig.curved_prewarp(2.2)))
    gpu.render(picture)
    target = context.framebuffer([context.texture((320, 180), 4)])
    for warp in (
        warp_of(bent_rig.curved_prewarp("srgb")),
        warp_of(bent_rig.curved_prewarp(2.2)).adjusted(Adjustment(brightness=0.5, black_level=0.05)),
    ):
        gpu.use(warp)
        gpu.draw(target)
        frame = np.frombuffer(target.read(components=3, alignment=1), np.uint8).reshape(180, 320, 3)[::-1]
        assert off_by(way, frame, warp, picture) <= 1
    with pytest.raises(ValueError, match="expected"):
        gpu.use(warp_of(bent_rig.plain_prewarp()))
    target.release()


@pytest.mark.gl
def test_dithering_is_the_same_everywhere(context, way):
    prewarp = bent_rig.curved_prewarp(2.2)
    picture = bent_rig.noisy(400, 300) if way != "meshed" else bent_rig.smooth(400, 300)
    gpu = GlRenderer(prewarp, context, dither=True, way=way)
    expected = ReferenceRenderer(prewarp, dither=True).render(picture)
    difference = np.abs(gpu.render(picture).astype(int) - expected)
    gpu.close()
    assert difference.max() <= 1
    # half floats of light are off by 0.03 codes, so that many fall either way; another pattern: a third of all codes
    assert np.mean(difference > 0) < (0.03 if way != "meshed" else 0.1)  # 0.016 px of a ramp are more of a code


@pytest.mark.gl
def test_one_renderer_takes_pictures_of_changing_size(gpu, way):
    warp = warp_of(bent_rig.curved_prewarp())
    gpu.use(warp)
    for size in ((400, 300), (90, 70), (400, 300)):
        picture = bent_rig.noisy(*size)
        assert off_by(way, gpu.render(picture), warp, picture) <= 1


def test_missing_opengl_is_a_device_error_with_the_package_line(monkeypatch):
    def refuse(**_):
        raise Exception("cannot load libGL")

    monkeypatch.setattr(moderngl, "create_context", refuse)
    with pytest.raises(DeviceError, match="libgl1 libegl1 libgl1-mesa-dri"):
        gl_context.standalone_context()
