"""Makes tests/decode/gray_code_reference.npz: whole projector pixels by OpenCV-contrib's Gray code decoder.

Run with a Python that has opencv-contrib-python (it shares the cv2 name with opencv-python, so in its own environment):

    python tests/support/make_gray_code_reference.py tests/decode/gray_code_reference.npz

The scene is `smooth_scene` of synthetic_scan.py for a 160 x 120 camera and a 1280 x 720 projector, written out here
since that environment has no rigwarp; the photographs have noise of 1.5 levels. getProjPixel returns True for an error.
"""

import json
import sys

import cv2
import numpy as np

CAMERA, PROJECTOR = (160, 120), (1280, 720)
NOISE_LEVELS = 1.5


def main(path: str) -> None:
    """Photograph, decode, write."""
    width, height = CAMERA
    row, column = np.mgrid[:height, :width] / np.array([height, width])[:, None, None]
    u = PROJECTOR[0] * (0.05 + 0.88 * column + 0.03 * np.sin(3 * row))
    v = PROJECTOR[1] * (0.06 + 0.85 * row + 0.04 * column**2)
    brightness = 0.75 * (1 - 0.9 * ((column - 0.5) ** 2 + (row - 0.5) ** 2))
    ambient = 0.02 + 0.02 * column
    random = np.random.default_rng(11)

    def seen(picture: np.ndarray) -> np.ndarray:
        # pixel (0, 0) is the centre of the top-left pixel: the pixel that holds (u, v) is the nearest whole one
        light = ambient + brightness * picture[np.rint(v).astype(int), np.rint(u).astype(int)] / 255.0
        return (
            np.clip(255 * light + NOISE_LEVELS * random.standard_normal(light.shape), 0, 255).round().astype(np.uint8)
        )

    pattern = cv2.structured_light.GrayCodePattern.create(*PROJECTOR)
    photos = [seen(frame) for frame in pattern.generate()[1]]
    found = np.full((height, width, 2), -1, np.int16)
    for y in range(height):
        for x in range(width):
            error, pixel = pattern.getProjPixel(photos, x, y)
            if not error:
                found[y, x] = pixel
    origin = {
        "computed_by": "cv2.structured_light.GrayCodePattern.getProjPixel, opencv-contrib-python",
        "version": cv2.__version__,
        "settings": "defaults (white threshold 5, black threshold 40); -1 where it reports an error",
        "scene": "see tests/support/make_gray_code_reference.py",
    }
    np.savez_compressed(path, pixels=found, origin=np.array(json.dumps(origin)))


if __name__ == "__main__":
    main(sys.argv[1])
