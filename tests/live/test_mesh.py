"""The mesh for weak GPUs: where its rectangles look, what they are trusted with, and how a GPU's way is chosen."""

from dataclasses import replace

import bent_rig
import moderngl
import numpy as np
import pytest

from rigwarp.jobs.bench import frame_cost
from rigwarp.live.render import gl, gl_filter, gl_mesh, reference
from rigwarp.live.render import mesh_tiles as mesh_tile_room
from rigwarp.live.render.gl import GlRenderer, frame_of
from rigwarp.live.render.gl_context import standalone_context
from rigwarp.live.render.gl_picture import GlPicture
from rigwarp.live.render.gl_programs import drawing_program
from rigwarp.live.render.mesh_tiles import EVERYWHERE, MOST_TAPS, SIDES_PX, mesh_tiles
from rigwarp.live.render.picture import YuvPicture, rgb_of
from rigwarp.live.render.reference import ReferenceRenderer
from rigwarp.live.render.warp import warp_of
from rigwarp.prewarp import Adjustment, Drag
from rigwarp.rig import Content

CONTENT = Content(
    shape="circle", size_mm=(140.0, 140.0), centre_mm=np.array([4.0, -3.0]), rotation_rad=0.3, pixels=(400, 300)
)
BYTES = (1, "f1")
"""Channels and type of the textures that a picture's bytes are uploaded into."""
CORRECTED = Adjustment(
    shift_mm=(3.0, -2.0),
    turn_deg=1.5,
    brightness=0.8,
    black_level=0.04,
    drags=(Drag(at_mm=(10.0, 5.0), by_mm=(3.0, -2.0), reach_mm=40.0),),
    masks=(((-30.0, -30.0), (-10.0, -30.0), (-10.0, -5.0), (-30.0, -5.0)),),
)


@pytest.fixture(scope="module")
def context(gl_available):
    context = standalone_context()
    yield context
    context.release()


def creased(transfer=2.2):
    """A fold down the middle: two zones that both show the middle of the picture, the right one mirrored."""
    plain = bent_rig.plain_prewarp(transfer, size=(200, 96))
    v, u = np.mgrid[:96, :200].astype(float)
    x = np.where(u < 101, 1.1 * u + 3.0 * np.sin(v / 40.0), 225.0 - 0.9 * u)
    canvas = np.stack([x, 1.4 * v + 2.0 * np.cos(u / 30.0)], axis=-1).astype(np.float32)
    gain = np.tile(np.linspace(1.0, 0.4, 200, dtype=np.float32), (96, 1))
    gain[np.hypot(u - 100, v - 48) > 90] = 0.0
    zone = (u >= 101).astype(np.int16)
    return replace(plain, content_pixels=(140, 140), zone=zone, gain=gain, canvas_px=canvas)


def in_triangles(looked, l, m, wide, cells):  # noqa: E741
    """Interpolated as a GPU does it, between the corners of two triangles of each cell."""
    leg = wide / cells
    first = [np.floor((at + wide / 2) / leg) * leg - wide / 2 for at in (l, m)]
    a, b = ((at - low)[..., None] / leg for at, low in zip((l, m), first, strict=True))
    right, lower, opposite = (looked(first[0] + du, first[1] + dv) for du, dv in ((leg, 0), (0, leg), (leg, leg)))
    upper_half = (1 - a - b) * looked(*first) + a * right + b * lower
    return np.where(a + b < 1, upper_half, (a + b - 1) * opposite + (1 - a) * lower + (1 - b) * right)


