"""What the handlers of requests and sockets share, and the page's own files."""

import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rigwarp.page.guard import Places, WrongKeys
from rigwarp.page.hub import Hub

if TYPE_CHECKING:
    from rigwarp.page.sockets import Socket

_KINDS: Final = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
_STILL_S: Final = 10.0


@dataclass
class Site:
    """What the handlers share."""

    hub: Hub
    places: Places
    root: Path | None
    files: Mapping[str, tuple[bytes, str]]
    wrong: WrongKeys = field(default_factory=WrongKeys)
    sockets: "set[Socket]" = field(default_factory=set)
    shown: int = -1
    shown_s: float = -1e9

    def look_after(self) -> None:
        """Called twice a second: who has a key that was revoked leaves."""
        keys = self.hub.keys
        for one in list(self.sockets):
            if one.key and keys.role_of(one.key) is None:
                one.turn_out("key")
        shown = self.hub.state.get("shown")
        if isinstance(shown, int) and shown != self.shown:
            self.shown, self.shown_s = shown, time.monotonic()
        self.hub.look_after()

    @property
    def flipping(self) -> bool:
        """True while frames were shown within the last ten seconds."""
        return time.monotonic() - self.shown_s < _STILL_S


def static_files() -> dict[str, tuple[bytes, str]]:
    """The page's own files by name, whole: no request ever names a path."""
    folder = resources.files("rigwarp.page") / "static"
    found = {one.name: one for one in folder.iterdir()}
    return {
        name: (one.read_bytes(), _KINDS[Path(name).suffix])
        for name, one in found.items()
        if Path(name).suffix in _KINDS
    }
