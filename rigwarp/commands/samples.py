"""`rigwarp samples`: mirror materials by samples, against a glass mirror."""

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from rigwarp.commands.console import Console, print_step
from rigwarp.commands.options import DisplayOption, JsonOption
from rigwarp.commands.samples_text import print_compared
from rigwarp.commands.terminal import AtTerminal
from rigwarp.errors import MeasurementError, UsageError
from rigwarp.files import open_rig, write_text
from rigwarp.jobs.samples.bench_folder import create_bench, cycles_of, open_bench_folder
from rigwarp.jobs.samples.compare import (
    compare_samples,
    comparison_csv,
    comparison_json,
    write_comparison,
)
from rigwarp.jobs.samples.figure_rows import cycle_rows
from rigwarp.jobs.samples.measure import Measured, check_bench, export_frames, import_cycle, measure_sample
from rigwarp.jobs.samples.predict import predict_on_rig
from rigwarp.jobs.samples.seats import open_seat

_FEWEST_COMPARED = 2
ACTIONS = ("new", "check", "measure", "compare", "predict")
LASER_CAUTION = (
    "A laser projector on bare metal throws strong stray reflections: set up the black baffle first, keep all eyes out "
    "of the height of the beam, and never look into the mirror."
)


def samples(
    action: Annotated[str, typer.Argument(metavar="ACTION", help="new, check, measure, compare or predict.")],
    bench: Annotated[Path, typer.Argument(metavar="BENCH", help="The bench folder.")],
    subject: Annotated[
        str | None, typer.Argument(metavar="[NAME|RIG]", help="measure: the sample; predict: the rig folder.")
    ] = None,
    export: Annotated[
        Path | None, typer.Option("--export", metavar="DIR", help="measure: write the pictures there; show nothing.")
    ] = None,
    import_: Annotated[
        Path | None,
        typer.Option("--import", metavar="DIR", help="measure: take the photographs from DIR/R1, S1, S2 and R2."),
    ] = None,
    turned: Annotated[
        bool, typer.Option("--turned", help="measure: the sample turned by 90 degrees, to tell material from bench.")
    ] = False,
    csv: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="compare: the table as comma-separated values, too.")
    ] = None,
    display: DisplayOption = None,
    json: JsonOption = False,
) -> None:
    """Compare mirror materials by samples against a glass mirror: new, check, measure, compare, predict.

    new makes a bench folder: bench.toml to edit and pages to print. check looks whether the bench is good enough.
    measure NAME leads through one cycle: reference, sample, the sample laid in again, reference. compare writes a
    table of all samples, with what can be told apart, and report.html. Once a sample, measure NAME --turned: blur and
    waves that turn with the sample are the material's, the rest is the bench's. predict RIG says what each would do on
    a rig.
    """
    console = Console(json=json)
    if action not in ACTIONS:
        raise UsageError(f'found "{action[:40]}", expected one of: {", ".join(ACTIONS)}')
    if subject is None and action in ("measure", "predict") and export is None:
        what, word = ("a sample's name", "NAME") if action == "measure" else ("a rig folder", "RIG")
        raise UsageError(f"found nothing after the bench, expected {what}: rigwarp samples {action} {bench} {word}")
    if action == "new":
        _new(console, bench)
    elif action == "check":
        _check(console, bench, display)
    elif action == "measure" and export is not None:
        _export(console, bench, export)
    elif action == "measure":
        _measure(console, bench, subject or "", import_, display, turned=turned)
    elif action == "compare":
        _compare(console, bench, csv)
    else:
        _predict(console, bench, Path(subject or ""))


def _new(console: Console, root: Path) -> None:
    written = create_bench(root)
    for path in written:
        console.say(f"wrote {path}")
    print_step(console, f"Edit {root / 'bench.toml'} and print the pages.", f"rigwarp samples check {root}")
    console.note(LASER_CAUTION)
    console.result({"folder": root, "files": written})


def _export(console: Console, root: Path, target: Path) -> None:
    written = export_frames(console, open_bench_folder(root), target)
    console.say(f"wrote {len(written)} pictures to {target / 'patterns'}")
    console.say("Photograph all of them, in order, by way of: reference, sample, sample laid in again, reference;")
    console.say(f"as R1/0000.png ..., S1/..., S2/..., R2/... Then: rigwarp samples measure {root} NAME --import DIR")
    console.result({"folder": target, "pictures": written})


