"""All samples side by side: means, uncertainties, what can be told apart, and a report."""

import csv
import io
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from rigwarp.files import write_text
from rigwarp.files.names import COMPARED, CYCLE_FILE, MEASURED, REPORT_FILE, SLOPES_FILE
from rigwarp.files.reading import Field, read_npz
from rigwarp.files.records.samples import CycleRecord
from rigwarp.geometry import Array
from rigwarp.jobs.samples.bench_folder import BenchFolder, cycles_of
from rigwarp.jobs.samples.figure_rows import COLUMNS, Column, cycle_rows, untold
from rigwarp.jobs.samples.measure import TURNED
from rigwarp.reports.samples_report import SampleMaps, render_samples_report
from rigwarp.samples.verdicts import Turned, Verdict, by_turning, groups, judge_pairs

_ALIKE_IN = ("blur_in_mrad", "blur_across_mrad", "veil", "reflectance")
_LAST = 0.01  # the last place that is shown
_SPECK_MM = 0.3  # root of the area of a speck that every piece is expected to show
_ALIKE = 1.15  # the two blurs, beside what is the bench's


@dataclass(frozen=True, kw_only=True)
class Compared:
    """The table: samples, columns, means (n, columns) over cycles with standard errors, letters and verdicts by column.

    `sigma` : (n, columns) 1-sigma of the means: what a cycle states, or how cycles differ where that is more.
    `harm` : means (n, columns) in units of what does not matter.
    `turned` : of samples that were also measured turned by 90 degrees.
    """

    names: list[str]
    cycles: dict[str, list[CycleRecord]]
    mean: Array
    error: Array
    sigma: Array
    harm: Array
    letters: dict[str, dict[str, str]]
    turned: dict[str, Turned]
    verdicts: dict[str, list[Verdict]]

    @property
    def _told(self) -> list[int]:
        """Columns that any sample has: a small bench tells no long waves."""
        return [j for j in range(len(COLUMNS)) if np.isfinite(self.mean[:, j]).any()]

    def rows(self) -> list[list[str]]:
        """One for each sample: name, then value +- standard error and letters; and how many cycles."""
        found = []
        for i, name in enumerate(self.names):
            cells = [self._cell(i, j, COLUMNS[j]) for j in self._told]
            found.append([name, *cells, self._specks(name), str(len(self.cycles[name]))])
        return found

    def _cell(self, i: int, j: int, column: Column) -> str:
        name, value = self.names[i], column.scale * self.mean[i, j]
        letters = self.letters[column.key].get(name, "")
        if column.key == "double":
            seen = [one.double_mm or np.nan for one in self.cycles[name] if one.double_seen]
            if not seen:
                told = any(not untold(one) for one in self.cycles[name])
                return f"none seen {letters}".strip() if told else "not told"
            return f"{value:.1f} % at {np.mean(seen):.2f} mm {letters}".strip()
        if not np.isfinite(value):
            return "not told"
        sigma = max(column.scale * float(self.sigma[i, j]), _LAST)
        return f"{value:.2f} ± {sigma:.2f} {letters}".replace("-", "−").strip()

    def _specks(self, name: str) -> str:
        last = self.cycles[name][-1]
        grades = [one.grade_mm or 0.0 for one in last.specks]
        if not grades:
            return f"none above {last.speck_everywhere_mm or last.least_speck_mm or 0.0:.2f} mm"
        return f"{len(grades)}, largest {max(grades):.2f} mm"

    def parts(self) -> tuple[list[list[str]], list[list[str]]]:
        """The table in two, each with its headings: what no correction takes out, and the rest."""
        stays = 1 + sum(not COLUMNS[j].mends for j in self._told)
        whole = [self.heads(), *self.rows()]
        return [row[:stays] for row in whole], [[row[0], *row[stays:]] for row in whole]

    def heads(self) -> list[str]:
        """The rows' headings."""
        return [
            "sample",
            *(c.words if c.key == "double" else f"{c.words}, {c.unit}" for c in (COLUMNS[j] for j in self._told)),
            "specks",
            "cycles",
        ]


