"""The GPU renderer's shaders from the picture to the projector's codes; `decode_shaders` has those before them.

The exact warp is one text, run either by a fragment shader straight into the target, or by a compute shader into a
frame that is then copied to the target. Which is quicker depends on the GPU: consumer chips draw fast, data-centre
chips have hundreds of compute units and few that draw. Weak chips have little of either and slow memory: for them the
mesh has quadratics in the place of a map, and the texture unit does what it can (`mesh_tiles`).
"""

from rigwarp.live.render.gl_programs import GLSL_COMPUTE, GLSL_FRAGMENT, TO_IMAGE, TO_TARGET

_ENCODED = """
uniform sampler2D picture;   // linear light with a black rim: one texel before the picture, two after it
uniform vec4 curve;          // of the projector: exponent, factor, summand; light up to which it is straight

vec3 encoded(vec3 light) {
    // gamma and the sRGB curve alike, without a branch
    light = clamp(light, 1e-12, 1.0);
    vec3 curved = curve.y * pow(light, vec3(curve.x)) + curve.z;
    return mix(curved, light * 12.92, lessThanEqual(light, vec3(curve.w)));
}

float threshold(ivec2 pixel) {
    // rank in the 8 x 8 recursive matrix: bits of x ^ y and y, coarsest last
    uint x = uint(pixel.x) & 7u, y = uint(pixel.y) & 7u, d = x ^ y;
    uint rank = (d & 1u) << 5 | (y & 1u) << 4 | (d & 2u) << 2 | (y & 2u) << 1 | (d & 4u) >> 1 | (y & 4u) >> 2;
    return (float(rank) + 0.5) / 64.0;
}

vec4 codes_of(vec3 light, ivec2 pixel) {
#ifdef DITHERED
    float rounding = threshold(pixel);
#else
    float rounding = 0.5;
#endif
    return vec4(min(floor(encoded(light) * 255.0 + rounding), 255.0) / 255.0, 1.0);
}

vec4 cubic_weights(float t) {
    float square = t * t, cube = t * t * t;
    return vec4(square - 0.5 * (cube + t), 1.5 * cube - 2.5 * square + 1.0, 2.0 * square - 1.5 * cube + 0.5 * t,
                0.5 * (cube - square));
}
"""

_PLAIN_SAMPLE = """
#define SAMPLE vec3
#define OF(texel) (texel).rgb
#define LIGHT(sum) (sum)
"""

_CODE_SAMPLE = """
uniform vec2 lifted;         // what code 0 and alpha 1 shine with, and what codes add to it: black level, brightness
#define SAMPLE vec4
#define OF(texel) (texel)
#define LIGHT(sum) ((sum).rgb * lifted.y + (sum).a * lifted.x)
"""

_TAPS = """
#ifdef COARSE                // where texture units are: never
const bool by_unit = false;
#else
uniform bool by_unit;        // bilinear by the texture unit: quicker, but its weights have so few bits that a black
                             // texel beside a white one may be 8 codes off; exact along one axis on NVIDIA, not both
#endif

SAMPLE bilinear(vec2 at) {
    vec2 size = vec2(textureSize(picture, 0));
    at = clamp(at + 1.0, vec2(0.0), size - 2.0);
    if (by_unit) return OF(textureLod(picture, (at + 0.5) / size, 0.0));
    ivec2 first = ivec2(at);
    vec2 share = at - vec2(first);
    SAMPLE above = mix(
        OF(texelFetch(picture, first, 0)), OF(texelFetchOffset(picture, first, 0, ivec2(1, 0))), share.x);
    SAMPLE below = mix(
        OF(texelFetchOffset(picture, first, 0, ivec2(0, 1))),
        OF(texelFetchOffset(picture, first, 0, ivec2(1, 1))), share.x);
    return mix(above, below, share.y);
}

SAMPLE cubic(vec2 at) {
    ivec2 last = textureSize(picture, 0) - 1;
    at = clamp(at + 1.0, vec2(0.0), vec2(last - 1));
    ivec2 first = ivec2(at);
    vec4 along_u = cubic_weights(at.x - float(first.x)), along_v = cubic_weights(at.y - float(first.y));
    SAMPLE total = SAMPLE(0.0);
    for (int j = 0; j < 4; ++j) {
        SAMPLE row = SAMPLE(0.0);
        for (int i = 0; i < 4; ++i)
            row += along_u[i] * OF(texelFetch(picture, clamp(first + ivec2(i - 1, j - 1), ivec2(0), last), 0));
        total += along_v[j] * row;
    }
    return total;            // negative light is black, see `encoded`
}
"""

