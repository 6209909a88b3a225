"""Photographs and frames on disk."""

import io
import struct
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Final, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_bytes
from rigwarp.files.reading import read_bytes, require_regular
from rigwarp.geometry import Photo

if TYPE_CHECKING:
    from PIL.ImageFile import ImageFile

_BAND_ROWS = 256
MOST_PIXELS: Final = 200_000_000
"""What the largest cameras have; decoded in 16 bits and colour that is 1.2 GB."""
_ORIENTATION = 0x0112
_BIG_TIFF = 43
_SIDEWAYS, _LEFT_RIGHT, _UPSIDE_DOWN = (5, 6, 7, 8), (2, 3, 6, 7), (3, 4, 7, 8)
PHOTO_ENDINGS = (".png", ".jpg", ".jpeg", ".tif", ".tiff")
_OTHER_ENDINGS = (".heic", ".heif", ".avif", ".webp", ".bmp", ".gif", ".dng", ".cr2", ".cr3", ".nef", ".arw", ".raf",
                  ".orf", ".rw2", ".raw", ".jxl", ".jp2")  # fmt: skip


def read_photo(path: Path) -> Photo:
    """A photograph as grey values.

    Returns
    -------
    (H, W) uint8 or uint16
        As many bits as the file has. Colour becomes 0.299 R + 0.587 G + 0.114 B of the code values (ITU-R BT.601),
        rounded to the nearest one; transparency is dropped. Rows and columns are those of the sensor: a rotation
        noted beside the picture (EXIF) is not applied, so that photos of one camera agree however it was held.

    Raises
    ------
    InputError
        If the file is missing or is no PNG, JPEG or TIFF picture of 8 or 16 bits.
    """
    picture = read_photo_colour(path)
    return picture if picture.ndim == 2 else cast(Photo, cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY))


def read_photo_colour(path: Path) -> NDArray[Any]:
    """A photograph as it is: (H, W) grey or (H, W, 3) BGR, of as many bits as the file has; else see `read_photo`."""
    picture = _decoded(Path(path))
    if picture.ndim == 2:
        return picture
    return np.ascontiguousarray(picture[..., 0] if picture.shape[2] < 3 else picture[..., :3])


def read_colour(path: Path, *, most_pixels: int = MOST_PIXELS) -> NDArray[np.uint8]:
    """A picture as content: (H, W, 3) uint8 RGB; grey is repeated, 16 bits are cut to 8, transparency is black.

    A rotation noted beside the picture (EXIF) is applied, as every viewer does: phones keep theirs that way.
    """
    path = Path(path)
    picture = _decoded(path, most_pixels, upright=True)
    colours = np.empty((*picture.shape[:2], 3), np.uint8)
    for top in range(0, len(picture), _BAND_ROWS):  # 32-bit copies of a large picture at once would fill the memory
        colours[top : top + _BAND_ROWS] = _colours_of(picture[top : top + _BAND_ROWS])
    return colours


