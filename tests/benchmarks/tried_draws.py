"""A trial of cheap ways to draw and upload; ratios to a plain draw. Not kept."""

import json, sys, time
import numpy as np
import moderngl

sys.path.insert(0, "tests/benchmarks")
from bench_live import BLIT_FRAGMENT, BLIT_VERTEX, least_ms
from rigwarp.live.render import shader_parts as shaders
from rigwarp.live.render.es_context import open_es_context
from rigwarp.live.render.gl_context import is_es

TILE_V = """#version 330 core
in vec4 rect; in vec4 ca; in vec4 cb; in vec4 cc;
flat out vec4 a; flat out vec4 b; flat out vec4 c; flat out vec2 o;
uniform vec2 screen;
void main() {
    vec2 k = vec2(gl_VertexID == 1 || gl_VertexID == 4 || gl_VertexID == 5 ? 1.0 : 0.0, gl_VertexID == 2 || gl_VertexID == 3 || gl_VertexID == 5 ? 1.0 : 0.0);
    if (gl_VertexID == 3) k = vec2(0.0, 1.0);
    if (gl_VertexID == 4) k = vec2(1.0, 0.0);
    a = ca; b = cb; c = cc; o = rect.xy + 0.5 * rect.zw;
    vec2 p = (rect.xy + k * rect.zw) / screen * 2.0 - 1.0;
    gl_Position = vec4(p, 0.0, 1.0);
}
"""
HEAD = """#version 330 core
flat in vec4 a; flat in vec4 b; flat in vec4 c; flat in vec2 o;
uniform sampler2D picture; uniform usampler2D how; uniform vec2 over; uniform float gamma;
uniform vec2 affine;
out vec4 colour;
"""
AT = "vec2 l = gl_FragCoord.xy - o; vec2 at = a.xy + a.zw * l.x + b.xy * l.y + (b.zw * l.x + c.xy * l.y) * l.x + c.zw * l.y * l.y;\n"


def frag(how, taps, enc, floor_, rows=False):
    body = AT
    if how:
        body += "uint h = texelFetch(how, ivec2(gl_FragCoord.xy), 0).r; uint root = h & 1023u; float g = float(root) / 1023.0; g *= g;\n"
    else:
        body += "float g = 0.7;\n"
    if rows:
        body += """vec2 f = floor(at); float s = at.y - f.y; vec4 t0 = textureLod(picture, vec2(at.x, f.y) * over, 0.0), t1 = textureLod(picture, vec2(at.x, f.y + 1.0) * over, 0.0); vec4 t = mix(t0, t1, s);\n"""
    elif taps == 1:
        body += "vec4 t = textureLod(picture, at * over, 0.0);\n"
    elif taps == 4:
        body += "vec2 du = (a.zw + 2.0 * b.zw * l.x + c.xy * l.y) * over * 0.25, dv = (b.xy + c.xy * l.x + 2.0 * c.zw * l.y) * over * 0.25; at *= over; vec4 t = 0.25 * (textureLod(picture, at - du - dv, 0.0) + textureLod(picture, at + du - dv, 0.0) + textureLod(picture, at - du + dv, 0.0) + textureLod(picture, at + du + dv, 0.0));\n"
    elif taps == 0:
        body += """vec4 t = vec4(0.0); uint n = h >> 10u & 7u, m = h >> 13u; vec2 du = (a.zw + 2.0 * b.zw * l.x + c.xy * l.y) * over / float(n + 1u), dv = (b.xy + c.xy * l.x + 2.0 * c.zw * l.y) * over / float(m + 1u);
    at = at * over - 0.5 * (float(n) * du + float(m) * dv); for (uint j = 0u; j <= m; ++j) for (uint i = 0u; i <= n; ++i) t += textureLod(picture, at + float(i) * du + float(j) * dv, 0.0); t /= float((n + 1u) * (m + 1u));\n"""
    body += "vec3 light = (t.rgb * affine.x + t.a * affine.y) * g;\n"
    if enc:
        body += "light = pow(clamp(light, 1e-12, 1.0), vec3(gamma));\n"
    if floor_:
        body += "light = floor(light * 255.0 + 0.5) / 255.0;\n"
    return HEAD + "void main() {" + body + "colour = vec4(light, 1.0); }\n"