_WARP = (
    _TAPS
    + """
uniform usampler2D place;    // u | root of the gain, v | cubic, taps; see `packed_places`
uniform isampler2D steps;    // from tap to tap, in 128ths: du/du', dv/du', du/dv', dv/dv'

vec4 shown(ivec2 pixel) {
    uvec2 packed_place = texelFetch(place, pixel, 0).xy;
    uint root = packed_place.x & 1023u;
    if (root == 0u) return vec4(0.0, 0.0, 0.0, 1.0);
    vec2 at = vec2(packed_place >> 10u) / 256.0 - 32.0;
    float gain = float(root) / 1023.0;
    gain *= gain;
    uint taps = packed_place.y & 255u;
    SAMPLE light = SAMPLE(0.0);
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
    return codes_of(LIGHT(light) * gain, pixel);
}
"""
)

WARP_DRAWN = (
    GLSL_FRAGMENT
    + _ENCODED
    + _PLAIN_SAMPLE
    + _WARP
    + TO_TARGET
    + "void main() { colour = shown(row(gl_FragCoord.xy)); }\n"
)
WARP_COMPUTED = (
    GLSL_COMPUTE
    + _ENCODED
    + _PLAIN_SAMPLE
    + _WARP
    + TO_IMAGE
    + "layout(rgba8, binding = 0) writeonly uniform image2D destination;\n"
    + "void main() { if (inside(imageSize(destination))) imageStore(destination, here(), shown(here())); }\n"
)
COPY_DRAWN = (
    GLSL_FRAGMENT
    + TO_TARGET
    + "uniform sampler2D frame;\nvoid main() { colour = texelFetch(frame, row(gl_FragCoord.xy), 0); }\n"
)

TEXEL_AT = """
uniform vec4 texels;         // how many there are along x and y, and their size
#if defined(ROWS)            // the unit along one axis, in the middles of two rows
vec4 texel_at(vec2 spot) {
    float share = fract(spot.y * texels.y - 0.5);
    spot.y -= share * texels.w;
    return mix(textureLod(picture, spot, 0.0), textureLod(picture, vec2(spot.x, spot.y + texels.w), 0.0), share);
}
#elif defined(COARSE)
vec4 texel_at(vec2 spot) { return bilinear(spot * texels.xy - 1.5); }
#else
vec4 texel_at(vec2 spot) { return textureLod(picture, spot, 0.0); }
#endif
"""
"""A sample of `picture` at a place of its texture, as finely as the mesh needs it; see `gl_filter`."""

MESH_VERTEX = """#version 330 core
in vec4 rectangle;           // left, top, width, height, in projector pixels
in vec4 first;               // (x, y) in the picture's texture at the middle; what multiplies l
in vec4 second;              // m; l l
in vec4 third;               // l m; m m
uniform vec2 frame_size;
uniform int cells;           // along either side; the GPU interpolates in two triangles of each
#ifdef SMOOTH
in vec4 fourth;              // root of the gain; what multiplies l, m, l l
in vec2 fifth;               // l m; m m
out vec3 at_root;
#else
out vec2 at;
#endif
void main() {
    int cell = gl_VertexID / 6, corner = gl_VertexID % 6;
    ivec2 node = ivec2(cell % cells, cell / cells) + ivec2(corner & 1, corner == 2 || corner > 3 ? 1 : 0);
    vec2 pixel = rectangle.xy + rectangle.zw * vec2(node) / float(cells);
    vec2 l = pixel - rectangle.xy - 0.5 * rectangle.zw;
    vec2 spot = first.xy + l.x * (first.zw + l.x * second.zw + l.y * third.xy) + l.y * (second.xy + l.y * third.zw);
#ifdef SMOOTH
    float root = fourth.x + l.x * (fourth.y + l.x * fourth.w + l.y * fifth.x) + l.y * (fourth.z + l.y * fifth.y);
    at_root = vec3(spot, root);
#else
    at = spot;
#endif
    vec2 share = pixel / frame_size;
    gl_Position = vec4(2.0 * share.x - 1.0, 1.0 - 2.0 * share.y, 0.0, 1.0);
}
"""