def compare_samples(folder: BenchFolder) -> Compared:
    """Compare everything that was measured.

    Samples are ordered by what cannot be corrected: blur, veil and double image, each against what does not matter.

    Raises
    ------
    InputError
        Nothing was measured yet, or a record is damaged.
    """
    cycles = cycles_of(folder)
    most = max(len(records) for records in cycles.values())
    values = np.full((len(cycles), len(COLUMNS), most), np.nan)
    for i, records in enumerate(cycles.values()):
        for k, record in enumerate(records):
            values[i, :, k] = [column.value(record) for column in COLUMNS]
    within = [folder.bench.within[column.within] for column in COLUMNS]
    count = np.isfinite(values).sum(axis=2)
    mean = np.where(count > 0, np.nansum(values, axis=2) / np.maximum(count, 1), np.nan)
    harm = np.maximum(mean, 0.0) / within
    stays = [not column.mends for column in COLUMNS]
    order = np.argsort(np.nansum(harm[:, stays], axis=1), kind="stable")
    harm, values, names = harm[order], values[order], [list(cycles)[i] for i in order]
    count, mean = count[order], mean[order]
    square = np.nansum((values - mean[..., None]) ** 2, axis=2)
    error = np.where(count > 1, np.sqrt(square / np.maximum(count - 1, 1) / np.maximum(count, 1)), np.nan)
    own = np.array([[np.mean([c.sigma(record) for record in cycles[name]]) for c in COLUMNS] for name in names])
    verdicts, letters = {}, {}
    for j, column in enumerate(COLUMNS):
        there = [i for i in range(len(names)) if count[i, j] > 0]
        some = [names[i] for i in there]
        verdicts[column.key] = judge_pairs(some, values[there, j], within[j])
        letters[column.key] = groups(some, verdicts[column.key]) if most > 1 else {}
    return Compared(
        names=names, cycles=cycles, mean=mean, error=error, sigma=np.fmax(own, error), harm=harm, letters=letters,
        turned=_turned(folder, cycles), verdicts=verdicts,
    )  # fmt: skip


def _turned(folder: BenchFolder, cycles: dict[str, list[CycleRecord]]) -> dict[str, Turned]:
    found = {}
    for name, records in cycles_of(folder, turned=True).items():
        if name in cycles:
            before, after = (
                np.mean([one.blur_mrad or (np.nan,) * 2 for one in r], axis=0) for r in (cycles[name], records)
            )
            crests = (cycles[name][-1].crests_deg or 0.0, records[-1].crests_deg or 0.0)
            found[name] = by_turning(before, after, crests)
    return found


def write_comparison(folder: BenchFolder, compared: Compared) -> Path:
    """report.html in the folder compared/, in place of an older one."""
    where = folder.root / COMPARED
    where.mkdir(exist_ok=True)
    maps = {name: maps_of(folder, name) for name in compared.names}
    page = render_samples_report(
        folder.bench.name,
        heads=compared.heads(),
        rows=compared.rows(),
        sentences=sentences(compared),
        maps={name: one for name, one in maps.items() if one is not None},
        bars={name: [compared.mean[i, :4]] for i, name in enumerate(compared.names)},
        details={name: cycle_rows(compared.cycles[name][-1]) for name in compared.names},
        verdicts=verdict_rows(compared),
    )
    write_text(where / REPORT_FILE, page, replace=True)
    return where / REPORT_FILE


def maps_of(folder: BenchFolder, name: str) -> SampleMaps | None:
    """Maps of a sample's latest cycle; None where they are not kept."""
    runs = sorted((folder.root / MEASURED / name).glob(f"*/{CYCLE_FILE}"))
    file = [run for run in runs if not run.parent.name.endswith(TURNED)][-1].parent / SLOPES_FILE
    if not file.is_file():
        return None
    fields = {
        "slope_mrad": Field(kind="f", dtype=np.float64, shape=("v", "u", 2)),
        "ratio": Field(kind="f", dtype=np.float64, shape=("v", "u")),
        "pitch_mm": Field(kind="f", dtype=np.float64, shape=(2,)),
    }
    arrays, _ = read_npz(file, fields, format="rigwarp samples maps")
    return SampleMaps(slope_mrad=arrays["slope_mrad"], ratio=arrays["ratio"], pitch_mm=arrays["pitch_mm"])


def sentences(compared: Compared) -> list[str]:
    """What a maker should know first."""
    found = [f"Least harm to the picture by what no correction takes out: {compared.names[0]}.", *_about_harm(compared)]
    for key in ("blur_in_mrad", "veil"):
        open_pairs = [v for v in compared.verdicts[key] if v.answer == "not decided" and v.more]
        words = next(c.words for c in COLUMNS if c.key == key)
        if open_pairs:
            one = open_pairs[0]
            found.append(
                f"Not decided in {words}: {one.first} and {one.second}; {one.more} more seating"
                f"{'' if one.more == 1 else 's'} of both would probably do"
                + (f" ({len(open_pairs)} such pairs)." if len(open_pairs) > 1 else ".")
            )
    found += [_about_turning(name, one) for name, one in compared.turned.items() if np.isfinite(one.material)]
    veil = next(j for j, c in enumerate(COLUMNS) if c.key == "veil")
    hidden = [name for name, mean in zip(compared.names, compared.mean, strict=True) if np.isnan(mean[veil])]
    if hidden:
        found.append(
            f"Veil beyond 8 mrad, left out of the order, is not told where blur reaches as far: {', '.join(hidden)}."
        )
        beyond = {n: np.mean([(one.veil or (np.nan,) * 5)[3] for one in compared.cycles[n]]) for n in hidden}
        wider = [f"{name} {100.0 * value:.2f} %" for name, value in beyond.items() if np.isfinite(value)]
        found += [f"What they send further, beyond 16 mrad, is told: {', '.join(wider)}."] if wider else []
    coarse = {name: max(one.least_speck_mm or 0.0 for one in r) for name, r in compared.cycles.items()}
    coarse = {name: least for name, least in coarse.items() if least > _SPECK_MM}
    if coarse:
        seen = ", ".join(f"on {name} from {least:.2f} mm" for name, least in coarse.items())
        found.append(f"Waves that all but focus light hide specks of {_SPECK_MM:g} mm: they are seen {seen}.")
    loose = [name for name, records in compared.cycles.items() if not all(one.closure_good for one in records)]
    if loose:
        found.append(f"Cycles that do not close within 1 % and 0.1 px, to be repeated: {', '.join(loose)}.")
    return found