@pytest.mark.parametrize("size", [(400, 300), (90, 67), (450, 337)])
def test_rectangles_hold_every_pixel_once_and_look_where_the_map_says(size):
    """Worked out here pixel by pixel, with room for a texture unit's rounding; where no quadratic fits, single pixels
    are looked up."""
    samples = warp_of(bent_rig.curved_prewarp()).samples(size)
    tiles = mesh_tiles(samples)
    height, width = samples.gain_root.shape
    times, exact = np.zeros((height, width), int), 0
    for kind, rectangles in tiles.kinds.items():
        for left, top, wide, high, *c, cells in rectangles.astype(float):
            window = slice(int(top), int(top + high)), slice(int(left), int(left + wide))
            times[window] += 1
            lit = samples.gain_root[window] > 0
            place = samples.position_px[window]
            inside = lit & (place > -1).all(axis=-1) & (place < np.array(size)).all(axis=-1)
            v, u = np.mgrid[window[0], window[1]][:, : lit.shape[0], : lit.shape[1]]
            l, m = u - left - (wide - 1) / 2, v - top - (high - 1) / 2  # noqa: E741
            if kind == "exact":
                exact += lit.sum()
                assert wide == SIDES_PX[-1]
            elif kind == "dark":
                assert not inside.any()
            else:
                shown = np.array(c).reshape(6, 2)

                def looked(l, m, shown=shown):  # noqa: E741
                    return np.stack([1 + 0 * l, l, m, l * l, l * m, m * m], axis=-1) @ shown

                assert np.linalg.norm(in_triangles(looked, l, m, wide, cells) - place, axis=-1)[inside].max() < 0.032
                assert (samples.taps[window][inside] <= MOST_TAPS).all()
            if kind == "single" or kind in EVERYWHERE:
                assert (samples.taps[window][inside] == EVERYWHERE.get(kind, (1, 1))).all()
    assert (times == 1).all()
    assert exact < 0.4 * (samples.gain_root > 0).sum()


def test_a_quadratic_lies_where_it_is_said_to_beside_its_triangles():
    """Least and greatest differences, against as many looked at on a lattice in both triangles."""
    second = np.random.default_rng(1).normal(size=(40, 3, 2))
    second[:20, 1] *= 0.1  # between whose three middles the extreme lies
    least, greatest = mesh_tile_room._interpolation_error(second)
    m, l = np.mgrid[-1:1:97j, -1:1:97j]  # noqa: E741
    for numbers, low, high in zip(second, least, greatest, strict=True):
        looked = lambda l, m, c=numbers: np.stack([l * l, l * m, m * m], axis=-1) @ c  # noqa: E731, E741
        off = (in_triangles(looked, l, m, 2.0, 1) - looked(l, m))[:-1, :-1]
        np.testing.assert_allclose(off.min(axis=(0, 1)), low, atol=2e-3)
        np.testing.assert_allclose(off.max(axis=(0, 1)), high, atol=2e-3)


def test_gains_that_are_not_read_pixel_by_pixel_are_those_of_the_map():
    """Worked out pixel by pixel as a GPU does it, to a 1023rd of the root; nothing dark lies in such a rectangle."""
    samples = warp_of(bent_rig.curved_prewarp()).sampled("quick").samples((300, 225))
    tiles, smooth = mesh_tiles(samples), 0
    for kind, roots in tiles.roots.items():
        for (left, top, wide, high, *_, cells), root in zip(tiles.kinds[kind].astype(float), roots, strict=True):
            wanted = samples.gain_root[int(top) : int(top + high), int(left) : int(left + wide)]
            if np.isfinite(root[0]):
                v, u = np.mgrid[: wanted.shape[0], : wanted.shape[1]]
                l, m = u - (wide - 1) / 2, v - (high - 1) / 2  # noqa: E741
                looked = lambda l, m, c=root: (  # noqa: E731, E741
                    np.stack([1 + 0 * l, l, m, l * l, l * m, m * m], axis=-1) @ c[:, None]
                )
                found = 1023 * in_triangles(looked, l, m, wide, cells)[..., 0]
                assert np.abs(found - wanted).max() < 1
                assert wanted.min() > 0
                smooth += wanted.size
    assert smooth > 0.5 * (samples.gain_root > 0).sum()


@pytest.mark.gl
@pytest.mark.parametrize("dither", [False, True])
def test_creases_masks_corrections_and_levels_are_those_of_the_reference(context, dither):
    """Smooth content straight against the reference; at the picture's rim and at masks there is nothing smooth."""
    warps = [warp_of(creased()), warp_of(bent_rig.curved_prewarp(), CONTENT, adjustment=CORRECTED)]
    seen = set()
    for warp, size in zip(warps, ((140, 140), (240, 180)), strict=True):
        picture = bent_rig.smooth(*size)
        seen |= {kind for kind, rectangles in mesh_tiles(warp.samples(size)).kinds.items() if len(rectangles)}
        renderer = GlRenderer(warp, context, way="meshed", dither=dither)
        frame = renderer.render(picture)
        renderer.close()
        expected = ReferenceRenderer(warp, dither=dither).render(picture)
        off = np.abs(frame.astype(int) - expected).max(axis=-1)
        assert np.mean(off > 1) < 1e-3
        assert dither or reference.codes_beyond(frame, warp, picture).max() <= 1
        np.testing.assert_array_equal(frame[expected.max(axis=-1) == 0], 0)
        assert expected.max() > 150
    assert seen >= {"dark", "exact", "2x2", "averaged"}


