"""Everything on disk: rig folders, runs, and each file that rigwarp reads or writes."""

from rigwarp.files.adjust_file import read_adjustment, write_adjustment
from rigwarp.files.as_built_file import read_as_built, write_as_built
from rigwarp.files.atomic import (
    make_folder,
    plain_json,
    write_bytes,
    write_json,
    write_npz,
    write_text,
    write_together,
)
from rigwarp.files.camera_file import name_aside, read_camera, read_camera_extra, write_camera
from rigwarp.files.decoded_file import read_decoded, read_patterns, write_decoded, write_patterns
from rigwarp.files.exports.export_folder import new_export
from rigwarp.files.exports.warp_export import WARP_FORMATS, write_warp_files
from rigwarp.files.maps import read_map, read_map_light, read_map_sigmas, read_view_map, write_map, write_view_map
from rigwarp.files.pictures import PHOTO_ENDINGS, list_photos, other_pictures, read_colour, read_photo, write_picture
from rigwarp.files.prewarp_file import read_prewarp, write_prewarp
from rigwarp.files.reading import Field, read_bytes, read_json, read_npz, read_text
from rigwarp.files.rig_folder import RigFolder, open_rig
from rigwarp.files.rig_lock import at_work, rig_locked
from rigwarp.files.runs import (
    UTC_STAMP,
    complete_runs,
    continued_run,
    current_result,
    current_view,
    interrupted_run,
    is_complete,
    latest_complete,
    make_current,
    make_view_current,
    new_run,
    read_start,
    result_before,
)
from rigwarp.files.shapes import read_mesh, read_profile, stl_bytes, write_stl
from rigwarp.files.tidy import leftovers, remove_leftovers
from rigwarp.files.view_lens_file import read_view_lens, write_view_lens

__all__ = [
    "PHOTO_ENDINGS",
    "UTC_STAMP",
    "WARP_FORMATS",
    "Field",
    "RigFolder",
    "at_work",
    "complete_runs",
    "continued_run",
    "current_result",
    "current_view",
    "interrupted_run",
    "is_complete",
    "latest_complete",
    "leftovers",
    "list_photos",
    "make_current",
    "make_folder",
    "make_view_current",
    "name_aside",
    "new_export",
    "new_run",
    "open_rig",
    "other_pictures",
    "plain_json",
    "read_adjustment",
    "read_as_built",
    "read_bytes",
    "read_camera",
    "read_camera_extra",
    "read_colour",
    "read_decoded",
    "read_json",
    "read_map",
    "read_map_light",
    "read_map_sigmas",
    "read_mesh",
    "read_npz",
    "read_patterns",
    "read_photo",
    "read_prewarp",
    "read_profile",
    "read_start",
    "read_text",
    "read_view_lens",
    "read_view_map",
    "remove_leftovers",
    "result_before",
    "rig_locked",
    "stl_bytes",
    "write_adjustment",
    "write_as_built",
    "write_bytes",
    "write_camera",
    "write_decoded",
    "write_json",
    "write_map",
    "write_npz",
    "write_patterns",
    "write_picture",
    "write_prewarp",
    "write_stl",
    "write_text",
    "write_together",
    "write_view_lens",
    "write_view_map",
    "write_warp_files",
]
