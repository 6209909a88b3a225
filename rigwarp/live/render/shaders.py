"""The GPU renderer's shaders: bytes -> linear light -> the projector's codes -> the window.

The warp itself is one text, run either by a fragment shader straight into the target, or by a compute shader into a
frame that is then copied to the target. Which is quicker depends on the GPU: consumer chips draw fast, data-centre
chips have hundreds of compute units and few that draw. Nothing but `row` turns OpenGL's bottom-up rows into our own.
"""

GLSL_FRAGMENT = "#version 330 core\n"
_ES_HEAD = (
    "#version 310 es\nprecision highp float;\nprecision highp int;\nprecision highp sampler2D;\n"
    "precision highp usampler2D;\nprecision highp isampler2D;\n"
)
GLSL_COMPUTE = "#version 430 core\nlayout(local_size_x = 8, local_size_y = 8) in;\n"

VERTEX = """#version 330 core
void main() {
    // one triangle that covers the whole viewport
    gl_Position = vec4(gl_VertexID == 1 ? 3.0 : -1.0, gl_VertexID == 2 ? 3.0 : -1.0, 0.0, 1.0);
}
"""

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
uniform sampler2D light;     // 256 x 1: linear light of a code value
uniform ivec2 size;          // of the picture
float light_of(ivec2 at) {
    return texelFetch(light, ivec2(int(code_at(at) * 255.0 + 0.5), 0), 0).r;
}
vec4 decoded(ivec2 texel) {
    ivec2 at = texel - 1;    // the texture has a black rim, so that nobody need look whether a sample lies outside
    if (any(lessThan(at, ivec2(0))) || any(greaterThanEqual(at, size))) return vec4(0.0);
    ivec2 first = ivec2(3 * at.x, at.y);
    // alpha 1 is not used by the warp; four channels are what textures are stored as anyway
    return vec4(light_of(first), light_of(first + ivec2(1, 0)), light_of(first + ivec2(2, 0)), 1.0);
}
"""

_LIGHT_OF_FLOAT = """
float light_of(float code) {
    // between two codes, for what has more than 8 bits; the texture unit's coarse weights are good to 1/256 of a code
    return textureLod(light, vec2((clamp(code, 0.0, 1.0) * 255.0 + 0.5) / 256.0, 0.5), 0.0).r;
}
"""

_LIGHT_OF_FLOAT_UNFILTERED = """
float light_of(float code) {
    float at = clamp(code, 0.0, 1.0) * 255.0, below = floor(at);
    int first = int(below);
    return mix(texelFetch(light, ivec2(first, 0), 0).r, texelFetch(light, ivec2(min(first + 1, 255), 0), 0).r,
               at - below);
}
"""

_DECODE_TEXTURE = (
    """
uniform sampler2D codes;     // somebody else's texture
uniform sampler2D light;
uniform ivec2 size;
uniform bool bottom_up;      // drawn by OpenGL: its first row is the picture's last
"""
    + _LIGHT_OF_FLOAT
    + """
vec4 decoded(ivec2 texel) {
    ivec2 at = texel - 1;
    if (any(lessThan(at, ivec2(0))) || any(greaterThanEqual(at, size))) return vec4(0.0);
    vec3 code = texelFetch(codes, ivec2(at.x, bottom_up ? size.y - 1 - at.y : at.y), 0).rgb;
    return vec4(light_of(code.r), light_of(code.g), light_of(code.b), 1.0);
}
"""
)

_DECODE_YUV = (
    """
uniform sampler2D light;
uniform ivec2 size;
uniform mat4x3 to_rgb;
"""
    + _LIGHT_OF_FLOAT
    + """
