"""Triangles from STL files as they come: binary or text, names in any encoding, a byte or a triangle too many."""

import re

import numpy as np

from rigwarp.geometry import Array

_HEAD = 84  # 80 bytes of anything, then the number of triangles
_RECORD = np.dtype([("floats", "<f4", (4, 3)), ("attribute", "<u2")])
_COUNT_OFF = 1  # some exporters count the triangle that they did not write
_TEXT_START = 4096  # bytes within which a text file shows its first facet, after a long name
_VERTEX = re.compile(rb"\bvertex\s+(\S+)\s+(\S+)\s+(\S+)", re.IGNORECASE)


def stl_triangles(data: bytes) -> Array:
    """(M, 3, 3) corners of the triangles of an STL file.

    Raises
    ------
    ValueError
        With the reason, where the bytes are neither of the format's two kinds or have been cut off.
    """
    if data[:_TEXT_START].lstrip()[:5].lower() == b"solid" and b"facet" in data[:_TEXT_START].lower():
        return _text(data)
    return _binary(data)


def _binary(data: bytes) -> Array:
    if len(data) < _HEAD:
        raise ValueError(f"it has {len(data)} bytes, a binary STL at least {_HEAD}")
    said = int.from_bytes(data[80:_HEAD], "little")
    there = (len(data) - _HEAD) // _RECORD.itemsize
    rest = (len(data) - _HEAD) % _RECORD.itemsize
    if abs(said - there) > _COUNT_OFF or (said > there and rest):
        raise ValueError(f"it announces {said} triangles and holds {there}: it was cut off, or is no STL")
    records = np.frombuffer(data, _RECORD, count=there, offset=_HEAD)
    with np.errstate(invalid="ignore"):  # of a damaged file some are no numbers, which is told later
        return records["floats"][:, 1:].astype(np.float64)


def _text(data: bytes) -> Array:
    found = _VERTEX.findall(data)
    facets = len(re.findall(rb"\bendfacet\b", data, re.IGNORECASE))
    if len(found) != 3 * facets:
        raise ValueError(f"it has {facets} facets and {len(found)} vertices, not three each: it was cut off or edited")
    try:
        return np.array(found, dtype=np.bytes_).astype(np.float64).reshape(-1, 3, 3)
    except ValueError as error:
        raise ValueError(f"a vertex is not three numbers ({error}); decimals want a point") from error
