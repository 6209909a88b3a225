"""Runs: one folder per scan or result, finished when it has a stop record; and which result and view are current."""

import re
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any, Final

import rigwarp
from rigwarp.errors import InputError
from rigwarp.files.atomic import write_json
from rigwarp.files.names import (
    CURRENT_FILE,
    CURRENT_VIEW_FILE,
    PREWARP_FILE,
    RESULTS,
    SCANS,
    START_FILE,
    STOP_FILE,
    VIEW_SCANS,
    VIEWS,
)
from rigwarp.files.reading import read_json
from rigwarp.files.records.run import StartRecord, StopRecord
from rigwarp.files.rig_folder import CURRENT_FORMAT, RigFolder, switch_to
from rigwarp.files.rig_lock import rig_locked

UTC_STAMP: Final = "%Y%m%dT%H%M%SZ"
"""How folders and files are named by the time."""

VIEW_FORMAT: Final = "rigwarp current view"
_NAME = re.compile(r"(\d{8}T\d{6}Z)(?:-(\d+))?")
_MADE_WITH = {SCANS: "rigwarp scan", RESULTS: "rigwarp fit", VIEW_SCANS: "rigwarp view scan", VIEWS: "rigwarp view fit"}
_OPENCV = ("opencv-python", "opencv-python-headless", "opencv-contrib-python", "opencv-contrib-python-headless")


@contextmanager
def new_run(
    parent: Path, command: str, folder: RigFolder, *, settings: Mapping[str, Any] | None = None
) -> Iterator[Path]:
    """A new run folder, named by the UTC time, to be filled inside the `with` block.

    It gets start.json at once and stop.json when the block ends without an exception. A run that was interrupted has
    no stop.json and is never used.

    Parameters
    ----------
    parent : `root / "scans"` or `root / "results"`; made when missing.
    command : the command line that makes the run.
    folder : its rig.toml and hash are recorded.
    settings : everything else that the result depends on, as JSON values.
    """
    started = datetime.now(UTC)
    with rig_locked(folder.root, command):
        number = 1 + int(max(map(_number, _in_order(Path(parent))), default=0.0))
        run = _make_folder(Path(parent), started)
        StartRecord(
            number=number,
            command=command,
            settings=dict(settings or {}),
            started_utc=started.isoformat(timespec="milliseconds"),
            rig_hash=folder.rig_hash,
            rig_toml=folder.rig_text,
            versions=_versions(),
        ).write(run / START_FILE)
        yield run
        finish_run(run)


@contextmanager
def continued_run(run: Path) -> Iterator[Path]:
    """An interrupted run, to be completed inside the `with` block; it gets its stop.json as in `new_run`.

    Raises
    ------
    InputError
        If its start.json is damaged.
    """
    _started(run)
    yield run
    finish_run(run)


def _started(run: Path) -> datetime:
    try:
        return datetime.fromisoformat(str(read_start(run).started_utc))
    except ValueError:
        raise InputError(f"{run / 'start.json'}: found no time in started_utc. Begin a new run.") from None


def finish_run(run: Path) -> None:
    """Let a run be used, perhaps before its `with` block ends: what is still to come is not needed for that."""
    started, stopped = _started(run), datetime.now(UTC)
    StopRecord(
        exit_status=0,
        started_utc=started.isoformat(timespec="milliseconds"),
        stopped_utc=stopped.isoformat(timespec="milliseconds"),
        seconds=(stopped - started).total_seconds(),
    ).write(run / STOP_FILE, replace=True)


def interrupted_run(parent: Path) -> Path | None:
    """The newest run under `parent`, if it has no stop.json; None when it is finished or there is none."""
    runs = _in_order(Path(parent))
    return runs[-1] if runs and not is_complete(runs[-1]) else None


def unfinished_runs(parent: Path) -> list[Path]:
    """The runs under `parent` that were interrupted and are never used, or are being made; oldest first."""
    return [run for run in _in_order(Path(parent)) if not is_complete(run)]


def complete_runs(parent: Path) -> list[Path]:
    """The finished runs under `parent`, oldest first; empty when there are none.

    Which one is older is told by the number that each was given at its start: clocks are put back.
    """
    return [run for run in _in_order(Path(parent)) if is_complete(run)]


def latest_complete(parent: Path) -> Path:
    """The newest finished run under `parent`.

    Raises
    ------
    InputError
        If there is none.
    """
    runs = complete_runs(parent)
    if not runs:
        make_with = _MADE_WITH.get(Path(parent).name)
        advice = f"Run: {make_with} {Path(parent).parent}" if make_with else "Make one first."
        raise InputError(f"{parent}: found no finished run, expected at least one. {advice}")
    return runs[-1]


def is_complete(run: Path) -> bool:
    """True for a run that ended well: it has a readable stop.json with exit status 0."""
    stop = StopRecord.read_or_none(run / STOP_FILE)
    return stop is not None and stop.exit_status == 0


def read_start(run: Path) -> StartRecord:
    """The start record of a run."""
    return StartRecord.read(run / START_FILE)


