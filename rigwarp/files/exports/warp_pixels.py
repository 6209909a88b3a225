"""The warp pixel by pixel for other programs: PFM, OpenEXR, CSV, npz, MPCDI; and the gain beside it, as pictures."""

import io
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import DeviceError
from rigwarp.files.atomic import TEMPORARY_ENDING, write_bytes, write_npz
from rigwarp.files.pictures import picture_bytes
from rigwarp.files.reading import read_bytes
from rigwarp.geometry import Array
from rigwarp.prewarp import PlainWarp, Prewarp
from rigwarp.prewarp.extend import extend_linearly
from rigwarp.rig.transfer import encode_transfer

_FARTHEST_SHARE: Final = 1.0
"""The continuation past the light goes at most this far beyond the picture: enough for any filter."""

_BAND_ROWS: Final = 64
_FULL: Final = 65535
_OLD = (1980, 1, 1, 0, 0, 0)  # the zip format's first moment: the same warp gives the same bytes
_CSV_HEAD: Final = b"u_px,v_px,content_u_px,content_v_px,gain,zone\n"
_CSV_LINE: Final = "%d,%d,%.4f,%.4f,%.5f,%d\n"


def pfm_bytes(values: Array) -> bytes:
    """(H, W, 3) values as a colour PFM, little-endian, rows from the bottom (Netpbm's pfm(5))."""
    height, width = values.shape[:2]
    return f"PF\n{width} {height}\n-1.0\n".encode("ascii") + values[::-1].astype("<f4").tobytes()


def write_exr(path: Path, warp: PlainWarp) -> None:
    """Texture coordinates as OpenEXR; see readme.md.jinja; DeviceError if the OpenEXR package is not installed."""
    try:
        import OpenEXR  # an extra: only this format needs it
    except ImportError:
        raise DeviceError("OpenEXR is not installed; install it with: pip install OpenEXR") from None
    share = (extend_linearly(warp.canvas_px) + 0.5) / warp.prewarp.content_pixels
    s, t = np.moveaxis(np.clip(share, -_FARTHEST_SHARE, 1.0 + _FARTHEST_SHARE), -1, 0)
    rgba = np.dstack([s, 1.0 - t, np.zeros_like(s), warp.prewarp.gain]).astype(np.float32)
    header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    temporary = path.with_name(f".{path.name}{TEMPORARY_ENDING}")  # the library writes to names only, and not through
    try:
        with OpenEXR.File(header, {"RGBA": np.ascontiguousarray(rgba)}) as file:
            file.write(str(temporary))
        write_bytes(path, read_bytes(temporary))
    finally:
        temporary.unlink(missing_ok=True)


def csv_bytes(warp: PlainWarp) -> bytes:
    """One line per lit projector pixel; see readme.md.jinja."""
    bands = range(0, warp.lit.shape[0], _BAND_ROWS)
    return b"".join([_CSV_HEAD, *(_csv_band(warp, top) for top in bands)])


def _csv_band(warp: PlainWarp, top: int) -> bytes:
    """The lines of some rows: all of them at once would take gigabytes at 4K."""
    rows, columns = np.nonzero(warp.lit[top : top + _BAND_ROWS])
    rows = rows + top
    content = warp.canvas_px[rows, columns]
    gain, zone = (a[rows, columns].tolist() for a in (warp.prewarp.gain, warp.prewarp.zone))
    values = zip(columns.tolist(), rows.tolist(), *content.T.tolist(), gain, zone, strict=True)
    return "".join(_CSV_LINE % each for each in values).encode("ascii")


def write_warp_npz(path: Path, warp: PlainWarp, header: Mapping[str, Any]) -> None:
    """Arrays over the projector's pixels; see readme.md.jinja."""
    arrays: dict[str, NDArray[Any]] = {
        "content_u_px": warp.canvas_px[..., 0],
        "content_v_px": warp.canvas_px[..., 1],
        "gain": warp.prewarp.gain,
        "zone": warp.prewarp.zone,
    }
    write_npz(path, arrays, format="rigwarp warp", header=header)


def gain_pictures(prewarp: Prewarp, *, by_zone: bool) -> dict[str, NDArray[np.uint16]]:
    """File name -> 16-bit picture; with `by_zone` also one per zone where there is more than one."""
    found = {
        "gain.png": sixteen_bits(prewarp.gain),
        "gain_code.png": sixteen_bits(encode_transfer(prewarp.gain.astype(float), prewarp.transfer)),
    }
    zones = np.unique(prewarp.triangle_zone)
    if by_zone and len(zones) > 1:
        found |= {f"gain_zone_{z}.png": sixteen_bits(np.where(prewarp.zone == z, prewarp.gain, 0.0)) for z in zones}
    return found


def sixteen_bits(share: Array | NDArray[np.float32]) -> NDArray[np.uint16]:
    """Values 0 .. 1 as 16-bit grey."""
    return np.asarray(np.round(_FULL * np.clip(np.asarray(share, np.float64), 0.0, 1.0)), np.uint16)


def mpcdi_bytes(warp: PlainWarp, *, name: str) -> bytes:
    """EXPERIMENTAL: the warp as VESA MPCDI, written from memory of the standard and not checked against its text.

    An open interchange standard: a zip of `mpcdi.xml`, one warp file (PFM) and one alpha map (PNG) per projector;
    `name` identifies buffer and region. Readers are known to disagree on the order of rows and on absolute against
    relative coordinates. See readme.md.jinja.
    """
    from xml.sax.saxutils import quoteattr  # brings HTTP and TLS, which a player does without

    width, height = warp.prewarp.projector_resolution
    share = (warp.canvas_px + 0.5) / warp.prewarp.content_pixels
    described = Path(__file__).with_name("mpcdi.xml").read_text(encoding="utf-8")
    members = {
        "mpcdi.xml": described.format(name=quoteattr(name), width=width, height=height).encode("utf-8"),
        "warp.pfm": pfm_bytes(np.dstack([share, np.zeros(share.shape[:2])])),
        "alpha.png": picture_bytes(sixteen_bits(warp.prewarp.gain)),
    }
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for member, data in members.items():
            archive.writestr(zipfile.ZipInfo(member, _OLD), data, zipfile.ZIP_DEFLATED)
    return buffer.getvalue()
