"""What the files and folders of a rig are called, in one place."""

from typing import Final

RIG_FILE: Final = "rig.toml"
VIRTUAL_FILE: Final = "virtual.toml"
CAMERA_FILE: Final = "camera.json"
DESIGN_FILE: Final = "design.npz"
ADJUST_FILE: Final = "adjust.json"
HEARTBEAT_FILE: Final = "heartbeat.json"
PAGE_KEY_FILE: Final = "page.key"
CURRENT_FILE: Final = "current.json"
REFUSED_FILE: Final = "adjust.refused.json"
DRIFT_FILE: Final = "drift.json"
SKETCH_FILE: Final = "rig_sketch.png"
DESIGN_PICTURES: Final = "design_pictures"
LOCK_FILE: Final = ".rigwarp.lock"
CAMERA_PICTURE: Final = "camera.png"
FACES_PICTURE: Final = "faces.png"
SCANS: Final = "scans"
RESULTS: Final = "results"
VIEW_LENS_FILE: Final = "view_lens.json"
VIEW_DESIGN_FILE: Final = "view_design.npz"
VIEW_SCANS: Final = "view_scans"
VIEWS: Final = "views"
CURRENT_VIEW_FILE: Final = "current_view.json"

# in a run's folder
START_FILE: Final = "start.json"
STOP_FILE: Final = "stop.json"

# in a scan's folder
PATTERNS_FILE: Final = "patterns.json"
FRAMES: Final = "frames"
DECODED_FILE: Final = "decoded.npz"
CAPTURE_FILE: Final = "capture.json"
MOVED_FILE: Final = "moved.json"
ZONES_FILE: Final = "zones.png"

# in a result's folder
MAP_FILE: Final = "map.npz"
AS_BUILT_ARRAYS_FILE: Final = "as_built.npz"
AS_BUILT_FILE: Final = "as_built.json"
PREWARP_FILE: Final = "prewarp.npz"
FIT_FILE: Final = "fit.json"
BUDGET_FILE: Final = "budget.json"
VERIFICATION_FILE: Final = "verification.json"
QUICK_FILE: Final = "quick.npz"
TABLE_SHAPE_FILE: Final = "table_shape.json"
PICTURES: Final = "pictures"
REPORT_FILE: Final = "report.html"

# in the folder of a view
VIEW_MAP_FILE: Final = "view.npz"
VIEW_FILE: Final = "view.json"
TOP_FILE: Final = "top.npz"

# in a folder of patterns for a display on the table
SCREEN_FILE: Final = "screen.json"

# in a folder of patterns that is taken away
PATTERN_PICTURES: Final = "patterns"

# in an export's folder
EXPORT_FILE: Final = "export.json"

# in a folder of mirror samples
BENCH_FILE: Final = "bench.toml"
VIRTUAL_SAMPLES_FILE: Final = "virtual_samples.toml"
MEASURED: Final = "measured"
CYCLE_FILE: Final = "cycle.json"
SLOPES_FILE: Final = "slopes.npz"
COMPARED: Final = "compared"
PAGES: Final = "pages"