def make_current(root: Path, run: Path, *, camera: Path | None = None) -> None:
    """Make a finished run the live result of the rig folder `root`, in one step.

    With `camera`, a file inside `root`, that becomes camera.json in the same step.

    Raises
    ------
    InputError
        If the run is not finished or does not lie in the rig folder.
    """
    if not is_complete(run):
        raise InputError(
            f"{run}: found no stop.json, expected a finished run. Make the result again: rigwarp fit {root}"
        )
    if not run.resolve().is_relative_to(root.resolve()):
        raise InputError(f"{run}: lies outside the rig folder {root}, expected a run inside it.")
    switch_to(root, run, camera=camera)


def put_back(root: Path, run: Path | None) -> None:
    """Make live again what was live before; nothing is, where `run` is None."""
    if run is None:
        (root / CURRENT_FILE).unlink(missing_ok=True)
    else:
        make_current(root, run)


def current_result(root: Path) -> Path:
    """The folder of the result that is live.

    Raises
    ------
    InputError
        If there is none, or if current.json names something that is no finished run inside the rig folder.
    """
    return run_named_in(
        root / CURRENT_FILE, "result", format=CURRENT_FORMAT, advice=f"Make one with: rigwarp fit {root}"
    )


def make_view_current(root: Path, run: Path) -> None:
    """Make a finished run in `views` the live view of the rig folder `root`, in one step.

    Raises
    ------
    InputError
        As for `make_current`.
    """
    if not is_complete(run) or not run.resolve().is_relative_to(root.resolve()):
        raise InputError(f"{run}: found no finished run of {root}, expected one. Make it with: rigwarp view fit {root}")
    name = run.resolve().relative_to(root.resolve()).as_posix()
    write_json(root / CURRENT_VIEW_FILE, {"view": name}, format=VIEW_FORMAT, replace=True)


def current_view(root: Path) -> Path:
    """The folder of the view that is live; InputError as for `current_result`."""
    return run_named_in(
        root / CURRENT_VIEW_FILE, "view", format=VIEW_FORMAT, advice=f"Make one with: rigwarp view fit {root}"
    )


def run_named_in(file: Path, key: str, *, format: str, advice: str) -> Path:
    """The finished run that a switch file in the rig folder names under `key`.

    Raises
    ------
    InputError
        If there is no such file, or if it names something that is no finished run inside the rig folder.
    """
    root = file.parent
    name = read_json(file, format=format, make_with=advice).get(key)
    run = root / name if isinstance(name, str) and name and "\0" not in name else None
    if run is None or not run.resolve().is_relative_to(root.resolve()) or not is_complete(run):
        raise InputError(f"{file}: found {key} {str(name)[:80]!r}, expected a finished run in this folder. {advice}")
    return run


def current_or_none(root: Path) -> Path | None:
    """The folder of the result that is live; None where there is none, or current.json cannot be used."""
    try:
        return current_result(root)
    except InputError:
        return None


def result_before(root: Path) -> Path | None:
    """The finished result with a warp that was made before the current one; None when there is none.

    Raises
    ------
    InputError
        If there is no current one.
    """
    current = current_result(root).name
    names = {run.name: run for run in complete_runs(root / RESULTS) if (run / PREWARP_FILE).is_file()}
    earlier = list(names)[: list(names).index(current) if current in names else len(names)]
    return names[earlier[-1]] if earlier else None


def _make_folder(parent: Path, time: datetime) -> Path:
    """A folder that did not exist before, also when two runs start in the same second."""
    stamp = time.strftime(UTC_STAMP)
    try:
        parent.mkdir(parents=True, exist_ok=True)
        for number in range(1, 1000):
            run = parent / (stamp if number == 1 else f"{stamp}-{number}")
            try:
                run.mkdir()
            except FileExistsError:
                continue
            return run
    except OSError as error:
        raise InputError(
            f"{parent}: cannot make a run folder there ({error.strerror or error}). "
            "Check that the rig folder may be written to."
        ) from error
    raise InputError(f"{parent}: found 999 runs of the same second, expected fewer. Remove some.")


def _in_order(parent: Path) -> list[Path]:
    """All runs under `parent` by their numbers; older versions gave none, and theirs come by their names, first."""
    if not parent.is_dir():
        return []
    matches = [match for child in parent.iterdir() if (match := _NAME.fullmatch(child.name))]
    matches.sort(key=lambda match: (_number(parent / match[0]), match[1], int(match[2] or 1)))
    return [parent / match[0] for match in matches]


def _number(run: Path) -> float:
    """How many runs there were before this one, and itself; 0 where that is not told."""
    start = StartRecord.read_or_none(run / START_FILE)
    number = None if start is None else start.number
    return float(number) if number is not None and number > 0 else 0.0


def stamped_ahead(run: Path) -> bool:
    """Whether a run says that it was made later than now: then the clock was wrong, or is."""
    started = read_start(run).started_utc
    try:
        return started is not None and datetime.fromisoformat(started) > datetime.now(UTC)
    except (ValueError, TypeError):  # no time, or one without a time zone
        return False


def _versions() -> dict[str, str]:
    return {
        "rigwarp": rigwarp.__version__,
        "python": sys.version.split()[0],
        "numpy": metadata.version("numpy"),
        "opencv": next((one.version for name in _OPENCV for one in metadata.distributions(name=name)), "unknown"),
    }
