"""Scans of a view by a flat display on the table: its pictures written for it, and the photographs taken of it."""

import secrets
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from rigwarp.capture import export_patterns, frame_name, import_frames
from rigwarp.devices import open_virtual_view
from rigwarp.errors import InputError, MeasurementError
from rigwarp.files import (
    RigFolder,
    make_folder,
    new_run,
    read_patterns,
    write_decoded,
    write_patterns,
    write_picture,
)
from rigwarp.files.names import (
    DECODED_FILE,
    FRAMES,
    PATTERN_PICTURES,
    PATTERNS_FILE,
    SCREEN_FILE,
    SHEETS_FILE,
    VIEW_SCANS,
)
from rigwarp.files.records import ScreenRecord
from rigwarp.files.sheets_file import write_sheets
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.view.scan import BY_SCREEN, ViewScanTaken, seen_folder, view_of
from rigwarp.jobs.view.sheets import look_at_sheets, view_design
from rigwarp.jobs.view.trace import parts_of
from rigwarp.patterns import make_set
from rigwarp.simulation.view import ScreenPlace
from rigwarp.view import Screen

PLACES: Final = 3
"""Folders that are made ready for photographs; fewer or more will do."""
_PLACE = "place-"
_TRANSFER = 2.2  # of ordinary displays


def export_screen(progress: Progress, target: Path, screen: Screen, *, set_name: str) -> list[Path]:
    """Write DIR/patterns for a display and DIR/screen.json, and a folder for the photographs of each place.

    Raises
    ------
    InputError
        The folder holds patterns already.
    """
    patterns = make_set(set_name, screen.pixels, _TRANSFER, blur_px=None)
    with progress.stage(len(patterns.frames), "Writing") as advance:
        written = export_patterns(target, patterns, advance=advance)
    screen_record(screen).write(target / SCREEN_FILE)
    for number in range(1, PLACES + 1):
        make_folder(target / f"{_PLACE}{number}" / FRAMES)
    return written


def import_screen(
    progress: Progress, folder: RigFolder, source: Path, sheets: Sequence[Path] = ()
) -> list[ViewScanTaken]:
    """Scans of a view from the photographs of a display at each of its places.

    Photographs of a printed sheet on the table (`sheets`) tell its glass, its thickness and its pitch.

    Raises
    ------
    InputError
        The folder is none that `export_screen` wrote, photographs are missing, or of another size than the view's.
    MeasurementError
        Photographs show other patterns than their own, or too little of them; or no sheet.
    """
    seen = seen_folder(folder)
    parts = parts_of(seen) if sheets else ()
    corners = look_at_sheets(progress, folder, sheets, parts, view_design(folder, parts))[0] if sheets else []
    screen = screen_of(ScreenRecord.read(source / SCREEN_FILE, make_with="Make it with: rigwarp view scan --export"))
    patterns = read_patterns(source / PATTERNS_FILE)
    places = sorted((p for p in source.glob(f"{_PLACE}*") if any((p / FRAMES).glob("*"))), key=_number)
    if not places:
        raise InputError(
            f"{source}: found no photographs, expected them in {_PLACE}1/{FRAMES}, {_PLACE}2/{FRAMES} and so on, one "
            f"folder for each place of the display. Photograph all pictures of {source / PATTERN_PICTURES} there"
        )
    shown = replace(seen.rig, projector=replace(seen.rig.projector, resolution=screen.pixels))
    group, numbers = secrets.token_hex(4), list(range(len(places)))
    taken = []
    for number, place in enumerate(places):
        if not (place / PATTERNS_FILE).exists():
            write_patterns(place / PATTERNS_FILE, patterns)
        note = {
            "by": BY_SCREEN,
            "group": group,
            "zone": number,
            "zones": numbers,
            "screen": screen_record(screen).to_dict(),
        }
        start = time.monotonic()
        with (
            new_run(folder.root / VIEW_SCANS, "view scan --screen", folder, settings=note) as run,
            progress.stage(len(patterns.frames), f"Importing {place.name}") as advance,
        ):
            try:
                decoded = import_frames(place, run, shown, advance=advance).recorded.decoder.finish()
            except MeasurementError as error:
                raise MeasurementError(f"{place}: {str(error).replace('projector', 'display')}") from None
            write_decoded(run / DECODED_FILE, decoded)
            if corners and number == 0:
                write_sheets(run / SHEETS_FILE, corners, view_of(folder).target, photos=[path.name for path in sheets])
        taken.append(ViewScanTaken(run=run, decoded=decoded, seconds=time.monotonic() - start))
    return taken


