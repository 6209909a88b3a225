"""Trial: ways of a video's planes to a GPU without compute shaders, and what a mesh's draw is made of."""

import ctypes
import ctypes.util
import json
import sys
import traceback

import bench_live as b
import moderngl
import numpy as np

from rigwarp.live.render import shaders
from rigwarp.live.render.es_context import open_es_context
from rigwarp.live.render.gl import GlRenderer
from rigwarp.live.render.gl_context import is_es
from rigwarp.live.render.picture import YuvPicture
from rigwarp.live.render.shader_parts import for_es

egl = ctypes.CDLL(ctypes.util.find_library("EGL") or "libEGL.so.1")
egl.eglGetProcAddress.restype = ctypes.c_void_p
egl.eglGetProcAddress.argtypes = [ctypes.c_char_p]


def gl(name, *types, result=None):
    return ctypes.CFUNCTYPE(result, *types)(egl.eglGetProcAddress(name.encode()))


READ = {
    "r8": "uniform sampler2D codes; float code_at(ivec2 at) { return texelFetch(codes, at, 0).r; }",
    "rgba8": "uniform sampler2D codes; float code_at(ivec2 at) { return texelFetch(codes, ivec2(at.x >> 2, at.y), 0)[at.x & 3]; }",
    "u32x4": "uniform usampler2D codes; float code_at(ivec2 at) { uint w = texelFetch(codes, ivec2(at.x >> 4, at.y), 0)[(at.x >> 2) & 3]; return float(w >> uint((at.x & 3) * 8) & 255u) / 255.0; }",
    "tbo8": "uniform samplerBuffer codes; float code_at(ivec2 at) { return texelFetch(codes, at.y * width + at.x).r; }",
    "tbo32": "uniform usamplerBuffer codes; float code_at(ivec2 at) { int n = at.y * width + at.x; return float(texelFetch(codes, n >> 2).r >> uint((n & 3) * 8) & 255u) / 255.0; }",
    "ssbo": "layout(std430, binding = 1) readonly buffer Bytes { uint words[]; }; float code_at(ivec2 at) { int n = at.y * width + at.x; return float(words[n >> 2] >> uint((n & 3) * 8) & 255u) / 255.0; }",
}
HEAD = "#version 330 core\nuniform int width; uniform ivec2 size;\n"
JOIN = "out vec4 colour; void main() { ivec2 at = ivec2(gl_FragCoord.xy); ivec2 h = size / 2; int row = at.y + h.y; colour = vec4(code_at(ivec2(at.x + (at.y & 1) * h.x, size.y + (at.y >> 1))), code_at(ivec2(at.x + (row & 1) * h.x, size.y + (row >> 1))), 0.0, 1.0); }"
JOIN2 = "uniform sampler2D second; out vec4 colour; void main() { ivec2 at = ivec2(gl_FragCoord.xy); colour = vec4(texelFetch(second, at, 0).r, texelFetch(second, at + ivec2(0, size.y / 2), 0).r, 0.0, 1.0); }"
DECODE = "uniform sampler2D chroma; uniform mat4x3 to_rgb; out vec4 colour; void main() { ivec2 at = ivec2(gl_FragCoord.xy) - 1; if (any(lessThan(at, ivec2(0))) || any(greaterThanEqual(at, size))) { colour = vec4(0.0); return; } vec2 spot = vec2(float(at.x) * 0.5, (float(at.y) + 0.5) * 0.5 - 0.5); colour = vec4(clamp(to_rgb * vec4(code_at(at), textureLod(chroma, (spot + 0.5) / vec2(size / 2), 0.0).rg, 1.0), 0.0, 1.0), 1.0); }"


def program(c, text, ssbo=False):
    vertex = "#version 330 core\nvoid main() { gl_Position = vec4(gl_VertexID == 1 ? 3.0 : -1.0, gl_VertexID == 2 ? 3.0 : -1.0, 0.0, 1.0); }"
    if is_es(c):
        head = "precision highp float; precision highp int; precision highp sampler2D; precision highp usampler2D;\n"
        text = text.replace("#version 330 core\n", "#version 310 es\n#extension GL_EXT_texture_buffer : enable\n" + head + ("precision highp samplerBuffer; precision highp usamplerBuffer;\n" if "Buffer codes" in text else ""))
        vertex = for_es(vertex)
    elif ssbo:
        text, vertex = text.replace("330", "430"), vertex.replace("330", "430")
    return c.program(vertex_shader=vertex, fragment_shader=text)


