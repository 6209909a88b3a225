"""Shaders from a picture's bytes to what the warp samples: linear light, or codes of which the GPU makes light."""

from rigwarp.live.render.gl_programs import GLSL_COMPUTE, GLSL_FRAGMENT, GLSL_FRAGMENT_STORAGE, TO_IMAGE

_SIZE = "uniform ivec2 size;  // of the picture\n"
_BYTES_OF_TEXTURE = """
uniform sampler2D codes;     // one channel, a byte each; rows of the picture's three channels, or of its planes' width
float code_at(ivec2 at) { return texelFetch(codes, at, 0).r; }
"""

_BYTES_OF_STORAGE = """
layout(std430, binding = 1) readonly buffer Bytes { uint words[]; };
uniform int row_bytes;
float code_at(ivec2 at) {
    int number = at.y * row_bytes + at.x;
    return float(words[number >> 2] >> ((number & 3) * 8) & 255u) / 255.0;
}
"""

_DECODE = """
vec4 decoded(ivec2 texel) {
    ivec2 at = texel - 1;    // the texture has a black rim, so that nobody need look whether a sample lies outside
    if (any(lessThan(at, ivec2(0))) || any(greaterThanEqual(at, size))) return vec4(0.0);
    ivec2 first = ivec2(3 * at.x, at.y);
    // alpha: how much of a sample lies in the picture, whose black may be lifted
    return vec4(stored(vec3(code_at(first), code_at(first + ivec2(1, 0)), code_at(first + ivec2(2, 0)))), 1.0);
}
"""

_STORED_EXACT_CODES = """
uniform sampler2D light;     // 256 x 1: linear light of a code value
float light_of(float code) { return texelFetch(light, ivec2(int(code * 255.0 + 0.5), 0), 0).r; }
vec3 stored(vec3 code) { return vec3(light_of(code.r), light_of(code.g), light_of(code.b)); }
"""

_LIGHT_OF_FLOAT = """
uniform sampler2D light;     // 256 x 1: linear light of a code value
float light_of(float code) {
    // between two codes, for what has more than 8 bits; the texture unit's coarse weights are good to 1/256 of a code
    return textureLod(light, vec2((clamp(code, 0.0, 1.0) * 255.0 + 0.5) / 256.0, 0.5), 0.0).r;
}
"""

_LIGHT_OF_FLOAT_UNFILTERED = """
uniform sampler2D light;
float light_of(float code) {
    float at = clamp(code, 0.0, 1.0) * 255.0, below = floor(at);
    int first = int(below);
    return mix(texelFetch(light, ivec2(first, 0), 0).r, texelFetch(light, ivec2(min(first + 1, 255), 0), 0).r,
               at - below);
}
"""

_STORED_LIGHT = "vec3 stored(vec3 code) { return vec3(light_of(code.r), light_of(code.g), light_of(code.b)); }\n"

_STORED_CODES = """
vec3 stored(vec3 code) { return clamp(code, 0.0, 1.0); }
"""

_STORED_CODES_ENCODED = """
vec3 stored(vec3 code) {
    // what is written to an sRGB texture gets the curve, always
    code = clamp(code, 0.0, 1.0);
    return mix(pow((code + 0.055) / 1.055, vec3(2.4)), code / 12.92, lessThanEqual(code, vec3(0.04045)));
}
"""

_DECODE_TEXTURE = """
uniform sampler2D codes;     // somebody else's texture
uniform bool bottom_up;      // drawn by OpenGL: its first row is the picture's last
vec4 decoded(ivec2 texel) {
    ivec2 at = texel - 1;
    if (any(lessThan(at, ivec2(0))) || any(greaterThanEqual(at, size))) return vec4(0.0);
    vec3 code = texelFetch(codes, ivec2(at.x, bottom_up ? size.y - 1 - at.y : at.y), 0).rgb;
    return vec4(stored(code), 1.0);
}
"""

_CHROMA_OF_TEXTURE = """
uniform sampler2D chroma;    // U and V side by side, see `_JOIN_CHROMA`
vec2 chroma_of(vec2 at) { return textureLod(chroma, (at + 0.5) / vec2(size / 2), 0.0).rg; }
"""

