"""Videos whose frames carry their number as black and white blocks, so that what is seen tells which frame it was."""

import cv2
import numpy as np

BITS = 16
RATE_HZ = 60


def coded_frame(number: int, size: tuple[int, int]) -> np.ndarray:
    """A picture (h, w, 3): a row of 16 blocks, most significant bit first, between grey bands that move."""
    width, height = size
    picture = np.full((height, width, 3), 40 + number % 160, np.uint8)
    for bit in range(BITS):
        on = number >> (BITS - 1 - bit) & 1
        left, right = bit * width // BITS, (bit + 1) * width // BITS
        picture[height // 4 : 3 * height // 4, left:right] = 255 * on
    return picture


def number_in(picture: np.ndarray) -> int:
    """The number in a picture that shows a coded frame undistorted."""
    height, width = picture.shape[:2]
    number = 0
    for bit in range(BITS):
        number = number << 1 | int(picture[height // 2, (2 * bit + 1) * width // (2 * BITS), 1] > 127)
    return number


def write_video(path, count: int, size: tuple[int, int]) -> None:
    """An MPEG-4 file of `count` coded frames at 60 per second."""
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"mp4v"), RATE_HZ, size)
    assert writer.isOpened()
    for number in range(count):
        writer.write(coded_frame(number, size))
    writer.release()


def write_h264(path, count: int, size: tuple[int, int]) -> None:
    """The same as H.264 with three references and B-frames, as films are; by PyAV."""
    import av

    with av.open(str(path), "w") as file:
        stream = file.add_stream("libx264", rate=RATE_HZ, options={"refs": "3", "bf": "2"})
        stream.width, stream.height = size
        stream.pix_fmt = "yuv420p"
        for number in range(count):
            file.mux(stream.encode(av.VideoFrame.from_ndarray(coded_frame(number, size), format="rgb24")))
        file.mux(stream.encode())