class Source:
    """One of the stores, with `write` and `use`."""

    def __init__(self, c, kind, size):
        w, h = size
        self.c, self.kind, self.n = c, kind, 0
        rows, count = h * 3 // 2, w * h * 3 // 2
        store = kind.split("+")[0]
        self.textures = self.buffers = None
        if store == "r8pair":
            self.textures = [[c.texture((w, h), 1, alignment=1), c.texture((w // 2, h), 1, alignment=1)] for _ in range(3)]
        elif store in ("r8", "rgba8", "u32x4"):
            made = {"r8": ((w, rows), 1, "f1"), "rgba8": ((w // 4, rows), 4, "f1"), "u32x4": ((w // 16, rows), 4, "u4")}[store]
            self.textures = [[c.texture(made[0], made[1], dtype=made[2])] for _ in range(3)]
        else:
            self.buffers = [c.buffer(reserve=count, dynamic=True) for _ in range(3)]
        if "+pbo" in kind:
            self.pbo = [c.buffer(reserve=count, dynamic=True) for _ in range(3)]
        for pair in self.textures or []:
            for t in pair:
                t.filter = (moderngl.NEAREST, moderngl.NEAREST)
        if store.startswith("tbo"):
            name = "glTexBuffer" if not is_es(c) else "glTexBufferEXT"
            i, v = ctypes.c_uint, ctypes.c_void_p
            gen, self.bind, act = gl("glGenTextures", ctypes.c_int, v), gl("glBindTexture", i, i), gl("glActiveTexture", i)
            ids = (ctypes.c_uint * 3)()
            gen(3, ids)
            self.ids, self.act = list(ids), act
            for t, buffer in zip(self.ids, self.buffers):
                act(0x84C0)
                self.bind(0x8C2A, t)
                gl(name, i, i, i)(0x8C2A, 0x8229 if store == "tbo8" else 0x8236, buffer.glo)

    def write(self, data):
        self.n = (self.n + 1) % 3
        if "+pbo" in self.kind:
            if "orphan" in self.kind:
                self.pbo[self.n].orphan()
            self.pbo[self.n].write(data)
            self.textures[self.n][0].write(self.pbo[self.n])
        elif self.buffers:
            self.buffers[self.n].write(data)
        elif len(self.textures[0]) == 2:
            y, u = self.textures[self.n]
            flat, most = data.reshape(-1), y.width * y.height
            y.write(flat[:most], alignment=1)
            u.write(flat[most:], alignment=1)
        else:
            self.textures[self.n][0].write(data)

    def use(self):
        if self.kind.startswith("tbo"):
            self.act(0x84C0)
            self.bind(0x8C2A, self.ids[self.n])
        elif self.buffers:
            self.buffers[self.n].bind_to_storage_buffer(1)
        else:
            for unit, t in zip((0, 2), self.textures[self.n]):
                t.use(unit)


def trial(c, kind, size, data, unit_ms, draws, found):
    s = Source(c, kind, size)
    store = kind.split("+")[0]
    pair = store == "r8pair"
    read = READ["r8" if pair else store]
    join = program(c, HEAD + read + JOIN if not pair else HEAD + JOIN2, store == "ssbo")
    decode = program(c, HEAD + read + DECODE, store == "ssbo")
    matrix = YuvPicture(planes=data).to_rgb_matrix().T.astype("f4").tobytes()
    for p in (join, decode):
        for name, value in {"width": size[0], "size": size, "codes": 0, "second": 2, "chroma": 3}.items():
            if name in p:
                p[name] = value
    decode["to_rgb"].write(matrix)
    half = c.texture((size[0] // 2, size[1] // 2), 2, dtype="f2")
    half.repeat_x = half.repeat_y = False
    whole = c.texture((size[0] + 3, size[1] + 3), 4, internal_format=0x8C43)
    to_half, to_whole = c.framebuffer([half]), c.framebuffer([whole])
    calls = c.vertex_array(join, []), c.vertex_array(decode, [])

    def passes():
        s.use()
        to_half.use()
        calls[0].render(moderngl.TRIANGLES, vertices=3)
        half.use(3)
        to_whole.use()
        calls[1].render(moderngl.TRIANGLES, vertices=3)

    def all_of_it():
        s.write(data)
        passes()

    for name, work in (("write", lambda: s.write(data)), ("passes", passes), ("all", all_of_it)):
        found[f"{kind} {name}"] = round(b.least_ms(work, c.finish, draws) / unit_ms, 2)
    frame = np.frombuffer(to_whole.read(components=4, alignment=1), np.uint8).reshape(size[1] + 3, size[0] + 3, 4)
    found[f"{kind} sum"] = int(frame.astype(np.int64).sum())
    for item in (*calls, join, decode, half, whole, to_half, to_whole, *(s.buffers or []), *sum(s.textures or [], [])):
        item.release()


def draws_of(c, size, target, unit_ms, draws, found):
    """The mesh's draw, and what is left of it without this or that."""
    kept = dict(shaders.MESH_DRAWN)
    changes = {
        "as is": {},
        "no pow": {"vec3 curved = curve.y * pow(light, vec3(curve.x)) + curve.z;": "vec3 curved = curve.y * light * curve.x;"},
        "no how": {"uint packed_how = texelFetch(how, pixel, 0).r;": "uint packed_how = 1023u;"},
        "no how pow": {"uint packed_how = texelFetch(how, pixel, 0).r;": "uint packed_how = 1023u;", "vec3 curved = curve.y * pow(light, vec3(curve.x)) + curve.z;": "vec3 curved = curve.y * light * curve.x;"},
        "no picture": {"vec4 texel_at(vec2 spot) { return textureLod(picture, spot, 0.0); }": "vec4 texel_at(vec2 spot) { return spot.xyxy; }"},
        "exp2": {"vec3 curved = curve.y * pow(light, vec3(curve.x)) + curve.z;": "vec3 curved = pow(light, vec3(curve.x));", "return mix(curved, light * 12.92, lessThanEqual(light, vec3(curve.w)));": "return curved;"},
    }
    for label, density in (("one_tap", 1.0), ("best", b.BEST_DENSITY)):
        warp = b.bent_warp(size, density)
        picture = b.picture_of(warp.prewarp.content_pixels)
        for name, change in changes.items():
            for kind, text in kept.items():
                for old, new in change.items():
                    text = text.replace(old, new)
                shaders.MESH_DRAWN[kind] = text
            r = GlRenderer(warp, c, way="meshed")
            r.load(picture)
            found[f"{label} {name}"] = round(b.least_ms(lambda: r.draw(target), c.finish, draws) / unit_ms, 2)
            r.close()
        shaders.MESH_DRAWN.update(kept)


def main():
    out = {}
    quick = "quick" in sys.argv
    for api in ("gl", "es"):
        c = moderngl.create_context(require=330, standalone=True, backend="egl") if api == "gl" else open_es_context()
        for name in ("64p", "360p") if quick else ("64p", "1080p", "2160p"):
            size = {"64p": (128, 64), **b.SIZES}[name]
            found = out[f"{api} {name}"] = {}
            target = c.framebuffer([c.texture(size, 4)])
            plain = c.texture(size, 4, bytes(4 * size[0] * size[1]))
            call = c.vertex_array(b.drawing_program(c, b.BLIT_FRAGMENT, b.BLIT_VERTEX) if hasattr(b, "drawing_program") else __import__("rigwarp.live.render.gl_programs", fromlist=["x"]).drawing_program(c, b.BLIT_FRAGMENT, b.BLIT_VERTEX), [])

            def blit():
                target.use()
                plain.use(0)
                call.render(moderngl.TRIANGLES, vertices=3)

            draws = 2 if quick else 40
            found["blit_ms"] = unit_ms = b.least_ms(blit, c.finish, draws)
            data = np.random.default_rng(1).integers(0, 256, (size[1] * 3 // 2, size[0]), np.uint8)
            kinds = ["r8pair", "r8", "rgba8", "u32x4", "tbo8", "tbo32", "ssbo", "rgba8+pbo", "u32x4+pbo", "rgba8+pbo+orphan"]
            for kind in kinds:
                try:
                    trial(c, kind, size, data, unit_ms, draws, found)
                except Exception as error:
                    found[kind] = repr(error)[:300]
                    traceback.print_exc()
            if name == "2160p" and api == "gl":
                draws_of(c, size, target, unit_ms, draws, found)
            renderer = GlRenderer(b.bent_warp(size), c, way="meshed")
            video = YuvPicture(planes=data)
            renderer.load(video)
            found["renderer.load"] = round(b.least_ms(lambda: renderer.load(video), c.finish, draws) / unit_ms, 2)
            renderer.close()
            found["blit again"] = round(b.least_ms(blit, c.finish, draws) / unit_ms, 2)
        c.release()
    print(json.dumps(out, indent=1))


main()
