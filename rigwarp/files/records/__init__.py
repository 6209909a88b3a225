"""What the files of a run say, as frozen records: each reads and writes one file, and no reader sees a dict."""

from rigwarp.files.records.as_built import (
    AsBuiltRecord,
    MirrorGrid,
    read_mirror_grid,
)
from rigwarp.files.records.budget import BudgetCause, BudgetRecord, BudgetRegion, CheckRecord
from rigwarp.files.records.fit import (
    BorderRecord,
    FitRecord,
    MapFigures,
    MapOrigin,
    RegistrationRecord,
    RippleRecord,
    VerdictRecord,
)
from rigwarp.files.records.heartbeat import HeartbeatRecord
from rigwarp.files.records.run import ScanSettings, StartRecord, StopRecord
from rigwarp.files.records.verification import (
    DotsRecord,
    DriftRecord,
    MovedRecord,
    NineRecord,
    PatchRecord,
    VerificationRecord,
)
from rigwarp.files.records.view import ScreenRecord, ViewMapFigures, ViewMirrorRecord, ViewRecord, ViewZoneRecord

__all__ = [
    "AsBuiltRecord",
    "BorderRecord",
    "BudgetCause",
    "BudgetRecord",
    "BudgetRegion",
    "CheckRecord",
    "DotsRecord",
    "DriftRecord",
    "FitRecord",
    "HeartbeatRecord",
    "MapFigures",
    "MapOrigin",
    "MirrorGrid",
    "MovedRecord",
    "NineRecord",
    "PatchRecord",
    "RegistrationRecord",
    "RippleRecord",
    "ScanSettings",
    "ScreenRecord",
    "StartRecord",
    "StopRecord",
    "VerdictRecord",
    "VerificationRecord",
    "ViewMapFigures",
    "ViewMirrorRecord",
    "ViewRecord",
    "ViewZoneRecord",
    "read_mirror_grid",
]
