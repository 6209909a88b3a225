"""Ways of spoiling a file, drawn from a generator that is given: bytes of any kind, and what JSON, TOML and npz hold.

The extremes are those that have broken parsers before: nothing, far too much, no number, numbers beyond a float, deep
nesting, huge claims about small contents.
"""

import io
import json
import random
import re
import struct
import zipfile
import zlib
from typing import Any

import numpy as np

EXTREMES: list[Any] = [
    *(None, True, -1, 0, 1, 10**400, -(10**30), 1e308, -1e308, 1e-320, 0.5, 2**31, 2**63),
    *("", "x" * 100_000, "../../etc/passwd", "a\nb", "\0", "ä" * 300, "1e5", [], {}, [[]], [None] * 1000),
]
NUMBER = re.compile(r"-?\d+\.?\d*(e-?\d+)?")
NUMBERS_IN_TEXT = [
    "-1",
    "0",
    "1e308",
    "-1e308",
    "1e999",
    "nan",
    "9" * 400,
    "99999",
    "0.0001",
    '"x"',
    "[]",
    "1e-300",
    "",
]


def spoiled(data: bytes, name: str, dice: random.Random) -> bytes:
    """The file's bytes with one thing wrong, in a way that goes with its name."""
    ways = [any_bytes]
    if name.endswith(".json"):
        ways += [json_value, json_value, json_value]
    elif name.endswith((".toml", ".csv", ".step")):
        ways += [number_in_text, number_in_text, line_in_text]
    elif name.endswith(".npz"):
        ways += [npz_array, npz_array, npz_header, npz_bomb]
    elif name.endswith(".png"):
        ways += [png_size]
    return dice.choice(ways)(data, dice)


def any_bytes(data: bytes, dice: random.Random) -> bytes:
    """Flipped, cut off, zeroed, doubled or put in."""
    if not data:
        return b"\0"
    at, end = sorted((dice.randrange(len(data)), dice.randrange(len(data))))
    way = dice.randrange(5)
    if way == 0:
        spoilt = bytearray(data)
        for _ in range(dice.randint(1, 8)):
            spoilt[dice.randrange(len(data))] = dice.choice([0, 255, dice.randrange(256)])
        return bytes(spoilt)
    if way == 1:
        return data[:at]
    if way == 2:
        return data[:at] + bytes(end - at) + data[end:]
    if way == 3:
        return data[:end] + data[at:]
    return data[:at] + dice.randbytes(dice.randint(1, 40)) + data[at:]


def json_value(data: bytes, dice: random.Random) -> bytes:
    """One value somewhere in a JSON file replaced by an extreme one, or taken out."""
    contents = json.loads(data)
    holders = list(_holders(contents))
    holder, key = dice.choice(holders)
    if dice.random() < 0.15:
        del holder[key]
    else:
        holder[key] = dice.choice([*EXTREMES, _deep(dice.randint(2, 2000))])
    return json.dumps(contents).encode()


def number_in_text(data: bytes, dice: random.Random) -> bytes:
    """One number in a text file replaced."""
    text = data.decode()
    found = list(NUMBER.finditer(text))
    one = dice.choice(found)
    return (text[: one.start()] + dice.choice(NUMBERS_IN_TEXT) + text[one.end() :]).encode()


def line_in_text(data: bytes, dice: random.Random) -> bytes:
    """One line gone, or there twice."""
    lines = data.splitlines(keepends=True)
    at = dice.randrange(len(lines))
    return b"".join(lines[:at] + lines[at : at + 1] * dice.choice([0, 2]) + lines[at + 1 :])


def npz_array(data: bytes, dice: random.Random) -> bytes:
    """One array of an npz file of another shape or type, or with values that it cannot have."""
    arrays = _arrays(data)
    name = dice.choice([name for name in arrays if name != "header"])
    array = arrays[name]
    cropped = array[tuple(slice(0, max(n - dice.randint(0, 2), 0)) for n in array.shape)]
    value = dice.choice([np.nan, np.inf, -1, 1e30, 255])
    with np.errstate(all="ignore"):
        filled = np.full(array.shape, value).astype(array.dtype)
        some = np.where(np.random.default_rng(dice.randrange(2**32)).random(array.shape) < 0.1, filled, array)
    changed = [
        cropped,
        array.T,
        filled,
        some,
        array.astype(complex),
        array.astype("U8"),
        array.ravel(),
        array.ravel()[:0],
    ]
    arrays[name] = dice.choice([one for one in changed if one.size < 10**6] or [cropped])
    return _npz(arrays)


def npz_header(data: bytes, dice: random.Random) -> bytes:
    """The header of an npz file spoiled as JSON is."""
    arrays = _arrays(data)
    arrays["header"] = np.array(json_value(str(arrays["header"]).encode(), dice).decode())
    return _npz(arrays)


def npz_bomb(data: bytes, dice: random.Random) -> bytes:
    """An array that claims to be huge, with a little or a lot of zeros behind it, well compressed."""
    arrays = _arrays(data)
    name = dice.choice(list(arrays))
    head = io.BytesIO()
    shape = tuple(dice.choice([100_000, 60_000, 2**31]) for _ in arrays[name].shape) or (2**28,)
    np.lib.format.write_array_header_1_0(
        head, {"descr": arrays[name].dtype.str, "fortran_order": False, "shape": shape}
    )
    buffer = io.BytesIO(_npz({n: a for n, a in arrays.items() if n != name}))
    with zipfile.ZipFile(buffer, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(f"{name}.npy", head.getvalue() + bytes(dice.choice([0, 10_000_000])))
    return buffer.getvalue()


def png_size(data: bytes, dice: random.Random) -> bytes:
    """A PNG whose head claims another size; the check sum is right."""
    if data[:4] != b"\x89PNG":
        return any_bytes(data, dice)
    width, height = dice.choice([(60_000, 60_000), (2**31 - 1, 1), (0, 5), (1, 1), (30_000, 3)])
    head = b"IHDR" + struct.pack(">II", width, height) + data[24:29]
    return data[:12] + head + struct.pack(">I", zlib.crc32(head)) + data[33:]


def _holders(contents: Any) -> Any:
    """(container, key) of every value in a JSON object."""
    items = contents.items() if isinstance(contents, dict) else enumerate(contents)
    for key, value in list(items):
        yield contents, key
        if isinstance(value, dict | list) and value:
            yield from _holders(value)


def _deep(depth: int) -> Any:
    value: Any = 1
    for _ in range(min(depth, 400)):  # what Python's own writer can still write
        value = [value]
    return value


def _arrays(data: bytes) -> dict[str, Any]:
    with np.load(io.BytesIO(data)) as file:
        return {name: file[name] for name in file.files}


def _npz(arrays: dict[str, Any]) -> bytes:
    buffer = io.BytesIO()
    np.savez(buffer, **arrays)
    return buffer.getvalue()