_MESH = (
    TEXEL_AT
    + """
#ifdef SMOOTH
in vec3 at_root;             // in the picture's texture, and root of the gain; many more inputs, or flat ones, are dear
#define at (at_root.xy)
#else
in vec2 at;
uniform usampler2D how;      // root of the gain, taps; see `MeshTiles`
#endif

#ifdef COARSE                // exactly, as without a mesh
vec4 cubic() { return cubic(at * texels.xy - 1.5); }
#else
vec4 cubic() {
    // the two middle weights of either axis in one bilinear sample
    vec2 texel = at * texels.xy - 0.5, corner = floor(texel);
    vec4 u = cubic_weights(texel.x - corner.x), v = cubic_weights(texel.y - corner.y);
    vec2 inner = vec2(u.y + u.z, v.y + v.z);
    corner += 0.5;
    vec2 between = (corner + vec2(u.z, v.z) / inner) * texels.zw;
    vec2 before = (corner - 1.0) * texels.zw, after = (corner + 2.0) * texels.zw;
    return v.x * (u.x * texel_at(before) + inner.x * texel_at(vec2(between.x, before.y))
                  + u.w * texel_at(vec2(after.x, before.y)))
        + inner.y * (u.x * texel_at(vec2(before.x, between.y)) + inner.x * texel_at(between)
                     + u.w * texel_at(vec2(after.x, between.y)))
        + v.w * (u.x * texel_at(vec2(before.x, after.y)) + inner.x * texel_at(vec2(between.x, after.y))
                 + u.w * texel_at(after));
}
#endif

vec4 averaged(vec2 taps, vec2 step_u, vec2 step_v) {  // one tap more along either axis
    step_u /= taps.x + 1.0;
    step_v /= taps.y + 1.0;
    vec2 corner = at - 0.5 * (taps.x * step_u + taps.y * step_v);
    vec4 total = vec4(0.0);
    for (float j = 0.0; j <= taps.y; ++j)
        for (float i = 0.0; i <= taps.x; ++i) total += texel_at(corner + i * step_u + j * step_v);
    return total / ((taps.x + 1.0) * (taps.y + 1.0));
}

vec4 twice(vec2 aside) { return 0.5 * (texel_at(at - aside) + texel_at(at + aside)); }

vec4 four(vec2 step_u, vec2 step_v) {
    vec2 down = 0.25 * (step_u + step_v), up = 0.25 * (step_u - step_v);
    return 0.25 * (texel_at(at - down) + texel_at(at + down) + texel_at(at - up) + texel_at(at + up));
}

void main() {
    ivec2 pixel = row(gl_FragCoord.xy);
    vec2 step_u = dFdx(at), step_v = dFdy(at);
#ifdef SMOOTH
    float gain = at_root.z;
#else
    uint packed_how = texelFetch(how, pixel, 0).r;
    float gain = float(packed_how & 1023u) / 1023.0;
    uint code = packed_how >> 10u;
    vec2 taps = vec2(float(code & 7u), float(code >> 3u));
#endif
    vec4 light = SAMPLED;
#ifdef DITHERED
    colour = codes_of(LIGHT(light) * (gain * gain), pixel);
#else
    colour = vec4(encoded(LIGHT(light) * (gain * gain)), 1.0);
#endif
}
"""
)

_BLACK = "out vec4 colour;\nvoid main() { colour = vec4(0.0, 0.0, 0.0, 1.0); }\n"
_SAMPLED = {
    "single": "texel_at(at)",
    "2x1": "twice(0.25 * step_u)",
    "1x2": "twice(0.25 * step_v)",
    "2x2": "four(step_u, step_v)",
    "averaged": "averaged(taps, step_u, step_v)",
    "mixed": "taps.x == 7.0 ? cubic() : averaged(taps, step_u, step_v)",
}
MESH_DRAWN = {
    name: GLSL_FRAGMENT + f"#define SAMPLED ({sampled})\n" + _ENCODED + _CODE_SAMPLE + _TAPS + TO_TARGET + _MESH
    for name, sampled in _SAMPLED.items()
}
MESH_DRAWN |= {
    "exact": GLSL_FRAGMENT
    + _ENCODED
    + _CODE_SAMPLE
    + _WARP
    + TO_TARGET
    + "void main() { colour = shown(row(gl_FragCoord.xy)); }\n",
    "dark": GLSL_FRAGMENT + _BLACK,
}
"""By the kinds of `MeshTiles`."""
