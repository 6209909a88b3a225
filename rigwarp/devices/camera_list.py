"""Which cameras the operating system knows, and who uses one."""

import os
from pathlib import Path

_KNOWN = Path("/sys/class/video4linux")
_PROCESSES = Path("/proc")


def cameras_here() -> dict[str, str]:
    """Name by device path. Linux only: other systems tell camera names through their own frameworks."""
    found = {}
    for device in sorted(_KNOWN.glob("video*"), key=lambda p: int(p.name[5:])):
        name = device / "name"
        found[f"/dev/{device.name}"] = name.read_text(errors="replace").strip() if name.is_file() else "unnamed"
    return found


def listed_cameras() -> str:
    """The cameras in words."""
    found = cameras_here()
    return ", ".join(f"{path} ({name})" for path, name in found.items()) or "none that the system tells of"


def users_of(path: Path) -> list[str]:
    """The other programs that have a device open, as "name (process 123)"; only those that we may look into."""
    wanted = path.resolve()
    found = []
    for process in sorted(_PROCESSES.glob("[0-9]*"), key=lambda p: int(p.name)):
        if int(process.name) != os.getpid() and _has_open(process, wanted):
            found.append(f"{_name_of(process)} (process {process.name})")
    return found


def _has_open(process: Path, wanted: Path) -> bool:
    try:
        return any(os.readlink(handle) == str(wanted) for handle in (process / "fd").iterdir())
    except OSError:  # another user's, or it has just ended
        return False


def _name_of(process: Path) -> str:
    try:
        return (process / "comm").read_text(errors="replace").strip()
    except OSError:
        return "another program"
