"""Where a rig stands, in a sentence, and the one command to type next."""

from dataclasses import dataclass
from pathlib import Path

from rigwarp.files import RigFolder, at_work, complete_runs, current_result, interrupted_run, read_map
from rigwarp.files.names import (
    CAMERA_FILE,
    CURRENT_FILE,
    DESIGN_FILE,
    DRIFT_FILE,
    QUICK_FILE,
    RESULTS,
    SCANS,
    START_FILE,
    VERIFICATION_FILE,
)
from rigwarp.files.records import DriftRecord, MapOrigin, StartRecord, VerificationRecord
from rigwarp.words import short_number


@dataclass(frozen=True, kw_only=True)
class NextStep:
    """How things are, and what to type next."""

    standing: str
    command: str


def next_step(folder: RigFolder) -> NextStep:
    """Look at what lies in the rig folder, oldest step first; nothing is measured or changed.

    Raises
    ------
    InputError
        If current.json or a record beside it cannot be read.
    """
    root = folder.root
    if (who := at_work(root)) is not None:
        return _step(root, "next RIG", f"{who[0].upper()}{who[1:]} is at work in this rig. Wait until it is done.")
    design = root / DESIGN_FILE
    if not design.exists():
        return _step(root, "trace RIG", "Nothing has been traced yet.")
    if MapOrigin.from_dict(read_map(design)[1]).rig_hash != folder.rig_hash:
        return _step(root, "trace RIG", "rig.toml, or a file it names, has changed since the design was traced.")
    if not (root / CAMERA_FILE).exists():
        return _step(root, "camera RIG", "The design is traced. What the camera sees is not known in millimetres yet.")
    if (begun := unfinished_scan(folder)) is not None:
        return begun
    scans = complete_runs(root / SCANS)
    if not scans and not complete_runs(root / RESULTS):
        return _step(root, "calibrate RIG", "Design and camera are ready.")
    if not (root / CURRENT_FILE).exists():
        return _step(root, "fit RIG", f"Scan {scans[-1].name} is not used yet.")
    return _after_fit(folder, current_result(root), scans)


def _step(root: Path, command: str, standing: str) -> NextStep:
    return NextStep(standing=standing, command=f"rigwarp {command.replace('RIG', str(root))}")


def unfinished_scan(folder: RigFolder) -> NextStep | None:
    """Of the newest scan, if it was interrupted and its photographs can be gone on from; None otherwise."""
    begun = interrupted_run(folder.root / SCANS)
    if begun is None or StartRecord.read(begun / START_FILE).rig_hash != folder.rig_hash:
        return None
    from rigwarp.capture import can_resume  # here, since most rigs have none

    if not can_resume(begun):
        return None
    said = f"Scan {begun.name} has begun and is not finished; its photographs are kept."
    return _step(folder.root, "scan RIG --resume", said)


def _after_fit(folder: RigFolder, result: Path, scans: list[Path]) -> NextStep:
    root = folder.root
    start = StartRecord.read(result / START_FILE)
    if start.rig_hash is not None and start.rig_hash != folder.rig_hash:
        return _step(root, "fit RIG", "rig.toml, or a file it names, has changed since the last fit.")
    if scans and start.scans is not None and scans[-1].name not in (*start.scans, start.latest_scan):
        return _step(root, "fit RIG", f"Scan {scans[-1].name} is newer than the result that plays.")
    if not (result / VERIFICATION_FILE).exists():
        said = "is fitted; nobody has looked at the picture on the table yet."
        if (result / QUICK_FILE).exists():  # kept from a picture within tolerance only
            said = "is good by a quick look; nobody has looked at all of the picture on the table yet."
        return _step(root, "verify RIG", f"Result {result.name} {said}")
    return _after_quick_look(root, result) or _after_verify(folder, VerificationRecord.read(result / VERIFICATION_FILE))


def _after_quick_look(root: Path, result: Path) -> NextStep | None:
    """What a quick look later than the verification asks for; None where there was none, or nothing to do."""
    look = result / DRIFT_FILE
    if not look.exists() or look.stat().st_mtime_ns < (result / VERIFICATION_FILE).stat().st_mtime_ns:
        return None
    found = DriftRecord.read(look)
    if found.advice in (None, "nothing"):
        return None
    again = "verify RIG --quick --reregister" if found.advice == "re-register" else "calibrate RIG"
    said = f"something has changed ({', '.join(found.findings)})" if found.findings else "the picture is off"
    return _step(root, again, f"The last quick look found that {said}" + (f": {found.why}." if found.why else "."))


def _after_verify(folder: RigFolder, verified: VerificationRecord) -> NextStep:
    root, limit_mm = folder.root, folder.rig.tolerance.content_p95_mm
    after = verified.after
    if after is None or after.p95_mm is None:
        return _step(root, "verify RIG", "The picture on the table was not measured.")
    before = verified.before.p95_mm if verified.before is not None else None
    was = f"before {short_number(before, 2)} mm, " if before is not None else ""
    errors = f"{was}now {short_number(after.p95_mm, 2)} mm (95 % of the dots; {limit_mm:g} mm allowed)"
    lost = after.missing if isinstance(after.missing, int) else len(after.missing or ())
    if after.p95_mm > limit_mm or lost:
        unseen = f", {lost} dots not seen" if lost else ""
        return _step(root, "report RIG", f"The picture is off: {errors}{unseen}. The report says where and why.")
    return _step(root, "play RIG check:grid", f"The picture is good: {errors}.")