def _about_harm(compared: Compared) -> list[str]:
    """What spoils the picture most in each sample, and which samples are alike in all that was compared."""
    told, found = [j for j, column in enumerate(COLUMNS) if not column.mends], []
    worst: dict[str, list[str]] = {}
    for i, name in enumerate(compared.names):
        harm = np.nan_to_num(compared.harm[i, told])
        if harm.max(initial=0.0) > 1.0:
            worst.setdefault(COLUMNS[told[int(np.argmax(harm))]].words, []).append(name)
    if worst:
        parts = [f"{words}: {', '.join(names)}" for words, names in worst.items()]
        found.append(f"What hurts most: {'; '.join(parts)}.")
    same = [{(v.first, v.second) for v in compared.verdicts[key] if "same" in v.answer} for key in _ALIKE_IN]
    alike = [f"{first} and {second}" for first, second in sorted(set.intersection(*same))]
    if alike:
        found.append(f"The same in blur, veil and reflectance, as far as it matters: {'; '.join(alike)}.")
    return found


def _about_turning(name: str, one: Turned) -> str:
    along = "in the plane of incidence" if one.material > 1.0 else "across it"
    factor = max(one.material, 1.0 / one.material)
    turned = (
        "its blur is alike in both directions"
        if factor < _ALIKE
        else f"as it usually lies the material blurs {factor:.1f} times as much {along} as the other way"
    )
    return (
        f"Turned by 90 degrees, {name}: {turned}; what did not turn with it, a factor of {one.bench:.2f}, is the "
        f"bench's. The waves' crests turned by {one.crests_turned_deg:.0f} degrees (90: they are the material's)."
    )


def verdict_rows(compared: Compared) -> list[tuple[str, str, str, str]]:
    """Figure, pair, answer, difference: of every pair."""
    rows = []
    for column in COLUMNS:
        for one in compared.verdicts[column.key]:
            low, high = (column.scale * limit for limit in one.interval)
            answer = f"{one.answer} {column.scale * one.within:g} {column.unit}" if "same" in one.answer else one.answer
            if one.answer == "not decided":
                answer += f": {one.more} more seatings would do" if one.more else ": more than 200 seatings"
            shown = f"{column.scale * one.difference:+.2f} {column.unit}, 90 % within {low:.2f} … {high:.2f}"
            rows.append((column.words, f"{one.first} – {one.second}", answer, shown))
    return rows


def comparison_csv(compared: Compared) -> str:
    """The table with columns for each figure, its 1-sigma, the standard error of the cycles alone, and its group."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    keys = [column.key + part for column in COLUMNS for part in ("", "_sigma", "_error", "_group")]
    writer.writerow(["sample", "cycles", *keys])
    for i, name in enumerate(compared.names):
        cells = []
        for j, column in enumerate(COLUMNS):
            numbers = [compared.mean[i, j], compared.sigma[i, j], compared.error[i, j]]
            cells += [f"{n:.6g}" if np.isfinite(n) else "" for n in numbers]
            cells.append(compared.letters[column.key].get(name, ""))
        writer.writerow([name, len(compared.cycles[name]), *cells])
    return buffer.getvalue()


def comparison_json(compared: Compared) -> dict[str, object]:
    """The same for --json, with all verdicts."""
    return {
        "samples": [
            {
                "name": name,
                "cycles": len(compared.cycles[name]),
                "figures": {
                    column.key: {
                        "mean": compared.mean[i, j],
                        "sigma": compared.sigma[i, j],
                        "standard_error": compared.error[i, j],
                        "group": compared.letters[column.key].get(name, ""),
                        "corrected_by_prewarp": column.mends,
                    }
                    for j, column in enumerate(COLUMNS)
                },
                "latest": compared.cycles[name][-1].to_dict(),
            }
            for i, name in enumerate(compared.names)
        ],
        "turned": {name: asdict(one) for name, one in compared.turned.items()},
        "verdicts": [
            {
                "figure": key, "first": v.first, "second": v.second, "answer": v.answer, "difference": v.difference,
                "interval_90": list(v.interval), "within": v.within, "p": v.p, "more_seatings": v.more,
            }
            for key, all_of in compared.verdicts.items()
            for v in all_of
        ],
    }  # fmt: skip
