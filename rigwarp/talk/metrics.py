"""Figures of a player for a monitoring system, in Prometheus's text exposition format 0.0.4, by hand.

Base units, `_total` for counters, a line feed behind each line, the last one too:
https://prometheus.io/docs/instrumenting/exposition_formats/
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

TYPE: Final = "text/plain; version=0.0.4; charset=utf-8"
_OUTCOMES: Final = ("fresh", "repeated", "late", "dropped")
_MIB: Final = 2**20


@dataclass(frozen=True, kw_only=True)
class _Metric:
    name: str
    kind: str
    help: str
    values: Sequence[tuple[str, float]]


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
    known = {outcome: float(state[outcome]) for outcome in _OUTCOMES if isinstance(state.get(outcome), int | float)}
    metrics = [
        _Metric(name="up", kind="gauge", help="1 while frames are shown.", values=[("", float(up))]),
        _Metric(name="build_info", kind="gauge", help="The version.", values=[(f'version="{_escaped(version)}"', 1.0)]),
        _Metric(
            name="frames_total",
            kind="counter",
            help="Frames by what became of them; late ones are fresh or repeated as well.",
            values=[(f'outcome="{name}"', value) for name, value in known.items()],
        ),
        _gauge("flip_period_seconds", "Usual time from frame to frame.", 1.0 / rate if rate else None),
        _counter("warp_swaps_total", "New warps taken over.", state.get("swaps")),
        _counter("interludes_total", "Times the window was lent to a measurement.", state.get("interludes")),
        _counter("refused_total", "Files and sources that could not be used.", state.get("refused")),
        _gauge("resident_memory_bytes", "Memory in use.", memory_mib * _MIB if memory_mib is not None else None),
        _Metric(
            name="picture_error_mm",
            kind="gauge",
            help="How far the picture was off at the last check on the table.",
            values=[] if p95_mm is None or p95_mm != p95_mm else [('quantile="0.95"', p95_mm)],
        ),
        _gauge("last_check_timestamp_seconds", "When that was.", checked_unix_s),
    ]
    return "".join(line for metric in metrics if metric.values for line in _lines(metric))


def _gauge(name: str, help: str, value: float | None) -> _Metric:
    return _Metric(name=name, kind="gauge", help=help, values=[] if value is None else [("", float(value))])


def _counter(name: str, help: str, value: float | None) -> _Metric:
    return _Metric(name=name, kind="counter", help=help, values=[] if value is None else [("", float(value))])


def _lines(metric: _Metric) -> list[str]:
    name = f"rigwarp_{metric.name}"
    lines = [f"# HELP {name} {metric.help}\n", f"# TYPE {name} {metric.kind}\n"]
    return lines + [
        f"{name}{{{labels}}} {value!r}\n" if labels else f"{name} {value!r}\n" for labels, value in metric.values
    ]


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
