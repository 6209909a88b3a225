"""Reports, maps and exports of a result, as a browser takes them."""

import io
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path

from rigwarp.errors import InputError
from rigwarp.files import complete_runs, current_result, open_rig, read_bytes
from rigwarp.files.names import MAP_FILE, PREWARP_FILE, REPORT_FILE, RESULTS

_HTML, _BYTES, _ZIP = "text/html; charset=utf-8", "application/octet-stream", "application/zip"


@dataclass(frozen=True, kw_only=True)
class Made:
    """A document; `attached`: to be saved, not shown."""

    name: str
    kind: str
    data: bytes
    attached: bool


def document_of(root: Path, result: str, what: str) -> Made:
    """A document of a finished result.

    Parameters
    ----------
    result : its folder's name; only one that is listed is taken.
    what : "report", "map.npz", "prewarp.npz", or a format of `rigwarp export`, which comes as a zip archive.

    Raises
    ------
    InputError
        If there is none.
    """
    run = next((run for run in complete_runs(root / RESULTS) if run.name == result), None)
    if run is None:
        raise InputError(f"{root / RESULTS}: found no finished result of that name. Choose one that is listed.")
    if what == "report":
        return Made(name=REPORT_FILE, kind=_HTML, data=_report(root, run), attached=False)
    if what in (MAP_FILE, PREWARP_FILE):
        return Made(name=f"{result}-{what}", kind=_BYTES, data=read_bytes(run / what), attached=True)
    return Made(name=f"{result}-{what}.zip", kind=_ZIP, data=_export(root, run, what), attached=True)


def _report(root: Path, run: Path) -> bytes:
    if not (run / REPORT_FILE).is_file():
        from rigwarp.reports.report import write_report

        write_report(open_rig(root), run)
    return read_bytes(run / REPORT_FILE)


def _export(root: Path, run: Path, format: str) -> bytes:
    from rigwarp.jobs.results.export_warp import export_warp

    if current_result(root).name != run.name:
        raise InputError(f"{run}: only the current result is exported. Make it current first.")
    buffer = io.BytesIO()
    with tempfile.TemporaryDirectory() as made, zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        out = Path(made) / f"{run.name}-{format}"
        export_warp(open_rig(root), run, format, out=out, replace=False, correction=True)
        for path in sorted(out.rglob("*")):
            if path.is_file():
                archive.write(path, path.relative_to(out.parent).as_posix())
    return buffer.getvalue()
