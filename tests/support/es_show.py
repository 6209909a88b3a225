"""Draws on a machine whose OpenGL is a board computer's, without a window and in one; prints what was found as JSON.

Mesa says that it has as much as it is told to (MESA_GL_VERSION_OVERRIDE, docs.mesa3d.org/envvars.html).
"""

import json
import os
import sys

import bent_rig
import numpy as np
import pygame

from rigwarp.live.render.exactness import codes_beyond, mesh_is_exact
from rigwarp.live.render.gl import GlRenderer, frame_of
from rigwarp.live.render.gl_context import is_es, standalone_context
from rigwarp.live.render.picture import YuvPicture, rgb_of
from rigwarp.live.render.reference import ReferenceRenderer
from rigwarp.live.render.warp import warp_of
from rigwarp.live.run.window import open_window

BOARD = {"MESA_GL_VERSION_OVERRIDE": "3.1", "MESA_GLES_VERSION_OVERRIDE": "3.1"}
"""Desktop OpenGL up to 3.1, and OpenGL ES 3.1."""


def _worst(frame, prewarp, picture):
    return int(np.abs(frame.astype(int) - ReferenceRenderer(prewarp).render(picture)).max())


def windowless():
    """Greatest differences to the reference, in codes: three pictures, minified and magnified, and a video frame."""
    context = standalone_context()
    worst, meshed = [], []
    for transfer, size in ((2.2, (400, 300)), ("srgb", (90, 67)), (2.2, (801, 600))):
        prewarp, picture = bent_rig.curved_prewarp(transfer), bent_rig.noisy(*size)
        renderer = GlRenderer(prewarp, context)
        worst.append(_worst(renderer.render(picture), prewarp, picture))
        renderer.close()
        if size[0] < 500:
            renderer = GlRenderer(warp_of(prewarp), context, way="meshed")
            meshed.append(float(codes_beyond(renderer.render(picture), warp_of(prewarp), picture).max()))
            renderer.close()
    prewarp = bent_rig.curved_prewarp(2.2)
    video = YuvPicture(planes=np.random.default_rng(1).integers(100, 150, (450, 400), np.uint8))
    frames = [_video_frame(GlRenderer(prewarp, context, way=way), video, context) for way in ("drawn", "meshed")]
    worst.append(_worst(frames[0], prewarp, rgb_of(video)))
    meshed.append(float(codes_beyond(frames[1], warp_of(prewarp), rgb_of(video)).max()))
    found = {"es": is_es(context), "version": context.version_code, "worst": worst, "meshed": meshed}
    return found | {"mesh_is_exact": mesh_is_exact(context)}


def _video_frame(renderer, video, context):
    target = context.framebuffer([context.texture(renderer.resolution, 4)])
    renderer.load(video)
    renderer.draw(target)
    renderer.close()
    return frame_of(target)


def in_window():
    """The same of a window."""
    prewarp, picture = bent_rig.curved_prewarp(2.2), bent_rig.noisy(400, 300)
    window = open_window(prewarp, drawing="gl")
    window.show(picture)
    found = {"driver": pygame.display.get_driver(), "drawing": window.drawing}
    found["worst"] = [_worst(window.grab(), prewarp, picture)]
    window.close()
    return found


if __name__ == "__main__":
    os.environ.update(BOARD)
    json.dump({"windowless": windowless, "window": in_window}[sys.argv[1]](), sys.stdout)
