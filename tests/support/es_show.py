"""Draws on a machine whose OpenGL is a board computer's, without a window and in one, in a process of its own.

Mesa says that it has as much as it is told to (MESA_GL_VERSION_OVERRIDE, docs.mesa3d.org/envvars.html).
"""

import bent_rig
import numpy as np
import pygame

from rigwarp.live.render.gl import GlRenderer, frame_of, mesh_is_exact
from rigwarp.live.render.gl_context import is_es, standalone_context
from rigwarp.live.render.picture import YuvPicture, rgb_of
from rigwarp.live.render.reference import ReferenceRenderer, codes_beyond
from rigwarp.live.render.warp import warp_of
from rigwarp.live.run.window import open_window

BOARD = {"MESA_GL_VERSION_OVERRIDE": "3.1", "MESA_GLES_VERSION_OVERRIDE": "3.1"}
"""Desktop OpenGL up to 3.1, and OpenGL ES 3.1."""


def _worst(frame, prewarp, picture):
    return int(np.abs(frame.astype(int) - ReferenceRenderer(prewarp).render(picture)).max())


def windowless(say):
    """Greatest differences to the reference, in codes: three pictures, minified and magnified, and a video frame."""
    context = standalone_context()
    cases = [
        (bent_rig.curved_prewarp(transfer), bent_rig.noisy(*size))
        for transfer, size in ((2.2, (400, 300)), ("srgb", (90, 67)), (2.2, (801, 600)))
    ]
    drawn, meshed = GlRenderer(cases[0][0], context), GlRenderer(warp_of(cases[0][0]), context, way="meshed")
    worst, beyond = [], []
    for prewarp, picture in cases:
        drawn.use(warp_of(prewarp))
        worst.append(_worst(drawn.render(picture), prewarp, picture))
        if picture.shape[1] < 500:
            meshed.use(warp_of(prewarp))
            beyond.append(float(codes_beyond(meshed.render(picture), warp_of(prewarp), picture).max()))
    prewarp = bent_rig.curved_prewarp(2.2)
    video = YuvPicture(planes=np.random.default_rng(1).integers(100, 150, (450, 400), np.uint8))
    frames = [_video_frame(renderer, prewarp, video, context) for renderer in (drawn, meshed)]
    worst.append(_worst(frames[0], prewarp, rgb_of(video)))
    beyond.append(float(codes_beyond(frames[1], warp_of(prewarp), rgb_of(video)).max()))
    found = {"es": is_es(context), "version": context.version_code, "worst": worst, "meshed": beyond}
    say(found | {"mesh_is_exact": mesh_is_exact(context)})


def _video_frame(renderer, prewarp, video, context):
    target = context.framebuffer([context.texture(renderer.resolution, 4)])
    renderer.use(warp_of(prewarp))
    renderer.load(video)
    renderer.draw(target)
    renderer.close()
    return frame_of(target)


def in_window(say):
    """The same of a window."""
    prewarp, picture = bent_rig.curved_prewarp(2.2), bent_rig.noisy(400, 300)
    window = open_window(prewarp, drawing="gl")
    window.show(picture)
    worst = [_worst(window.grab(), prewarp, picture)]
    say({"driver": pygame.display.get_driver(), "drawing": window.drawing, "worst": worst})
    window.close()
