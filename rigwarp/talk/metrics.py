"""How a player is, for a monitoring system and for the service manager.

Figures are in Prometheus's text exposition format 0.0.4, by hand.

Base units, `_total` for counters, a line feed behind each line, the last one too:
https://prometheus.io/docs/instrumenting/exposition_formats/
"""

import logging
import os
import socket
from collections.abc import Mapping
from typing import Any, Final

log = logging.getLogger(__name__)
TYPE: Final = "text/plain; version=0.0.4; charset=utf-8"
_OUTCOMES: Final = ("fresh", "repeated", "late", "dropped")
_MIB: Final = 2**20


def metrics_text(
    state: Mapping[str, Any],
    *,
    up: bool,
    version: str,
    memory_mib: float | None = None,
    p95_mm: float | None = None,
    checked_unix_s: float | None = None,
) -> str:
    """The figures as text; what is not known has no line.

    Parameters
    ----------
    state : of the session, with its counters; may be empty.
    up : whether frames are being shown.
    p95_mm, checked_unix_s : how far the picture was off at the last check on the table (95 % of the dots), and when.
    """
    rate = state.get("flips_per_second")
    escaped = version.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    outcomes = {f'outcome="{name}"': state.get(name) for name in _OUTCOMES}
    of_frames = "Frames by what became of them; late ones are fresh or repeated as well."
    resident = None if memory_mib is None else memory_mib * _MIB
    off = "How far the picture was off at the last check on the table."
    return "".join(
        [
            _lines("up", "1 while frames are shown.", float(up)),
            _lines("build_info", "The version.", {f'version="{escaped}"': 1.0}),
            _lines("frames_total", of_frames, outcomes),
            _lines("flip_period_seconds", "Usual time from frame to frame.", 1.0 / rate if rate else None),
            _lines("warp_swaps_total", "New warps taken over.", state.get("swaps")),
            _lines("interludes_total", "Times the window was lent to a measurement.", state.get("interludes")),
            _lines("refused_total", "Files and sources that could not be used.", state.get("refused")),
            _lines("resident_memory_bytes", "Memory in use.", resident),
            _lines("picture_error_mm", off, {'quantile="0.95"': p95_mm}),
            _lines("last_check_timestamp_seconds", "When that was.", checked_unix_s),
        ]
    )


def _lines(name: str, help: str, value: float | Mapping[str, float | None] | None) -> str:
    """One metric, with a value or one for each set of labels; nothing where none is known."""
    values = value if isinstance(value, Mapping) else {"": value}
    known = {labels: one for labels, one in values.items() if isinstance(one, int | float) and one == one}
    kind = "counter" if name.endswith("_total") else "gauge"
    head = f"# HELP rigwarp_{name} {help}\n# TYPE rigwarp_{name} {kind}\n"
    lines = [f"rigwarp_{name}{f'{{{labels}}}' if labels else ''} {float(one)!r}\n" for labels, one in known.items()]
    return "".join([head, *lines]) if lines else ""


def notify_service(message: str) -> None:
    """Tell systemd something, if it started us and wants to know (sd_notify's protocol: a datagram to a socket)."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address or not hasattr(socket, "AF_UNIX"):
        return
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        try:
            channel.sendto(message.encode(), "\0" + address[1:] if address[0] == "@" else address)
        except OSError as error:
            log.warning("systemd cannot be told %s: %s", message, error)
