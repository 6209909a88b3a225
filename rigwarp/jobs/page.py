"""What the page beside the table is told about a rig, and what has to be there for it."""

import importlib.util
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

import rigwarp
from rigwarp.defaults import LOCAL, PORT
from rigwarp.errors import RigwarpError, UsageError
from rigwarp.files import RigFolder
from rigwarp.files.names import PAGE_KEY_FILE
from rigwarp.files.page_key_file import page_keys
from rigwarp.live.operate.operator import STEPS
from rigwarp.prewarp.adjustment import DRAG_REACH_MM, LIMITS
from rigwarp.talk.keys import PageKeys

COMMAND: Final = (sys.executable, "-m", "rigwarp.page")
LANGUAGES: Final = ("en", "de")
CHECKS: Final = ("check:grid", "check:wedges", "check:greys", "check:white")


@dataclass(frozen=True, kw_only=True)
class PageOptions:
    """Where the page is served, and for whom.

    Attributes
    ----------
    port, host : where it listens; by default this machine alone is heard.
    names : by which it is reached through a proxy or a name server.
    language : of its texts; empty: the browser's choice.
    call : whom to call when something is wrong; shown at the page.
    code : show its code on the table when the show begins.
    """

    port: int = PORT
    host: str = LOCAL
    names: tuple[str, ...] = ()
    language: str = ""
    call: str = ""
    code: bool = False


def require_page() -> None:
    """Raise UsageError where the extra that serves pages is not installed."""
    missing = [name for name in ("tornado", "segno") if importlib.util.find_spec(name) is None]
    if missing:
        raise UsageError(f"the page needs {' and '.join(missing)}. Install: pip install 'rigwarp[page]'")


class KeyWatch:
    """Tells when page.key has other keys than before."""

    def __init__(self, root: Path) -> None:
        self._root, self._keys = root, page_keys(root)

    def __call__(self) -> PageKeys | None:
        """The new keys, once; those before stay where the file cannot be read."""
        if not (self._root / PAGE_KEY_FILE).is_file():
            return None
        try:
            keys = page_keys(self._root)
        except RigwarpError:
            return None
        changed, self._keys = keys != self._keys, keys
        return keys if changed else None


def tables_hello(keys: PageKeys, options: PageOptions) -> dict[str, Any]:
    """What the page of several tables is told first: it has no rig, and nothing is done there."""
    return {
        "rig": "",
        "host": options.host,
        "port": options.port,
        "names": list(options.names),
        "display": None,
        "keys": asdict(keys),
        "name": "",
        "version": rigwarp.__version__,
        "language": options.language,
        "call": options.call,
        "sources": [],
    }


def page_hello(
    folder: RigFolder, options: PageOptions, *, sources: tuple[str, ...] = (), display: int | None = None
) -> dict[str, Any]:
    """What the page's process is told first.

    Parameters
    ----------
    sources : which may be shown; empty: nothing plays.
    display : number of the projector's monitor, for jobs that open a window of their own.
    """
    rig = folder.rig
    content = rig.content
    return {
        **tables_hello(page_keys(folder.root), options),
        "rig": str(folder.root.resolve()),
        "display": display,
        "name": rig.name,
        "sources": list(sources),
        "table": {"shape": rig.table.shape, "size_mm": list(rig.table.size_mm)},
        "content": {
            "shape": content.shape,
            "size_mm": list(content.size_mm),
            "centre_mm": [float(one) for one in content.centre_mm],
            "rotation_deg": float(np.degrees(content.rotation_rad)),
            "pixels": list(content.pixels),
        },
        "allowed_mm": rig.tolerance.content_p95_mm,
        "limits": {name: list(limits) for name, limits in LIMITS.items()},
        "steps": STEPS,
        "reach_mm": DRAG_REACH_MM,
    }