_CHROMA_OF_STORAGE = """
float chroma_at(ivec2 at, int plane) {
    ivec2 half_size = size / 2;
    at = clamp(at, ivec2(0), half_size - 1);
    int row = at.y + plane * half_size.y;  // below Y, U's rows and then V's, two of them side by side
    return code_at(ivec2(at.x + (row & 1) * half_size.x, size.y + (row >> 1)));
}
"""

_CHROMA_INTERPOLATED = """
float plane_of(vec2 at, int plane) {
    vec2 corner = floor(at), share = at - corner;
    ivec2 first = ivec2(corner);
    float above = mix(chroma_at(first, plane), chroma_at(first + ivec2(1, 0), plane), share.x);
    float below = mix(chroma_at(first + ivec2(0, 1), plane), chroma_at(first + ivec2(1, 1), plane), share.x);
    return mix(above, below, share.y);
}
vec2 chroma_of(vec2 at) { return vec2(plane_of(at, 0), plane_of(at, 1)); }
"""

_DECODE_YUV = """
uniform mat4x3 to_rgb;
vec4 decoded(ivec2 texel) {
    ivec2 at = texel - 1;
    if (any(lessThan(at, ivec2(0))) || any(greaterThanEqual(at, size))) return vec4(0.0);
    vec2 spot = vec2(float(at.x) * 0.5, (float(at.y) + 0.5) * 0.5 - 0.5);
    return vec4(stored(to_rgb * vec4(code_at(at), chroma_of(spot), 1.0)), 1.0);
}
"""

_MAIN = "out vec4 colour;\nvoid main() { colour = decoded(ivec2(gl_FragCoord.xy)); }\n"
_TO_PICTURE = (
    TO_IMAGE
    + "layout(binding = 0) writeonly uniform image2D destination;\n"
    + "void main() { if (inside(imageSize(destination))) imageStore(destination, here(), decoded(here())); }\n"
)

_CHROMA_OF_PLANES = """
uniform sampler2D chroma;    // U's rows, below them V's
float chroma_at(ivec2 at, int plane) { return texelFetch(chroma, at + ivec2(0, plane * size.y / 2), 0).r; }
"""

_JOIN_CHROMA = """
out vec4 colour;
void main() {
    ivec2 at = ivec2(gl_FragCoord.xy);
    colour = vec4(chroma_at(at, 0), chroma_at(at, 1), 0.0, 1.0);
}
"""
"""Both at once into half floats, which texture units interpolate well; of bytes some make bytes again."""


def drawn(what: str, *, to_codes: bool, es: bool, curved: bool, from_storage: bool) -> str:
    """The fragment shader for "bytes", "planes", their "chroma" or a foreign "texture"; codes go into an sRGB texture.

    ES need not filter float textures. `curved`: what is written into an sRGB texture gets the curve, as ES may have it.
    """
    head = (GLSL_FRAGMENT_STORAGE if from_storage else GLSL_FRAGMENT) + _SIZE
    bytes_of = _BYTES_OF_STORAGE if from_storage else _BYTES_OF_TEXTURE
    if what == "chroma":
        return head + (bytes_of + _CHROMA_OF_STORAGE if from_storage else _CHROMA_OF_PLANES) + _JOIN_CHROMA
    if to_codes:
        stored = _STORED_CODES_ENCODED if curved else _STORED_CODES
    elif what == "bytes":
        stored = _STORED_EXACT_CODES
    else:
        stored = (_LIGHT_OF_FLOAT_UNFILTERED if es else _LIGHT_OF_FLOAT) + _STORED_LIGHT
    source = {
        "bytes": bytes_of + _DECODE,
        "planes": bytes_of + _CHROMA_OF_TEXTURE + _DECODE_YUV,
        "texture": _DECODE_TEXTURE,
    }[what]
    return head + stored + source + _MAIN


def computed(what: str) -> str:
    """The compute shader for "bytes" or "planes", which makes linear light."""
    if what == "bytes":
        return GLSL_COMPUTE + _SIZE + _STORED_EXACT_CODES + _BYTES_OF_STORAGE + _DECODE + _TO_PICTURE
    stored = _LIGHT_OF_FLOAT + _STORED_LIGHT
    planes = _BYTES_OF_STORAGE + _CHROMA_OF_STORAGE + _CHROMA_INTERPOLATED + _DECODE_YUV
    return GLSL_COMPUTE + _SIZE + stored + planes + _TO_PICTURE