def _measure(
    console: Console, root: Path, name: str, source: Path | None, display: int | None, *, turned: bool
) -> None:
    folder = open_bench_folder(root)
    folder.bench.sheet(name)  # a wrong name is told before any device is looked for
    if source is not None:
        found = import_cycle(console, folder, name, source, turned=turned)
    else:
        console.caution()
        console.note(LASER_CAUTION)
        with open_seat(folder, AtTerminal(console), display=display) as seat:
            found = measure_sample(console, folder, name, seat, turned=turned)
    _print(console, found)
    measured = len(cycles_of(folder))
    if turned:
        print_step(console, "It goes beside the cycles as it usually lies.", f"rigwarp samples compare {root}")
    elif not found.record.closure_good:
        print_step(console, "The cycle does not close.", f"rigwarp samples measure {root} {found.record.sample}")
    elif measured < _FEWEST_COMPARED:
        print_step(console, "One sample is measured; two can be compared.", f"rigwarp samples measure {root} NAME")
    else:
        print_step(console, f"{measured} samples are measured.", f"rigwarp samples compare {root}")


def _print(console: Console, found: Measured) -> None:
    """A finished cycle: its closure first, then its figures."""
    record = found.record
    console.say(f"{record.sample}: one cycle in {found.run}")
    logs = [100.0 * abs(value) for value in record.closure or ()]
    console.say(
        f"Closure: the reference changed by {max(logs, default=0.0):.2f} % and {record.closure_shift_px or 0.0:.3f} px "
        f"between the ends of the cycle{'' if record.closure_good else ': more than 1 % or 0.1 px. Measure it again'}."
    )
    console.table(cycle_rows(record), head=("figure", "found", "1-sigma", "computed from"))
    console.result({"run": found.run, **record.to_dict()})


def _check(console: Console, root: Path, display: int | None) -> None:
    folder = open_bench_folder(root)
    console.caution()
    console.note(LASER_CAUTION)
    with open_seat(folder, AtTerminal(console), display=display) as seat:
        points = check_bench(console, folder, seat)
    console.table(
        [(one.what, one.found, "good" if one.good else "NOT GOOD") for one in points], head=("point", "found", "")
    )
    bad = [one for one in points if not one.good]
    for one in bad:
        console.say(f"{one.what}: {one.advice}")
    told = [{**asdict(one), "advice": "" if one.good else one.advice} for one in points]
    console.result({"good": not bad, "points": told})
    if bad:
        raise MeasurementError(f"the bench is not ready: {bad[0].what}: found {bad[0].found}. {bad[0].advice}")
    print_step(console, "The bench is good enough.", f"rigwarp samples measure {root} NAME")


def _compare(console: Console, root: Path, csv: Path | None) -> None:
    folder = open_bench_folder(root)
    compared = compare_samples(folder)
    report = write_comparison(folder, compared)
    print_compared(console, compared)
    if csv is not None:
        write_text(csv, comparison_csv(compared), replace=True)
    console.say(f"Report {report}")
    print_step(console, "What each would do on a rig is computed next.", f"rigwarp samples predict {root} RIG")
    console.result({"report": report, **comparison_json(compared)})


def _predict(console: Console, root: Path, rig: Path) -> None:
    found = predict_on_rig(open_bench_folder(root), open_rig(rig))
    console.say(
        f"From mirror to table the light goes {np.median(found.path.far_mm):.0f} mm here; medians over the content."
    )
    console.say("What stays")
    console.table(
        [
            (name, *(f"{mm:.2f} mm, {px:.2f} px" for mm, px in zip(p.blur_mm, p.blur_px, strict=True)),
             "–" if np.isinf(p.contrast) else "not told" if np.isnan(p.contrast) else f"{p.contrast:.0f} : 1",
             "–" if np.isnan(p.ghost_mm) else f"{p.ghost_mm:.2f} mm, {p.ghost_px:.1f} px, {100 * p.ghost_share:.1f} %")
            for name, p in found.samples.items()
        ],
        head=("sample", "blur, plane of incidence", "blur, across", "contrast", "double image"),
    )  # fmt: skip
    console.say("Waves")
    console.table(
        [
            (name, f"{p.moved_mm:.2f} mm, {p.moved_px:.2f} px", f"{p.left_mm:.2f} mm, {p.left_px:.2f} px")
            for name, p in found.samples.items()
        ],
        head=("sample", "shifts, which the prewarp takes out", "left within the beam"),
    )
    console.say("Left within the beam: a part of the blur, for a projector with the bench's pupil.")
    console.say("What forming adds, no flat sample tells.")
    named = "Name the sample you take in rig.toml, [mirror] material: fit sets it beside what it finds."
    print_step(console, named, f"rigwarp check {rig}")
    console.result(
        {
            "far_mm": float(np.median(found.path.far_mm)),
            "incidence_deg": float(np.degrees(np.median(found.path.incidence_rad))),
            "samples": {name: asdict(p) for name, p in found.samples.items()},
        }
    )