def _colours_of(picture: Photo) -> NDArray[np.uint8]:
    """(h, w, 3) RGB of what OpenCV decoded: grey, BGR or BGRA in 8 or 16 bits."""
    if picture.dtype == np.uint16:
        picture = ((picture.astype(np.uint32) * 255 + 32767) // 65535).astype(np.uint8)
    if picture.ndim == 3 and picture.shape[2] == 4:
        picture = ((picture[..., :3].astype(np.uint16) * picture[..., 3:] + 127) // 255).astype(np.uint8)
    if picture.ndim == 2 or picture.shape[2] < 3:
        grey = picture if picture.ndim == 2 else picture[..., 0]
        return np.repeat(grey[..., None], 3, axis=2)
    return cast(NDArray[np.uint8], picture[..., 2::-1])


def write_picture(path: Path, picture: NDArray[Any], *, replace: bool = False) -> None:
    """Write (H, W) grey or (H, W, 3) RGB, uint8 or uint16, whole and without loss, as PNG or TIFF by the name."""
    path = Path(path)
    if path.suffix not in (".png", ".tif"):
        raise ValueError(f"cannot write a picture as {path.suffix}")
    write_bytes(path, picture_bytes(picture, ending=path.suffix), replace=replace)


def picture_bytes(picture: NDArray[Any], *, ending: str = ".png") -> bytes:
    """(H, W) grey or (H, W, 3) RGB, uint8 or uint16, encoded without loss as PNG, or TIFF with the ending .tif.

    Raises
    ------
    InputError
        OpenCV cannot encode it.
    ValueError
        It is no such array.
    """
    if picture.dtype not in (np.uint8, np.uint16) or picture.ndim not in (2, 3):
        raise ValueError(f"cannot write {picture.dtype} {picture.shape} as {ending}")
    stored = picture if picture.ndim == 2 else picture[..., ::-1]
    done, data = cv2.imencode(ending, np.ascontiguousarray(stored))
    if not done:
        raise InputError(f"a picture could not be encoded as {ending[1:].upper()}. Use the ending .png.")
    return data.tobytes()


def list_photos(folder: Path) -> list[Path]:
    """The photographs in a folder, by name.

    Raises
    ------
    InputError
        If there is no such folder or no photograph in it.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise InputError(f"{folder}: found no such folder, expected a folder of photographs. Check the path.")
    photos = pictures_in(folder, PHOTO_ENDINGS)
    if not photos:
        endings = ", ".join(ending[1:] for ending in PHOTO_ENDINGS)
        others = other_pictures(folder)
        found = f"no photograph but {', '.join(p.name for p in others[:3])}" if others else "no photograph"
        remedy = "Convert them to PNG or JPEG" if others else "Put them there"
        raise InputError(f"{folder}: found {found}, expected files of type {endings}. {remedy}.")
    return photos


def other_pictures(folder: Path) -> list[Path]:
    """Photographs in a folder in formats that cannot be read here, such as a telephone's HEIC, by name."""
    return pictures_in(folder, _OTHER_ENDINGS)


def pictures_in(folder: Path, endings: tuple[str, ...]) -> list[Path]:
    """What lies in a folder under names of these endings, by name; hidden files do not count."""
    return sorted(p for p in folder.iterdir() if p.suffix.lower() in endings and not p.name.startswith("."))


def picture_size(path: Path) -> tuple[int, int] | None:
    """(width, height) that the head of a PNG, JPEG or TIFF file claims; None for anything else."""
    try:
        require_regular(path)
        with open(path, "rb") as file:
            return _size_in_head(file)
    except (InputError, OSError, ValueError):  # ValueError: a name that no file system takes
        return None


def _require_size(path: Path, data: bytes, most_pixels: int) -> None:
    """Refuse a picture whose head says that it is no picture of ours, or too large, before it is decoded."""
    size = _size_in_head(io.BytesIO(data))
    if size is None:
        raise _no_picture(path)
    if size[0] * size[1] > most_pixels:
        raise InputError(
            f"{path}: found {size[0]} x {size[1]} pixels, expected at most {most_pixels // 10**6} million. Reduce it."
        )


def _no_picture(path: Path) -> InputError:
    return InputError(f"{path}: cannot be read as a picture. It may be cut off or of another type: copy it again.")


def _size_in_head(file: BinaryIO) -> tuple[int, int] | None:
    """(width, height) that a PNG, JPEG or TIFF claims; None for anything else."""
    image = _image_in(file)
    return None if image is None else image.size


def _image_in(file: BinaryIO) -> "ImageFile | None":
    """A PNG, JPEG or TIFF of which no more than the head was read; None for anything else."""
    from PIL import JpegImagePlugin, PngImagePlugin, TiffImagePlugin  # a player of videos does without

    # by class: Image.open tries forty formats, and warns of large pictures
    for kind in (PngImagePlugin.PngImageFile, JpegImagePlugin.JpegImageFile, TiffImagePlugin.TiffImageFile):
        file.seek(0)
        with suppress(Exception):  # whatever damaged bytes lead it to
            return kind(file)
    return None


def _turned(picture: Photo, data: bytes) -> Photo:
    """As the orientation in the file's head says: EXIF 2.3, tag 0x0112, 1 where there is none or it cannot be read."""
    orientation, image = 1, _image_in(io.BytesIO(data))
    with suppress(Exception):  # whatever damaged bytes lead it to
        orientation = 1 if image is None else int(image.getexif().get(_ORIENTATION, 1))
    if orientation in _SIDEWAYS:  # first mirrored about the diagonal that runs down from the left
        picture = cast(Photo, cv2.transpose(picture))
    picture = picture[:, ::-1] if orientation in _LEFT_RIGHT else picture
    picture = picture[::-1] if orientation in _UPSIDE_DOWN else picture
    return cast(Photo, np.ascontiguousarray(picture))


def _not_to_be_turned(data: bytes) -> bytes | bytearray:
    """The file, orientation 1 if it is a TIFF: OpenCV turns those whatever its flags say (TIFF 6.0, sections 2, 8)."""
    order = {b"II": "<", b"MM": ">"}.get(data[:2])
    if order is None:
        return data
    whole = bytearray(data)
    with suppress(struct.error):  # a damaged file is refused, or read, by OpenCV
        large = struct.unpack_from(f"{order}H", data, 2)[0] == _BIG_TIFF
        (head,) = struct.unpack_from(order + ("Q" if large else "I"), data, 8 if large else 4)
        (count,) = struct.unpack_from(order + ("Q" if large else "H"), data, head)
        first, size, value = (head + 8, 20, 12) if large else (head + 2, 12, 8)
        for entry in range(first, first + count * size, size):
            if struct.unpack_from(f"{order}H", data, entry)[0] == _ORIENTATION:
                struct.pack_into(f"{order}H", whole, entry + value, 1)
    return whole


def _decoded(path: Path, most_pixels: int = MOST_PIXELS, *, upright: bool = False) -> Photo:
    if path.suffix.lower() not in PHOTO_ENDINGS:
        raise InputError(f"{path}: found the ending {path.suffix!r}, expected png, jpg or tif. Convert the picture.")
    data = read_bytes(path)
    _require_size(path, data, most_pixels)
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)  # lines that name no file, beside ours
    try:
        stored = np.frombuffer(_not_to_be_turned(data), np.uint8)
        picture = cv2.imdecode(stored, cv2.IMREAD_UNCHANGED) if data else None
    except cv2.error:
        picture = None
    if picture is None:
        raise _no_picture(path)
    if picture.dtype not in (np.uint8, np.uint16):
        raise InputError(f"{path}: found {picture.dtype} values, expected 8 or 16 bits. Convert the picture.")
    return _turned(cast(Photo, picture), data) if upright else cast(Photo, picture)
