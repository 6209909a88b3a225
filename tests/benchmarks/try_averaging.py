"""What averaging in the mesh costs, and of what: variants of its shaders, in plain draws (a try, not kept)."""

import json
import sys

import bench_live as live
import moderngl

from rigwarp.live.render import mesh_tiles, shaders
from rigwarp.live.render.es_context import open_es_context
from rigwarp.live.render.gl import GlRenderer
from rigwarp.live.render.gl_context import standalone_context
from rigwarp.live.render.gl_programs import drawing_program

DRAWN, VERTEX, BULGE, TOL = dict(shaders.MESH_DRAWN), shaders.MESH_VERTEX, 0.0, mesh_tiles.TOLERANCE_PX
GAIN = "float gain = float(packed_how & 1023u) / 1023.0;"
FETCH = "uint packed_how = texelFetch(how, pixel, 0).r;"
STEPS = "step_u = dFdx(at), step_v = dFdy(at)"


def base(name, text):
    return text


def nopersp(name, text):
    return text.replace("out vec2 at;", "noperspective out vec2 at;").replace(
        "in vec2 at;", "noperspective in vec2 at;"
    )


def constant_steps(name, text):
    return text.replace(STEPS, "step_u = vec2(0.00024, 0.00001), step_v = vec2(0.00002, 0.0004)")


def no_gain(name, text):
    return text.replace(FETCH, "uint packed_how = 0u;").replace(GAIN, "float gain = 0.7;")


def no_curve(name, text):
    return text.replace("vec4(encoded(LIGHT(light) * (gain * gain)), 1.0)", "vec4(LIGHT(light) * (gain * gain), 1.0)")


def gain_in_z(name, text):
    text = (
        no_gain(name, text)
        .replace("out vec2 at;", "out vec3 at_gain;")
        .replace("    at = first.xy", "    vec2 at = first.xy")
    )
    text = text.replace(
        "    vec2 share = pixel", "    at_gain = vec3(at, 1.0 - 0.3 * pixel.x / frame_size.x);\n    vec2 share = pixel"
    )
    text = text.replace("in vec2 at;", "in vec3 at_gain;\n#define at (at_gain.xy)").replace(
        "float gain = 0.7;", "float gain = at_gain.z;"
    )
    return text


def gain_in_w(name, text):
    text = no_gain(name, text)
    text = text.replace(
        "gl_Position = vec4(2.0 * share.x - 1.0, 1.0 - 2.0 * share.y, 0.0, 1.0);",
        "float w = 1.0 / (1.0 - 0.3 * share.x); at *= w; gl_Position = w * vec4(2.0 * share.x - 1.0, 1.0 - 2.0 * share.y, 0.0, 1.0);",
    )
    text = text.replace("in vec2 at; ", "in vec2 at_w; ").replace("out vec2 at;", "out vec2 at_w;")
    if "at *= w" in text:
        text = text.replace("    at = first.xy", "    vec2 at = first.xy").replace("at *= w;", "at_w = at * w;")
    else:
        text = text.replace("void main() {\n", "void main() {\n    vec2 at = at_w * gl_FragCoord.w;\n")
        text = text.replace("vec4 twice(vec2 aside)", "vec4 twice(vec2 at, vec2 aside)").replace(
            "twice(0", "twice(at, 0"
        )
        text = text.replace("vec4 four(vec2 step_u", "vec4 four(vec2 at, vec2 step_u").replace(
            "four(step_u", "four(at, step_u"
        )
        text = text.replace("averaged(vec2 taps", "averaged(vec2 at, vec2 taps").replace(
            "averaged(taps", "averaged(at, taps"
        )
        text = text.replace("vec4 cubic() {", "vec4 cubic(vec2 at) {").replace("cubic() :", "cubic(at) :")
    return text


def one_tap(name, text):
    return text.replace("#define SAMPLED (four(step_u, step_v))", "#define SAMPLED (texel_at(at))")


def both(*changes):
    def changed(name, text):
        for change in changes:
            text = change(name, text)
        return text

    return changed


def flat(change):
    return lambda n, s: (
        change(n, s)
        .replace("out vec3", "noperspective out vec3")
        .replace("in vec3 at_gain", "noperspective in vec3 at_gain")
    )


VARIANTS = {
    "base": (base, 0),
    "nopersp": (nopersp, 0),
    "constant steps": (constant_steps, 0),
    "no gain": (no_gain, 0),
    "no curve": (no_curve, 0),
    "no gain, constant steps": (both(no_gain, constant_steps), 0),
    "gain in z": (gain_in_z, 0),
    "gain in z, nopersp": (flat(gain_in_z), 0),
    "gain in w": (gain_in_w, 0),
    "one tap": (one_tap, 0),
    "one cell": (base, 9),
    "one cell, gain in z": (gain_in_z, 9),
    "one cell, gain in z, nopersp": (flat(gain_in_z), 9),
    "base again": (base, 0),
}


def draws_ms(context, warp, picture, target, change, bulge, draws):
    shaders.MESH_DRAWN = {name: change(name, text) for name, text in DRAWN.items()}
    shaders.MESH_VERTEX = change("vertex", VERTEX)
    if bulge > 1:
        mesh_tiles.TOLERANCE_PX = 99.0
    warp._samples.clear()
    renderer = GlRenderer(warp, context, way="meshed")
    mesh_tiles.TOLERANCE_PX = TOL
    renderer.load(picture)
    took = live.least_ms(lambda: renderer.draw(target), context.finish, draws, rounds=7)
    counts = sorted({(call[2], call[3]) for call in renderer._mesh._calls})
    renderer.close()
    return took, counts


def main():
    size_name, draws = sys.argv[1], int(sys.argv[2])
    size = live.SIZES[size_name]
    found = {}
    for what, opened in (("gl", standalone_context), ("es", open_es_context)):
        context = opened()
        target = context.framebuffer([context.texture(size, 4)])
        plain = context.texture(size, 4, bytes(4 * size[0] * size[1]))
        call = context.vertex_array(drawing_program(context, live.BLIT_FRAGMENT, live.BLIT_VERTEX), [])

        def blit():
            target.use()
            plain.use(0)
            call.render(moderngl.TRIANGLES, vertices=3)

        for label, density in (("best", live.BEST_DENSITY), ("one_tap", 1.0)):
            warp = live.bent_warp(size, density)
            picture = live.picture_of(warp.prewarp.content_pixels)
            for name, (change, bulge) in VARIANTS.items():
                if what == "es" and "nopersp" in name:
                    continue
                if label == "one_tap" and name in ("constant steps", "one tap"):
                    continue
                plain_ms = live.least_ms(blit, context.finish, draws, rounds=7)
                try:
                    took, counts = draws_ms(context, warp, picture, target, change, bulge, draws)
                except Exception as error:
                    found[f"{what} {label} {name}"] = repr(error)[:300]
                    continue
                found[f"{what} {label} {name}"] = [round(took / plain_ms, 3), round(plain_ms, 4), counts]
        context.release()
    print(json.dumps(found, indent=0))


main()
