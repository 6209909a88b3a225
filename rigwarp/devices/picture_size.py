"""When a camera's pictures are not of the size that rig.toml says: what has happened to them."""

from rigwarp.errors import DeviceError

_SAME_SHAPE = 0.01  # relative difference of the sides' proportions


def require_size(name: str, found: tuple[int, ...], wanted: tuple[int, int]) -> None:
    """Refuse pictures of another size.

    Raises
    ------
    DeviceError
        Saying whether they are turned, scaled, or of another shape, and what to do.
    """
    if found == wanted:
        return
    shapes = [width / height for width, height in (found, wanted)]
    if found == wanted[::-1]:
        how = (
            "its picture is turned by 90 degrees. Switch off what turns pictures at the camera; or, if it is to stand "
            "like that, enter the size turned as well and make camera.json again"
        )
    elif abs(shapes[0] / shapes[1] - 1.0) < _SAME_SHAPE:
        how = (
            "the same shape in another resolution, as of photo and video. Set it at the camera, or enter the one that "
            "it has (and calibrate it with that)"
        )
    elif abs(shapes[0] * shapes[1] - 1.0) < _SAME_SHAPE:
        how = "turned by 90 degrees, and in another resolution. Set both at the camera"
    else:
        how = (
            "another shape, so it is cropped or the mode is another. Enter one that the camera has (and calibrate it "
            "with that), or set it at the camera"
        )
    raise DeviceError(
        f"{name} delivers {found[0]} x {found[1]} pixels, rig.toml says camera.resolution = {list(wanted)}: {how}"
    )