DEC_YUV = """#version 330 core
uniform sampler2D luma; uniform sampler2D chroma; uniform ivec2 size; uniform mat4x3 to_rgb; out vec4 colour;
void main() { ivec2 at = ivec2(gl_FragCoord.xy) - 1;
 if (any(lessThan(at, ivec2(0))) || any(greaterThanEqual(at, size))) { colour = vec4(0.0); return; }
 float y = texelFetch(luma, at, 0).r; vec2 half_size = vec2(size / 2);
 vec2 spot = vec2(float(at.x) * 0.5 + 0.5, clamp((float(at.y) + 0.5) * 0.5, 0.5, half_size.y - 0.5)) / vec2(half_size.x, half_size.y * 2.0);
 float u = textureLod(chroma, spot, 0.0).r, v = textureLod(chroma, spot + vec2(0.0, 0.5), 0.0).r;
 colour = vec4(clamp(to_rgb * vec4(y, u, v, 1.0), 0.0, 1.0)LIGHT, 1.0); }
"""
DEC_RGB = """#version 330 core
uniform sampler2D codes; uniform ivec2 size; out vec4 colour;
void main() { ivec2 at = ivec2(gl_FragCoord.xy) - 1;
 if (any(lessThan(at, ivec2(0))) || any(greaterThanEqual(at, size))) { colour = vec4(0.0); return; }
 ivec2 f = ivec2(3 * at.x, at.y);
 colour = vec4(texelFetch(codes, f, 0).r, texelFetch(codes, f + ivec2(1, 0), 0).r, texelFetch(codes, f + ivec2(2, 0), 0).r, 1.0); }
"""


