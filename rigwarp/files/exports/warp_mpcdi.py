"""EXPERIMENTAL: the warp as VESA MPCDI, written from memory of the standard and not checked against its text.

MPCDI is an open interchange standard: a zip of `mpcdi.xml`, one warp file (PFM) and one alpha map (PNG) per projector.
Readers are known to disagree on the order of rows and on absolute against relative coordinates.
"""

import io
import zipfile
from typing import Final
from xml.sax.saxutils import quoteattr

import numpy as np

from rigwarp.files.exports.warp_pixels import pfm_bytes, sixteen_bits
from rigwarp.files.pictures import picture_bytes
from rigwarp.prewarp import PlainWarp

_OLD = (1980, 1, 1, 0, 0, 0)  # the zip format's first moment: the same warp gives the same bytes

_XML: Final = """\
<?xml version="1.0" encoding="UTF-8"?>
<MPCDI profile="2d" level="1" version="1.0">
  <display>
    <buffer id={name} Xresolution="{width}" Yresolution="{height}">
      <region id={name} Xresolution="{width}" Yresolution="{height}" x="0.0" y="0.0" Xsize="1.0" Ysize="1.0"/>
    </buffer>
  </display>
  <files>
    <fileset region={name}>
      <alphaMap>
        <path>alpha.png</path>
        <componentDepth>1</componentDepth>
        <bitDepth>16</bitDepth>
        <gammaEmbedded>1.0</gammaEmbedded>
      </alphaMap>
      <geometryWarpFile>
        <path>warp.pfm</path>
        <interpolation>linear</interpolation>
      </geometryWarpFile>
    </fileset>
  </files>
</MPCDI>
"""


def mpcdi_bytes(warp: PlainWarp, *, name: str) -> bytes:
    """The archive; `name` identifies buffer and region. See readme.md.jinja."""
    width, height = warp.prewarp.projector_resolution
    share = (warp.canvas_px + 0.5) / warp.prewarp.content_pixels
    members = {
        "mpcdi.xml": _XML.format(name=quoteattr(name), width=width, height=height).encode("utf-8"),
        "warp.pfm": pfm_bytes(np.dstack([share, np.zeros(share.shape[:2])])),
        "alpha.png": picture_bytes(sixteen_bits(warp.prewarp.gain)),
    }
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for member, data in members.items():
            archive.writestr(zipfile.ZipInfo(member, _OLD), data, zipfile.ZIP_DEFLATED)
    return buffer.getvalue()