float chroma_at(ivec2 at, int plane) {
    ivec2 half_size = size / 2;
    at = clamp(at, ivec2(0), half_size - 1);
    int row = at.y + plane * half_size.y;  // below Y, U's rows and then V's, two of them side by side
    return code_at(ivec2(at.x + (row & 1) * half_size.x, size.y + (row >> 1)));
}
float chroma(vec2 at, int plane) {
    vec2 corner = floor(at), share = at - corner;
    ivec2 first = ivec2(corner);
    float above = mix(chroma_at(first, plane), chroma_at(first + ivec2(1, 0), plane), share.x);
    float below = mix(chroma_at(first + ivec2(0, 1), plane), chroma_at(first + ivec2(1, 1), plane), share.x);
    return mix(above, below, share.y);
}
vec4 decoded(ivec2 texel) {
    ivec2 at = texel - 1;
    if (any(lessThan(at, ivec2(0))) || any(greaterThanEqual(at, size))) return vec4(0.0);
    vec2 spot = vec2(float(at.x) * 0.5, (float(at.y) + 0.5) * 0.5 - 0.5);
    vec3 code = to_rgb * vec4(code_at(at), chroma(spot, 0), chroma(spot, 1), 1.0);
    return vec4(light_of(code.r), light_of(code.g), light_of(code.b), 1.0);
}
"""
)

_WARP = """
uniform sampler2D picture;   // linear light with a black rim: one texel before the picture, two after it
uniform usampler2D place;    // u | root of the gain, v | cubic, taps; see `packed_places`
uniform isampler2D steps;    // from tap to tap, in 128ths: du/du', dv/du', du/dv', dv/dv'
uniform float gamma;         // of the projector; 0: the sRGB curve
uniform bool by_unit;        // bilinear by the texture unit: quicker, but its weights have so few bits that a black
                             // texel beside a white one may be 8 codes off; exact along one axis on NVIDIA, not both
uniform bool dither;

vec3 encoded(vec3 light) {
    light = clamp(light, 1e-12, 1.0);
    if (gamma > 0.0) return pow(light, vec3(1.0 / gamma));
    vec3 curved = 1.055 * pow(light, vec3(1.0 / 2.4)) - 0.055;
    return mix(curved, light * 12.92, lessThanEqual(light, vec3(0.0031308)));
}

vec3 bilinear(vec2 at) {
    vec2 size = vec2(textureSize(picture, 0));
    at = clamp(at + 1.0, vec2(0.0), size - 2.0);
    if (by_unit) return textureLod(picture, (at + 0.5) / size, 0.0).rgb;
    ivec2 first = ivec2(at);
    vec2 share = at - vec2(first);
    vec3 above = mix(
        texelFetch(picture, first, 0).rgb, texelFetchOffset(picture, first, 0, ivec2(1, 0)).rgb, share.x);
    vec3 below = mix(
        texelFetchOffset(picture, first, 0, ivec2(0, 1)).rgb,
        texelFetchOffset(picture, first, 0, ivec2(1, 1)).rgb, share.x);
    return mix(above, below, share.y);
}

vec4 cubic_weights(float t) {
    float square = t * t, cube = t * t * t;
    return vec4(square - 0.5 * (cube + t), 1.5 * cube - 2.5 * square + 1.0, 2.0 * square - 1.5 * cube + 0.5 * t,
                0.5 * (cube - square));
}

vec3 cubic(vec2 at) {
    ivec2 last = textureSize(picture, 0) - 1;
    at = clamp(at + 1.0, vec2(0.0), vec2(last - 1));
    ivec2 first = ivec2(at);
    vec4 along_u = cubic_weights(at.x - float(first.x)), along_v = cubic_weights(at.y - float(first.y));
    vec3 total = vec3(0.0);
    for (int j = 0; j < 4; ++j) {
        vec3 row = vec3(0.0);
        for (int i = 0; i < 4; ++i)
            row += along_u[i] * texelFetch(picture, clamp(first + ivec2(i - 1, j - 1), ivec2(0), last), 0).rgb;
        total += along_v[j] * row;
    }
    return max(total, 0.0);
}

float threshold(ivec2 pixel) {
    // rank in the 8 x 8 recursive matrix: bits of x ^ y and y, coarsest last
    uint x = uint(pixel.x) & 7u, y = uint(pixel.y) & 7u, d = x ^ y;
    uint rank = (d & 1u) << 5 | (y & 1u) << 4 | (d & 2u) << 2 | (y & 2u) << 1 | (d & 4u) >> 1 | (y & 4u) >> 2;
    return (float(rank) + 0.5) / 64.0;
}

