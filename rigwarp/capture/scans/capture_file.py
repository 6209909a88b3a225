"""capture.json: how a scan is being photographed; what somebody who goes on with it has to keep."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rigwarp.errors import InputError
from rigwarp.files import read_json, write_json
from rigwarp.files.names import CAPTURE_FILE

_FORMAT = "rigwarp capture"


@dataclass(frozen=True, kw_only=True)
class CaptureNotes:
    """What is kept constant during a scan.

    Attributes
    ----------
    exposures_s : exposure time of each turn of the set; None where the camera's is unknown.
    average : photographs per frame.
    facts : for people: latency, what the camera could not be made to keep.
    """

    exposures_s: Sequence[float | None]
    average: int
    facts: Mapping[str, Any]

    @property
    def longest_latency_s(self) -> float | None:
        """From display to camera; None where none was measured."""
        latency = self.facts.get("latency")
        longest = latency.get("max_s") if isinstance(latency, Mapping) else None
        return float(longest) if isinstance(longest, int | float) and longest > 0 else None


def write_capture_notes(run: Path, notes: CaptureNotes) -> None:
    """Write a run's capture.json."""
    contents = {"exposures_s": list(notes.exposures_s), "average": notes.average, **notes.facts}
    write_json(run / CAPTURE_FILE, contents, format=_FORMAT)


def read_capture_notes(run: Path) -> CaptureNotes:
    """Back from `write_capture_notes`; InputError if the file is missing or damaged."""
    path = run / CAPTURE_FILE
    contents = read_json(path, format=_FORMAT)
    try:
        exposures = tuple(None if s is None else float(s) for s in contents["exposures_s"])
        average = int(contents["average"])
    except (KeyError, TypeError, ValueError, OverflowError):
        raise InputError(f"{path}: found no usable exposures_s and average. Begin a new scan.") from None
    facts = {key: value for key, value in contents.items() if key not in ("exposures_s", "average")}
    return CaptureNotes(exposures_s=exposures, average=average, facts=facts)
