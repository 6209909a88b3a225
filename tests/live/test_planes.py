"""Video frames as planes: the colours of the standards, the same on the GPU, and as another decoder sees them."""

from dataclasses import replace

import av
import bent_rig
import numpy as np
import pytest

from rigwarp.errors import DeviceError
from rigwarp.live.render import gl_context, gl_picture
from rigwarp.live.render.gl import GlRenderer, frame_of
from rigwarp.live.render.gl_context import open_es_context, standalone_context
from rigwarp.live.render.picture import LUMA_601, LUMA_709, YuvPicture, light_of_codes, rgb_of, small_rgb
from rigwarp.live.sources.decoding import open_reader

ES_WAYS = ("drawn", "meshed")


def flat(y, u, v, **options):
    planes = np.concatenate([np.full((48, 64), y), np.full((12, 64), u), np.full((12, 64), v)]).astype(np.uint8)
    return YuvPicture(planes=planes, **options)


@pytest.mark.parametrize(
    ("yuv", "rgb", "options"),
    [
        # limited range, from the definitions: Y = 16 + 219 Y', Cb = 128 + 224 (B' - Y') / (2 (1 - kb)), to whole codes
        ((16, 128, 128), (0, 0, 0), {}),
        ((235, 128, 128), (255, 255, 255), {}),
        ((63, 102, 240), (255, 1, 0), {"luma": LUMA_709}),
        ((32, 240, 118), (1, 0, 255), {"luma": LUMA_709}),
        ((81, 90, 240), (254, 0, 0), {"luma": LUMA_601}),
        ((41, 240, 110), (0, 0, 255), {"luma": LUMA_601}),
        ((128, 128, 128), (128, 128, 128), {"full_range": True}),
        ((76, 85, 255), (254, 0, 0), {"luma": LUMA_601, "full_range": True}),
    ],
)
def test_known_colours(yuv, rgb, options):
    shown = rgb_of(flat(*yuv, **options))
    assert shown.shape == (48, 64, 3)
    np.testing.assert_allclose(shown[20, 20].astype(int), rgb, atol=1)

    small = small_rgb(flat(*yuv, **options), 32)  # made small first: the same colours
    assert small.shape == (24, 32, 3)
    np.testing.assert_allclose(small.astype(int), np.broadcast_to(rgb, small.shape), atol=1)


@pytest.fixture(params=["textures", "buffers"])
def bytes_in(request, monkeypatch):
    """Where fragment shaders read bytes from: in software textures, elsewhere buffers."""
    monkeypatch.setattr(gl_picture, "is_software", lambda _: request.param == "textures")
    return request.param


@pytest.mark.gl
@pytest.mark.parametrize(
    ("opened", "way"),
    [*((standalone_context, way) for way in ("drawn", "computed", "meshed")), *((open_es_context, w) for w in ES_WAYS)],
)
def test_the_gpu_makes_the_same_colours(gl_ways, opened, way, bytes_in):
    """Random planes on the identity warp, whose sRGB projector gives the codes back; 1 code for rounding either way."""
    if way not in gl_ways:
        pytest.skip("this OpenGL has no compute shaders")
    context = opened()
    planes = np.random.default_rng(3).integers(16, 236, (72, 64), dtype=np.uint8)
    renderer = GlRenderer(bent_rig.plain_prewarp(), context, way=way)
    target = context.framebuffer([context.texture((64, 48), 4)])
    for picture in (YuvPicture(planes=planes), YuvPicture(planes=planes, luma=LUMA_601, full_range=True)):
        renderer.load(picture)
        renderer.draw(target)
        assert np.abs(frame_of(target).astype(int) - rgb_of(picture)).max() <= 1
    assert gl_picture.fragments_read_storage(context) == (bytes_in == "buffers")
    rgb = bent_rig.noisy(64, 48)
    np.testing.assert_array_equal(renderer.render(rgb), rgb)  # and back to RGB
    renderer.close()
    context.release()
    assert light_of_codes()[255] == 1.0


@pytest.mark.gl
def test_es_is_not_asked_to_compute(gl_available):
    """Its compute shaders write only into textures that moderngl does not make; so there are two ways on it."""
    context = open_es_context()
    with pytest.raises(DeviceError, match=r"OpenGL 4\.3 is needed for compute shaders"):
        GlRenderer(bent_rig.plain_prewarp(), context, way="computed")
    assert context.version_code < gl_context.COMPUTE_VERSION
    context.release()


def test_a_decoded_file_keeps_its_colours(tmp_path):
    """The planes of a smooth clip, turned into RGB here and by FFmpeg's own scaler, whose whole-number arithmetic and
    repeated chroma are good to a few codes; the wrong matrix would be out by seven on average."""
    path = tmp_path / "smooth.mp4"
    with av.open(str(path), "w") as file:
        stream = file.add_stream("mpeg4", rate=25)
        stream.width, stream.height, stream.pix_fmt = 128, 96, "yuv420p"
        stream.bit_rate = 4_000_000
        v, u = np.mgrid[:96, :128]
        smooth = np.stack([u * 2, v * 2, 255 - u - v], axis=-1).clip(0, 255).astype(np.uint8)
        for _ in range(3):
            for packet in stream.encode(av.VideoFrame.from_ndarray(smooth, format="rgb24")):
                file.mux(packet)
        for packet in stream.encode():
            file.mux(packet)
    reader = open_reader(path, "av")
    (_, planar), (_, rgb) = next(reader.frames(planes=lambda: True)), next(reader.frames())
    reader.close()
    assert isinstance(planar, YuvPicture)
    difference = np.abs(rgb_of(planar).astype(int) - rgb)[2:-2, 2:-2]
    wrong = np.abs(rgb_of(replace(planar, luma=LUMA_709)).astype(int) - rgb)[2:-2, 2:-2]
    assert difference.mean() < 2.0
    assert difference.max() <= 6
    assert wrong.mean() > 5.0


@pytest.mark.parametrize("size", [(128, 96), (960, 720)])
def test_a_file_that_does_not_say_its_matrix_has_the_same_colours_either_way(tmp_path, size):
    """Small pictures mean BT.601, large ones BT.709; the other matrix would be out by 14 in this red."""
    path = tmp_path / "red.mp4"
    with av.open(str(path), "w") as file:
        stream = file.add_stream("mpeg4", rate=25)
        stream.width, stream.height, stream.pix_fmt = *size, "yuv420p"
        red = av.VideoFrame.from_ndarray(np.full((size[1], size[0], 3), (200, 40, 60), np.uint8), format="rgb24")
        for packet in [*stream.encode(red), *stream.encode()]:
            file.mux(packet)
    reader = open_reader(path, "av")
    (_, planar), (_, rgb) = next(reader.frames(planes=lambda: True)), next(reader.frames())
    reader.close()
    assert planar.luma == (LUMA_709 if size[1] >= 720 else LUMA_601)
    assert np.abs(rgb_of(planar)[20, 20].astype(int) - rgb[20, 20]).max() <= 3
