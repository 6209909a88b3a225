"""DNG files written by hand: a small preview in front, the samples in a directory of their own, as cameras do it.

Tags and layout: TIFF 6.0; Adobe, Digital Negative Specification 1.6.
"""

import struct

import numpy as np

_FORMS = {1: "B", 3: "H", 4: "I", 5: "II"}
RGGB = (0, 1, 1, 2)


def dng(mosaic, *, bits=16, black=0, white=65535, pattern=RGGB, compression=1, order="<"):
    """The bytes of a DNG; `mosaic` (H, W) has `bits` bits, in a colour filter `pattern` (None: no filters)."""
    height, width = mosaic.shape
    raw = mosaic.astype(f"{order}u2").tobytes() if bits == 16 else _twelve(mosaic)
    preview = bytes(8 * 8 * 3)
    begin = 8 + len(raw) + len(preview)
    first = [(254, 4, [1]), *_picture(8, 8, [8, 8, 8], 2, 8 + len(raw), len(preview)), (330, 4, [0])]
    first[-1] = (330, 4, [begin + len(_directory(first, begin, order))])
    head = _directory(first, begin, order)
    filters = [] if pattern is None else [(33421, 3, [2, 2]), (33422, 1, list(pattern))]
    kind = 34892 if pattern is None else 32803
    samples = _picture(width, height, [bits], kind, 8, len(raw), compression)
    full = [(254, 4, [0]), *samples, *filters, (50714, 5, [black, 1]), (50717, 4, [white])]
    start = (b"II" if order == "<" else b"MM") + struct.pack(f"{order}HI", 42, begin)
    return start + raw + preview + head + _directory(full, begin + len(head), order)


def _picture(width, height, bits, photometric, at, size, compression=1):
    return [
        (256, 4, [width]), (257, 4, [height]), (258, 3, bits), (259, 3, [compression]), (262, 3, [photometric]),
        (273, 4, [at]), (277, 3, [len(bits)]), (278, 4, [height]), (279, 4, [size]),
    ]  # fmt: skip


def _directory(entries, at, order):
    out, extra = struct.pack(f"{order}H", len(entries)), b""
    behind = at + 2 + 12 * len(entries) + 4
    for tag, kind, values in sorted(entries):
        data = struct.pack(f"{order}{len(values)}{_FORMS[kind][0]}", *values)
        count = len(values) // len(_FORMS[kind])
        place = data.ljust(4, b"\0") if len(data) <= 4 else struct.pack(f"{order}I", behind + len(extra))
        extra += data if len(data) > 4 else b""
        out += struct.pack(f"{order}HHI", tag, kind, count) + place
    return out + struct.pack(f"{order}I", 0) + extra


def _twelve(mosaic):
    """Two samples in three bytes, the first one's upper bits first (TIFF 6.0, FillOrder 1)."""
    one, other = np.moveaxis(mosaic.reshape(mosaic.shape[0], -1, 2).astype(int), -1, 0)
    return np.stack([one >> 4, (one & 15) << 4 | other >> 8, other & 255], -1).astype(np.uint8).tobytes()
