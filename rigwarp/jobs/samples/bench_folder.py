"""A folder of mirror samples: bench.toml, what was measured, what was compared."""

import hashlib
import shutil
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from rigwarp.errors import InputError
from rigwarp.files import read_text, write_bytes
from rigwarp.files.atomic import TEMPORARY_ENDING
from rigwarp.files.names import BENCH_FILE, CYCLE_FILE, MEASURED, PAGES
from rigwarp.files.records.samples import CycleRecord
from rigwarp.samples.bench import SampleBench, parse_bench

OFFCUT_BOX = "offcut-box"
"""The scenario with a bench of samples in place of a rig."""


@dataclass(frozen=True, kw_only=True)
class BenchFolder:
    """A bench and where it is kept; `hash` changes when bench.toml does."""

    root: Path
    bench: SampleBench
    hash: str


def open_bench_folder(path: Path) -> BenchFolder:
    """Read a folder of mirror samples, given the folder or its bench.toml.

    Raises
    ------
    InputError
        bench.toml is missing or wrong.
    """
    root = path if path.name != BENCH_FILE else path.parent
    file = root / BENCH_FILE
    text = read_text(file, make_with=f"Make a bench folder with: rigwarp samples new {root}")
    return BenchFolder(
        root=root, bench=parse_bench(text, source=str(file)), hash=hashlib.sha256(text.encode()).hexdigest()
    )


def create_bench(root: Path, *, virtual: bool = False) -> list[Path]:
    """A new bench folder with a commented bench.toml and pages to print; `virtual`: with the virtual pieces, too.

    Raises
    ------
    InputError
        The folder has something in it, or cannot be written to.
    """
    try:
        root.mkdir(parents=True, exist_ok=True)
        occupied = any(root.iterdir())
    except (OSError, RecursionError) as error:  # the latter of a thousand folders in folders
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{root}: cannot be made a folder ({reason}). Choose another name.") from None
    if occupied:
        raise InputError(f"{root}: found files in it, expected a new or an empty folder. Choose another name.")
    origin = resources.files("rigwarp.scenarios").joinpath(OFFCUT_BOX if virtual else "bench")
    whole = root.resolve()
    part = whole.with_name(f".{whole.name}{TEMPORARY_ENDING}")  # a call that was killed may have left one
    shutil.rmtree(part, ignore_errors=True)
    (part / PAGES).mkdir(parents=True)
    for file in origin.iterdir():
        write_bytes(part / file.name, file.read_bytes())
    from rigwarp.sheets.seat_page import seat_pages  # matplotlib takes half a second, and is wanted here only

    for name, pdf in seat_pages(open_bench_folder(part).bench).items():
        write_bytes(part / PAGES / name, pdf)
    root.rmdir()
    part.rename(root)
    return sorted(path for path in root.rglob("*") if path.is_file())


def cycles_of(folder: BenchFolder, *, turned: bool = False) -> dict[str, list[CycleRecord]]:
    """Sample -> its finished cycles, oldest first; as it usually lies, or turned by 90 degrees (maybe none).

    Raises
    ------
    InputError
        A cycle.json is damaged, or nothing was measured yet.
    """
    found: dict[str, list[CycleRecord]] = {}
    for file in sorted((folder.root / MEASURED).glob(f"*/*/{CYCLE_FILE}")):
        record = CycleRecord.read(file)
        if bool(record.turned) == turned:
            found.setdefault(file.parent.parent.name, []).append(record)
    if not found and not turned:
        raise InputError(
            f"{folder.root / MEASURED}: found no finished cycle, expected at least one. "
            f"Measure a sample first: rigwarp samples measure {folder.root} NAME"
        )
    return found