@pytest.mark.gl
def test_drawn_from_the_places_that_the_mesh_says_every_code_is_the_references(context):
    """Hard content, places as a GPU interpolates them: what is left is the texture unit's weights of eight bits, half a
    256th of a pixel (and a little for its arithmetic), and the rounding to whole codes. A data-centre GPU that is used
    by rows cuts what every texel adds off to a 256th as well."""
    warp, size = warp_of(bent_rig.curved_prewarp()).sampled("quick"), (300, 225)
    samples, picture = warp.samples(size), bent_rig.noisy(*size)
    place_px, known = samples.position_px.astype(float), np.zeros(samples.gain_root.shape, bool)
    for left, top, wide, high, *c, cells in mesh_tiles(samples).kinds["single"].astype(float):
        v, u = np.mgrid[int(top) : int(min(top + high, len(known))), int(left) : int(min(left + wide, known.shape[1]))]
        l, m = u - left - (wide - 1) / 2, v - top - (high - 1) / 2  # noqa: E741
        looked = lambda l, m, c=c: (  # noqa: E731, E741
            np.stack([1 + 0 * l, l, m, l * l, l * m, m * m], axis=-1) @ np.array(c).reshape(6, 2)
        )
        place_px[v, u], known[v, u] = in_triangles(looked, l, m, wide, cells), True
    drawn = replace(samples, position_px=place_px, gain_root=np.where(known, samples.gain_root, np.uint16(0)))
    renderer = GlRenderer(warp, context, way="meshed")
    frame = renderer.render(picture)
    renderer.close()
    reach_px = 1 / 170 if gl_filter.sampled_finely(context) == "rows" else 1 / 500
    least, most = reference.reached_codes(drawn, warp.light()[picture], reach_px)
    lit = known & (samples.gain_root > 0)
    assert lit.sum() > 10000
    assert ((frame >= np.round(least) - 1) & (frame <= np.round(most) + 1))[lit].all()
    assert np.median((most - least)[lit]) < 500 * reach_px  # hardly more than those positions themselves


@pytest.mark.gl
def test_what_was_drawn_elsewhere_and_loaded_pictures_take_turns(context):
    """A texture of somebody's has no room for codes with a curve, so that it is kept as light."""
    warp = warp_of(bent_rig.plain_prewarp()).adjusted(Adjustment(brightness=0.7, black_level=0.05))
    first, second = bent_rig.noisy(64, 48, seed=1), bent_rig.noisy(64, 48, seed=2)
    texture = context.texture((64, 48), 3, first.tobytes(), alignment=1)
    target = context.framebuffer([context.texture((64, 48), 4)])
    renderer = GlRenderer(warp, context, way="meshed")
    for _ in range(2):
        renderer.load_texture(texture, bottom_up=False)
        renderer.draw(target)
        assert reference.codes_beyond(frame_of(target), warp, first).max() <= 1
        assert reference.codes_beyond(renderer.render(second), warp, second).max() <= 1
    renderer.close()


@pytest.mark.gl
def test_every_video_frame_is_the_newest_one(context):
    """Bytes of one are not mixed with those of the one before."""
    renderer = GlRenderer(bent_rig.plain_prewarp(), context, way="meshed")
    target = context.framebuffer([context.texture((64, 48), 4)])
    for level in range(30, 230, 25):
        planes = np.full((72, 64), 128, np.uint8)
        planes[:48] = level
        video = YuvPicture(planes=planes)
        renderer.load(video)
        renderer.draw(target)
        assert np.abs(frame_of(target).astype(int) - rgb_of(video)).max() <= 1
    renderer.close()