def main(kind, size, draws):
    ctx = open_es_context() if kind == "es" else moderngl.create_context(require=330, standalone=True, backend="egl")
    es = is_es(ctx)
    suited = shaders.for_es if es else str
    W, H = size
    target = ctx.framebuffer([ctx.texture(size, 4)])
    plain = ctx.texture(size, 4, bytes(4 * W * H))
    prog = ctx.program(vertex_shader=suited(BLIT_VERTEX), fragment_shader=suited(BLIT_FRAGMENT))
    call = ctx.vertex_array(prog, [])

    def blit():
        target.use()
        plain.use(0)
        call.render(moderngl.TRIANGLES, vertices=3)

    out = {"renderer": ctx.info["GL_RENDERER"], "version": ctx.info["GL_VERSION"]}
    bases = [least_ms(blit, ctx.finish, draws)]
    out["blit_ms"] = bases[0]
    out["clear"] = least_ms(lambda: (target.use(), target.clear()), ctx.finish, draws) / bases[0]
    rng = np.random.default_rng(1)

    def pic(w, h):
        return rng.integers(0, 256, (h, w, 4), dtype=np.uint8)

    SRGB = 0x8C43

    def tiles(s, density):
        ys, xs = np.mgrid[0:H:s, 0:W:s].reshape(2, -1)
        n = len(xs)
        d = np.zeros((n, 16), "f4")
        d[:, 0], d[:, 1] = xs, ys
        d[:, 2] = np.minimum(s, W - xs)
        d[:, 3] = np.minimum(s, H - ys)
        cx, cy = xs + d[:, 2] / 2, ys + d[:, 3] / 2
        d[:, 4] = (cx * 0.93 + 20 * np.sin(cy / H * 4) + 30) * density
        d[:, 5] = (cy * 0.93 + 12 * np.cos(cx / W * 5) + 20) * density
        d[:, 6] = 0.93 * density
        d[:, 7] = -12 * np.sin(cx / W * 5) * 5 / W * density
        d[:, 8] = 20 * np.cos(cy / H * 4) * 4 / H * density
        d[:, 9] = 0.93 * density
        return ctx.buffer(d.tobytes()), n

    for density, names in (
        (
            1.0,
            [
                ("bare", (0, 1, 0, 0)),
                ("how", (1, 1, 0, 0)),
                ("how_pow", (1, 1, 1, 0)),
                ("how_pow_floor", (1, 1, 1, 1)),
                ("how_pow_loop", (1, 0, 1, 0)),
                ("how_pow_rows", (1, 1, 1, 0, True)),
            ],
        ),
        (1.6, [("best_how_pow", (1, 4, 1, 0)), ("best_how_pow_loop", (1, 0, 1, 0))]),
    ):
        w, h = round(W * density), round(H * density)
        for fmt, tex in (
            ("srgb", ctx.texture((w, h), 4, pic(w, h).tobytes(), internal_format=SRGB)),
            ("half", ctx.texture((w, h), 4, (pic(w, h) / 255.0).astype("f2").tobytes(), dtype="f2")),
        ):
            tex.filter = (moderngl.LINEAR, moderngl.LINEAR)
            how = ctx.texture(
                size,
                1,
                np.full((H, W), 900 | ((1 << 10 | 1 << 13) if density > 1 else 0), np.uint16).tobytes(),
                dtype="u2",
                alignment=2,
            )
            how.filter = (moderngl.NEAREST, moderngl.NEAREST)
            for s in (64, 32, 16):
                buf, n = tiles(s, density)
                for name, args in names:
                    if (fmt == "half" or s != 32) and "how_pow" not in name:
                        continue
                    if fmt == "half" and s != 32:
                        continue
                    p = ctx.program(vertex_shader=suited(TILE_V), fragment_shader=suited(frag(*args)))
                    for k, v in {
                        "picture": 0,
                        "how": 1,
                        "over": (1 / w, 1 / h),
                        "gamma": 1 / 2.2,
                        "affine": (1.0, 0.0),
                        "screen": (float(W), float(H)),
                    }.items():
                        if k in p:
                            p[k] = v
                    va = ctx.vertex_array(p, [(buf, "4f 4f 4f 4f/i", *[x for x in ("rect", "ca", "cb", "cc")])])

                    def draw():
                        target.use()
                        ctx.viewport = (0, 0, W, H)
                        tex.use(0)
                        how.use(1)
                        va.render(moderngl.TRIANGLES, vertices=6, instances=n)

                    out[f"{name}_{fmt}_{s}"] = round(least_ms(draw, ctx.finish, draws) / bases[0], 3)
            tex.release()
            how.release()
    # uploads
    frame = rng.integers(0, 256, (H * 3 // 2, W), dtype=np.uint8)
    luma, chroma = frame[:H], frame[H:]
    rgb = rng.integers(0, 256, (H, 3 * W), dtype=np.uint8)
    ty, tc, tr = (
        ctx.texture(size, 1, alignment=1),
        ctx.texture((W // 2, H), 1, alignment=1),
        ctx.texture((3 * W, H), 1, alignment=1),
    )
    for t in (ty, tr):
        t.filter = (moderngl.NEAREST, moderngl.NEAREST)
    tc.repeat_x = tc.repeat_y = False

    def direct():
        ty.write(luma, alignment=1)
        tc.write(chroma, alignment=1)

    def rotor(k, orphan, dynamic=True):
        ring = [
            (ctx.buffer(reserve=luma.nbytes, dynamic=dynamic), ctx.buffer(reserve=chroma.nbytes, dynamic=dynamic))
            for _ in range(k)
        ]
        now = [0]

        def go():
            now[0] = (now[0] + 1) % k
            b, c = ring[now[0]]
            if orphan:
                b.orphan()
                c.orphan()
            b.write(luma)
            c.write(chroma)
            ty.write(b, alignment=1)
            tc.write(c, alignment=1)

        return go

    def rgb_rotor(k, orphan):
        ring = [ctx.buffer(reserve=rgb.nbytes, dynamic=True) for _ in range(k)]
        now = [0]

        def go():
            now[0] = (now[0] + 1) % k
            b = ring[now[0]]
            if orphan:
                b.orphan()
            b.write(rgb)
            tr.write(b, alignment=1)

        return go

    def write_only(k):
        ring = [ctx.buffer(reserve=luma.nbytes, dynamic=True) for _ in range(k)]
        now = [0]

        def go():
            now[0] = (now[0] + 1) % k
            ring[now[0]].write(luma)

        return go

    few = max(draws // 4, 4)
    for name, work in {
        "up_direct": direct,
        "up_ring3": rotor(3, False),
        "up_ring2": rotor(2, False),
        "up_ring3_orphan": rotor(3, True),
        "up_orphan1": rotor(1, True),
        "up_orphan1_static": rotor(1, True, False),
        "up_write_luma_only": write_only(3),
        "up_rgb_direct": lambda: tr.write(rgb, alignment=1),
        "up_rgb_ring3": rgb_rotor(3, False),
        "up_rgb_orphan1": rgb_rotor(1, True),
    }.items():
        out[name] = round(least_ms(work, ctx.finish, few) / bases[0], 3)
    for fmt, extra in (("srgb", {"internal_format": SRGB}), ("rgba8", {})):
        pt = ctx.texture((W + 3, H + 3), 4, **extra)
        try:
            fb = ctx.framebuffer([pt])
        except Exception as e:
            out["fb_" + fmt] = str(e)[:80]
            continue
        for name, text, n in (("dec_yuv", DEC_YUV.replace("LIGHT", ""), 2), ("dec_rgb", DEC_RGB, 1)):
            p = ctx.program(vertex_shader=suited(shaders.VERTEX), fragment_shader=suited(text))
            for k, v in {"luma": 0, "chroma": 1, "codes": 0, "size": size}.items():
                if k in p:
                    p[k] = v
            va = ctx.vertex_array(p, [])

            def dec():
                fb.use()
                ctx.viewport = (0, 0, W + 3, H + 3)
                (ty if n == 2 else tr).use(0)
                tc.use(1)
                va.render(moderngl.TRIANGLES, vertices=3)

            out[f"{name}_{fmt}"] = round(least_ms(dec, ctx.finish, draws) / bases[0], 3)
    bases.append(least_ms(blit, ctx.finish, draws))
    out["blit_again"] = bases[1] / bases[0]
    return out


if __name__ == "__main__":
    kinds = sys.argv[1].split(",")
    draws = int(sys.argv[2])
    sizes = {"720p": (1280, 720), "1080p": (1920, 1080), "2160p": (3840, 2160), "small": (640, 360)}
    for kind in kinds:
        for name in sys.argv[3:]:
            try:
                print(kind, name, json.dumps(main(kind, sizes[name], draws)), flush=True)
            except Exception as e:
                print(kind, name, repr(e)[:2000], flush=True)
