"""The one draw of the GPU renderer, as GLSL 3.30.

Texels are fetched and weighted by hand: the texture unit's own filter weighs with 8 bits only, which shows as steps
of several code values in the darks. Nothing here uses OpenGL's texture coordinates: texel (u, v) is the picture's own
pixel, and only `row` turns OpenGL's bottom-up rows into top-down ones.
"""

VERTEX = """
#version 330 core
void main() {
    // one triangle that covers the whole viewport
    gl_Position = vec4(gl_VertexID == 1 ? 3.0 : -1.0, gl_VertexID == 2 ? 3.0 : -1.0, 0.0, 1.0);
}
"""

FRAGMENT = """
#version 330 core
uniform sampler2D picture;   // 8-bit sRGB codes
uniform sampler2D place;     // u, v in picture pixels, gain, taps
uniform sampler2D steps;     // from tap to tap: du/du', dv/du', du/dv', dv/dv'
uniform int rows;            // height of the projector's picture
uniform float gamma;         // of the projector; 0: the sRGB curve
out vec4 colour;

vec3 decoded(vec3 code) {
    vec3 curved = pow((code + 0.055) / 1.055, vec3(2.4));
    return mix(curved, code / 12.92, lessThanEqual(code, vec3(0.04045)));
}

vec3 encoded(vec3 light) {
    light = clamp(light, 1e-12, 1.0);
    if (gamma > 0.0) return pow(light, vec3(1.0 / gamma));
    vec3 curved = 1.055 * pow(light, vec3(1.0 / 2.4)) - 0.055;
    return mix(curved, light * 12.92, lessThanEqual(light, vec3(0.0031308)));
}

vec3 light_at(ivec2 at, ivec2 size) {
    if (any(lessThan(at, ivec2(0))) || any(greaterThanEqual(at, size))) return vec3(0.0);
    return decoded(texelFetch(picture, at, 0).rgb);
}

vec3 bilinear(vec2 at, ivec2 size) {
    vec2 corner = floor(at);
    vec2 share = at - corner;
    ivec2 first = ivec2(corner);
    vec3 above = mix(light_at(first, size), light_at(first + ivec2(1, 0), size), share.x);
    vec3 below = mix(light_at(first + ivec2(0, 1), size), light_at(first + ivec2(1, 1), size), share.x);
    return mix(above, below, share.y);
}

void main() {
    ivec2 pixel = ivec2(gl_FragCoord.xy);
    ivec2 row = ivec2(pixel.x, rows - 1 - pixel.y);
    vec4 here = texelFetch(place, row, 0);
    colour = vec4(0.0, 0.0, 0.0, 1.0);
    if (here.z <= 0.0) return;
    ivec2 size = textureSize(picture, 0);
    int taps = int(here.w);
    vec3 light = vec3(0.0);
    if (taps == 1) {
        light = bilinear(here.xy, size);
    } else {
        vec4 between = texelFetch(steps, row, 0);
        float first = 0.5 * (1.0 - here.w);
        for (int j = 0; j < taps; ++j)
            for (int i = 0; i < taps; ++i)
                light += bilinear(here.xy + (first + float(i)) * between.xy + (first + float(j)) * between.zw, size);
        light /= here.w * here.w;
    }
    colour.rgb = floor(encoded(light * here.z) * 255.0 + 0.5) / 255.0;
}
"""