def test_the_trial_leaves_nothing_out():
    """What is drawn from the map of single pixels would say nothing of the texture units."""
    lit = mesh_tiles(warp_of(reference.trial_prewarp()).samples((72, 52))).kinds
    assert all(len(lit[kind]) for kind in ("single", "averaged", "mixed"))
    assert not len(lit["exact"])


@pytest.mark.gl
def test_coarse_texture_units_are_found_out(context, monkeypatch):
    """As if there were no bits for weights at all, and the unit were used all the same; and one that cannot draw into
    sRGB textures."""
    assert gl.mesh_is_exact(context)  # every one is, by its texture unit or without
    monkeypatch.setattr(gl_mesh, "sampled_finely", lambda _: "unit")
    room = GlPicture.room

    def unfiltered(self, stored):
        room(self, stored)
        self.texture.filter = (moderngl.NEAREST, moderngl.NEAREST)

    monkeypatch.setattr(GlPicture, "room", unfiltered)
    assert not gl.mesh_is_exact(context)

    def refused(self, stored):
        raise moderngl.Error("the framebuffer is not complete")

    monkeypatch.setattr(GlPicture, "room", refused)
    assert not gl.mesh_is_exact(context)


COARSE = """
vec4 coarse(sampler2D of, vec2 spot) {
    vec2 last = vec2(textureSize(of, 0) - 1), at = clamp(spot * (last + 1.0) - 0.5, vec2(0.0), last);
    ivec2 first = ivec2(min(at, last - 1.0));
    vec2 b = ROUNDED((at - vec2(first)) * PARTS) / PARTS, a = 1.0 - b;
    vec4 weights = round(vec4(a.x * a.y, b.x * a.y, a.x * b.y, b.x * b.y) * 256.0) / 256.0;
    return weights.x * texelFetch(of, first, 0) + weights.y * texelFetch(of, first + ivec2(1, 0), 0)
        + weights.z * texelFetch(of, first + ivec2(0, 1), 0) + weights.w * texelFetch(of, first + 1, 0);
}
#define textureLod(of, spot, level) coarse(of, spot)
"""
"""A texture unit that rounds the products of its weights to eight bits, too, as a data-centre GPU was measured to."""


@pytest.mark.gl
@pytest.mark.parametrize(
    ("rounded", "parts", "sampled"),
    [("round", 256, "rows"), ("floor", 256, "fetched"), ("round", 64, "fetched")],
)
def test_coarse_weights_are_found_out_and_gone_without(context, monkeypatch, rounded, parts, sampled):
    """By the weights themselves; by the trial, if these are believed; and without them the mesh is exact again."""
    unit = COARSE.replace("ROUNDED", rounded).replace("PARTS", f"{parts}.0")

    def coarse(context, fragment, *others, **more):
        version, rest = fragment.split("\n", 1)
        return drawing_program(context, f"{version}\n{unit}{rest}", *others, **more)

    for room in (gl_filter, gl_mesh):
        monkeypatch.setattr(room, "drawing_program", coarse)
    assert gl_filter.sampled_finely(context) == sampled
    assert gl.mesh_is_exact(context)
    for density in ("fine", "quick"):
        warp, picture = warp_of(bent_rig.curved_prewarp(2.2)).sampled(density), bent_rig.noisy(90, 67)
        renderer = GlRenderer(warp, context, way="meshed")
        assert reference.codes_beyond(renderer.render(picture), warp, picture).max() <= 1
        renderer.close()
    monkeypatch.setattr(gl_mesh, "sampled_finely", lambda _: "unit")
    assert not gl.mesh_is_exact(context)


def test_which_weights_are_fine():
    """Bilinear ones, their places rounded to a 256th or cut off to it, products with sixteen bits or with eight."""
    place_px = gl_filter.places_px()

    def beyond(place_px, steps):
        halves = 1.0 - place_px, place_px
        weights = np.stack([np.outer(v, u) for v in halves for u in halves], axis=-1)
        codes = np.round(255 * (np.round(weights * steps) / steps) ** (1 / 2.2)).astype(np.uint8)
        return gl_filter.weight_codes_beyond(codes).max()

    assert beyond(place_px, 2.0**40) == 0
    assert beyond(np.round(place_px * 256) / 256, 2**16) <= 1
    assert beyond(np.floor(place_px * 256) / 256, 2**16) <= 1
    assert beyond(np.round(place_px * 64) / 64, 2**16) > 1
    assert beyond(place_px, 2**8) > 10