def photograph_screen(progress: Progress, folder: RigFolder, source: Path, places: list[ScreenPlace]) -> None:
    """Photographs of a virtual display at some places, into a folder that `export_screen` wrote."""
    virtual = open_virtual_view(folder)
    screen = screen_of(ScreenRecord.read(source / SCREEN_FILE))
    patterns = read_patterns(source / PATTERNS_FILE)
    count = len(patterns.frames)
    with progress.stage(count * len(places), "Photographing the display") as advance:
        for number, place in enumerate(places, start=1):
            into = source / f"{_PLACE}{number}" / FRAMES
            make_folder(into)
            for index in range(count):
                shown = patterns.picture(index)
                photo = virtual.screen_photo(shown, place, pitch_mm=screen.pitch_mm, thickness_mm=screen.thickness_mm)
                write_picture(into / frame_name(index), photo)
                advance()


def screen_of(record: ScreenRecord) -> Screen:
    """The display that a record describes.

    Raises
    ------
    InputError
        It is no display.
    """
    pixels, centre = record.pixels or (), record.centre_mm or ()
    numbers = [record.pitch_mm, record.thickness_mm, record.glass_mm, record.rotation_deg, *pixels, *centre]
    good = len(pixels) == 2 and len(centre) == 2 and all(n is not None and np.isfinite(n) for n in numbers)
    if not good or min(record.pitch_mm or 0.0, *pixels) <= 0.0 or (record.glass_mm or 0.0) < 0.0:
        raise InputError(
            f"{SCREEN_FILE}: found no display in it. Export the patterns again: rigwarp view scan --export"
        )
    usual = Screen(pixels=(1, 1), pitch_mm=1.0, thickness_mm=1.0)
    return Screen(
        pixels=(int(pixels[0]), int(pixels[1])),
        pitch_mm=float(record.pitch_mm or 0.0),
        thickness_mm=float(record.thickness_mm or 0.0),
        thickness_sigma_mm=float(
            usual.thickness_sigma_mm if record.thickness_sigma_mm is None else record.thickness_sigma_mm
        ),
        pitch_sigma=float(usual.pitch_sigma if record.pitch_sigma is None else record.pitch_sigma),
        glass_mm=float(record.glass_mm or 0.0),
        glass_sigma_mm=float(usual.glass_sigma_mm if record.glass_sigma_mm is None else record.glass_sigma_mm),
        centre_mm=(float(centre[0]), float(centre[1])),
        rotation_rad=float(np.radians(record.rotation_deg or 0.0)),
    )


def screen_record(screen: Screen) -> ScreenRecord:
    """A display, for files; the sigmas are those that stand beside it, or that a sheet left."""
    glass, thickness, pitch = np.sqrt(np.diag(screen.doubt()))[:3]
    return ScreenRecord(
        pixels=tuple(float(n) for n in screen.pixels),
        pitch_mm=screen.pitch_mm,
        pitch_sigma=float(pitch),
        thickness_mm=screen.thickness_mm,
        thickness_sigma_mm=float(thickness),
        glass_mm=screen.glass_mm,
        glass_sigma_mm=float(glass),
        centre_mm=screen.centre_mm,
        rotation_deg=float(np.degrees(screen.rotation_rad)),
    )


def _number(place: Path) -> tuple[int, str]:
    digits = place.name.removeprefix(_PLACE)
    return (int(digits) if digits.isdigit() else 10**9), place.name