vec4 shown(ivec2 pixel) {
    uvec2 packed_place = texelFetch(place, pixel, 0).xy;
    uint root = packed_place.x & 1023u;
    if (root == 0u) return vec4(0.0, 0.0, 0.0, 1.0);
    vec2 at = vec2(packed_place >> 10u) / 256.0 - 32.0;
    float gain = float(root) / 1023.0;
    gain *= gain;
    uint taps = packed_place.y & 255u;
    vec3 light = vec3(0.0);
    if ((packed_place.y & 256u) != 0u) {
        light = cubic(at);
    } else if (taps == 0u) {
        light = bilinear(at);
    } else {
        vec4 between = vec4(texelFetch(steps, pixel, 0)) / 128.0;
        int along_u = int(taps & 15u) + 1, along_v = int(taps >> 4u) + 1;
        at -= 0.5 * (float(along_u - 1) * between.xy + float(along_v - 1) * between.zw);
        for (int j = 0; j < along_v; ++j)
            for (int i = 0; i < along_u; ++i)
                light += bilinear(at + float(i) * between.xy + float(j) * between.zw);
        light /= float(along_u * along_v);
    }
    float rounding = dither ? threshold(pixel) : 0.5;
    return vec4(min(floor(encoded(light * gain) * 255.0 + rounding), 255.0) / 255.0, 1.0);
}
"""

_TO_TARGET = """
uniform int rows;            // height of the projector's picture
out vec4 colour;
ivec2 row(vec2 fragment) { return ivec2(int(fragment.x), rows - 1 - int(fragment.y)); }
"""

_TO_IMAGE = """
ivec2 here() { return ivec2(gl_GlobalInvocationID.xy); }
bool inside(ivec2 size) { return all(lessThan(here(), size)); }
"""

_DECODE_MAIN = "out vec4 colour;\nvoid main() { colour = decoded(ivec2(gl_FragCoord.xy)); }\n"
DECODE_DRAWN = GLSL_FRAGMENT + _BYTES_OF_TEXTURE + _DECODE + _DECODE_MAIN
DECODE_TEXTURE_DRAWN = GLSL_FRAGMENT + _DECODE_TEXTURE + _DECODE_MAIN
DECODE_YUV_DRAWN = GLSL_FRAGMENT + _BYTES_OF_TEXTURE + _DECODE_YUV + _DECODE_MAIN
_DECODE_TO_IMAGE = (
    _TO_IMAGE
    + "layout(binding = 0) writeonly uniform image2D destination;\n"
    + "void main() { if (inside(imageSize(destination))) imageStore(destination, here(), decoded(here())); }\n"
)
DECODE_COMPUTED = GLSL_COMPUTE + _BYTES_OF_STORAGE + _DECODE + _DECODE_TO_IMAGE
DECODE_YUV_COMPUTED = GLSL_COMPUTE + _BYTES_OF_STORAGE + _DECODE_YUV + _DECODE_TO_IMAGE
WARP_DRAWN = GLSL_FRAGMENT + _WARP + _TO_TARGET + "void main() { colour = shown(row(gl_FragCoord.xy)); }\n"
WARP_COMPUTED = (
    GLSL_COMPUTE
    + _WARP
    + _TO_IMAGE
    + "layout(rgba8, binding = 0) writeonly uniform image2D destination;\n"
    + "void main() { if (inside(imageSize(destination))) imageStore(destination, here(), shown(here())); }\n"
)
COPY_DRAWN = (
    GLSL_FRAGMENT
    + _TO_TARGET
    + "uniform sampler2D frame;\nvoid main() { colour = texelFetch(frame, row(gl_FragCoord.xy), 0); }\n"
)


def for_es(text: str) -> str:
    """A drawing shader as OpenGL ES 3.1 wants it: another head, and no filtering of float textures."""
    return text.replace("#version 330 core\n", _ES_HEAD).replace(_LIGHT_OF_FLOAT, _LIGHT_OF_FLOAT_UNFILTERED)