def test_a_frame_beside_its_place_is_beyond_what_is_allowed():
    """A fifth of a pixel, and three codes, are; a fortieth of a pixel is not."""
    warp, picture = warp_of(reference.trial_prewarp()), bent_rig.noisy(72, 52)

    def moved(by_px):
        canvas = warp.canvas_px + by_px
        return ReferenceRenderer(replace(warp, canvas_px=canvas, _kept={})).render(picture)

    assert reference.codes_beyond(moved(0.025), warp, picture).max() <= 1
    assert reference.codes_beyond(moved(0.2), warp, picture).max() > 20
    assert reference.codes_beyond(np.minimum(moved(0.0), 252) + np.uint8(3), warp, picture).max() >= 3


def settled(context, monkeypatch, seconds, *, exact=True):
    """The way that a renderer takes when frames take so long."""
    monkeypatch.setattr(gl, "is_software", lambda _: False)
    monkeypatch.setattr(gl, "mesh_is_exact", lambda _: exact)
    monkeypatch.setattr(GlRenderer, "_timed", lambda self, _: seconds[self._now])
    renderer = GlRenderer(bent_rig.plain_prewarp(), context)
    picture = bent_rig.noisy(64, 48)
    frames = [renderer.render(picture) for _ in range(2)]
    way = renderer.way
    renderer.close()
    for frame in frames:
        np.testing.assert_array_equal(frame, picture)
    return way


@pytest.mark.gl
def test_the_quickest_way_that_is_exact_enough_is_taken(context, monkeypatch):
    quick_mesh = {"drawn": 3.0, "computed": 2.0, "meshed": 1.0}
    assert settled(context, monkeypatch, quick_mesh) == "meshed"
    assert settled(context, monkeypatch, quick_mesh, exact=False) == "computed"
    assert settled(context, monkeypatch, quick_mesh | {"drawn": 0.5}) == "drawn"
    assert settled(context, monkeypatch, dict.fromkeys(quick_mesh, 1.0)) == "drawn"


@pytest.mark.gl
@pytest.mark.parametrize("way", ["drawn", "computed", "meshed"])
def test_nothing_is_left_of_the_ways_that_lost(context, monkeypatch, way):
    """The textures and packed maps of a renderer that never tried another way; bytes may come by buffers instead."""
    made, texture = [], moderngl.Context.texture

    def noted(self, *arguments, **options):
        made.append(texture(self, *arguments, **options))
        return made[-1]

    def kept(renderer, warp):
        alive = [t for t in made if not isinstance(t.mglo, moderngl.InvalidObject)]
        kinds = sorted((t.size, t.components, t.dtype) for t in alive)
        renderer.close()
        assert all(isinstance(t.mglo, moderngl.InvalidObject) for t in made)
        made.clear()
        return [kind for kind in kinds if kind[1:] != BYTES], set(renderer.prepare(warp, (64, 48)).prepared)

    monkeypatch.setattr(moderngl.Context, "texture", noted)
    monkeypatch.setattr(gl, "is_software", lambda _: False)
    monkeypatch.setattr(gl, "mesh_is_exact", lambda _: True)
    monkeypatch.setattr(GlRenderer, "_timed", lambda self, _: 1.0 if self._now == way else 2.0)
    found = []
    for asked in ("auto", way):
        warp = warp_of(bent_rig.plain_prewarp())
        target = context.simple_framebuffer((64, 48))
        renderer = GlRenderer(warp, context, way=asked)
        renderer.load(bent_rig.noisy(64, 48))
        renderer.draw(target)
        assert renderer.way == way
        found.append(kept(renderer, warp))
        target.release()
    assert found[0] == found[1]


@pytest.mark.gl
def test_what_a_frame_costs_is_tried_out(context, monkeypatch):
    """On the software driver, as if it were a GPU."""
    monkeypatch.setattr(gl, "is_software", lambda _: False)
    cost = frame_cost.gpu_cost(context, (64, 48), (80, 60))
    assert set(cost.tried_ms) == {"drawn", "computed", "meshed"}
    assert cost.frame_ms == min(cost.tried_ms.values()) == cost.tried_ms[cost.way]
    assert cost.plain_draws is not None
    assert "plain draws" in cost.line
