"""Mirror samples on the virtual bench: error against closed-form truth, over random pieces; and error over sigma.

Each seed draws a piece (metal in front or behind a sheet; core, tail, waves, a speck), lays it into the small bench
of the tests with the bench's drift, tilt and noise, and measures one cycle; `--seeds A-B` says which, and `--jobs N`
shares them out. Blur and slopes are judged by the part of the piece that is seen: 30 mm of a sheet whose waves are 7
to 12 mm long blur by up to a tenth more or less than the whole sheet would. What the bench is told is off as makers
know it: refractive indices by 0.005 (1-sigma), thicknesses by 0.05 mm, the angle of incidence by half a degree, the
reference's reflectance by 0.03; and the reference has other waves every time. "Bench.toml off" is said where a figure
is judged with these, "bench.toml right" where with the right index, thickness and angle: 0.005 of a glass reference
is 12 % of 0.1 mrad of blur in the plane of incidence. Veil is judged at the limits beyond which a cycle tells it (in
which share of the pieces, `by_part` says), and specks, drawn from 0.3 mm (root of the area) on, inside what is
compared. Twins, and pairs that differ by twice the 1-sigma of their difference, are drawn with the repeatability that
the two pairs of each cycle show.
"""

import re
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.special import jv

_TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(_TESTS / "support"), str(_TESTS / "benchmarks")]

from run import alone, spread  # noqa: E402
from samples_bench import small_bench  # noqa: E402
from samples_truth import mirror_points, true_slopes  # noqa: E402

from rigwarp.geometry import Array  # noqa: E402
from rigwarp.jobs.samples.bench_folder import open_bench_folder  # noqa: E402
from rigwarp.samples.bench import ANGLE_SIGMA_RAD, THICKNESS_SIGMA_MM, SampleBench, Sheet  # noqa: E402
from rigwarp.samples.cycle import CycleFigures, cycle_figures  # noqa: E402
from rigwarp.samples.frames import frame_picture, sample_frames  # noqa: E402
from rigwarp.samples.leg import Leg, read_leg  # noqa: E402
from rigwarp.samples.registered import Nodes, nodes_of  # noqa: E402
from rigwarp.samples.verdicts import judge_pairs  # noqa: E402
from rigwarp.simulation.samples import BenchTruth, VirtualSampleBench, parse_bench_truth, true_figures  # noqa: E402
from rigwarp.simulation.samples.true_figures import seen_variance, veil_beyond  # noqa: E402

_SEEDS = range(20)
_PARTS = {
    "reflectance": ("red", "green", "blue"),
    "blur": ("in the plane", "across it"),
    "veil": ("beyond 2 mrad", "beyond 4 mrad", "beyond 8 mrad", "beyond 16 mrad", "beyond 32 mrad"),
    "bands": ("in the plane", "across it"),
    "double": ("mm", "front", "third"),
}
_INDEX = 0.005  # 1-sigma by which bench.toml's indices are off, as makers know them
_AL_N, _AL_K = [1.2, 0.79, 0.52], [7.0, 5.85, 4.85]


def _piece(seed: int) -> tuple[str, float, float]:
    """virtual_samples.toml's table of a random piece, and what bench.toml would say: thickness and index."""
    random = np.random.default_rng(seed)
    thickness = float(random.choice([0.0, 0.0, 1.0, 3.0]))
    stated = float(random.choice([1.49, 1.59]))
    core, tail = random.uniform(0.1, 0.8, 2), random.uniform(0.003, 0.04)
    waves = random.uniform(0.05, 0.5)
    specks = [[*random.uniform(-7, 7, 2).round(2).tolist(), round(float(random.uniform(0.34, 1.0)), 2)]]
    index = round(stated + _INDEX * float(random.standard_normal()), 4)
    text = f"""
[[piece]]
name = "drawn-{seed}"
thickness_mm = {thickness}
index = [{index}, {index}, {index}]
metal_n = {_AL_N}
metal_k = {_AL_K}
covered = [0.95, 0.96, 0.97]
core_mrad = {core.round(4).tolist()}
tail_share = {tail:.4f}
tail_mrad = [11.0, 11.0]
specks = {specks}
[[piece.waviness]]
band_mm = [7.0, 12.0]
slope_rms_mrad = {waves:.4f}
seed = [{seed}]
"""
    return text, thickness, stated


def _leg(bench: SampleBench, virtual: VirtualSampleBench, pictures: list[Any], name: str, legs: dict[str, Leg]) -> Leg:
    virtual.seat(name)
    photos = []
    for picture in pictures:
        virtual.show(picture)
        photos.append(virtual.grab())
    return read_leg(bench, sample_frames(), photos, name=name, shape=legs["R1"].shape if legs else None)


def measure(seeds: range = _SEEDS, jobs: int = 1) -> dict[str, Any]:
    """Errors and error over sigma of every figure."""
    return _summary(spread(_drawn, seeds, jobs))


def _drawn(seed: int) -> dict[str, Any]:
    """One piece, measured and judged."""
    piece, thickness, index = _piece(seed)
    sheet = Sheet(name=f"drawn-{seed}", thickness_mm=thickness, index=index, index_sigma=_INDEX)
    with tempfile.TemporaryDirectory() as folder:
        root = small_bench(Path(folder) / "box")
        bench = open_bench_folder(root).bench
        text = (root / "virtual_samples.toml").read_text(encoding="utf-8")
        truth = parse_bench_truth(_another_glass(text, seed) + piece)
    return judged(bench, truth, _cycle(bench, truth, seed, sheet), seed, sheet)


def _another_glass(text: str, seed: int) -> str:
    """The first piece of virtual_samples.toml, the reference, with other waves: its bow is in every figure's scale."""
    random = np.random.default_rng([seed, 2])
    return re.sub(r"seed = \[\d+\]", lambda _: f"seed = [{random.integers(10**6)}]", text, count=2)


def _cycle(bench: SampleBench, truth: BenchTruth, seed: int, sheet: Sheet) -> dict[str, Leg]:
    virtual = VirtualSampleBench(truth, seed=seed)
    pictures = [frame_picture(bench, frame) for frame in sample_frames()]
    legs: dict[str, Leg] = {}
    for leg, name in {"R1": "glass", "S1": sheet.name, "S2": sheet.name, "R2": "glass"}.items():
        legs[leg] = _leg(bench, virtual, pictures, name, legs)
    return legs


def judged(bench: SampleBench, truth: BenchTruth, legs: dict[str, Leg], seed: int, sheet: Sheet) -> dict[str, Any]:
    """Errors of the figures of a cycle's legs, and what they are over sigma."""
    # by what makers know: indices, thicknesses and an angle that are off; and blur, for its error beside, by the right
    off = np.random.default_rng([seed, 1]).standard_normal(5) * [
        _INDEX, THICKNESS_SIGMA_MM, THICKNESS_SIGMA_MM, ANGLE_SIGMA_RAD,
        bench.reference_sigma / bench.reference_reflectance.mean(),
    ]  # fmt: skip
    glass = bench.reference
    stated = replace(
        bench,
        angle_rad=bench.angle_rad + off[3],
        reference_reflectance=bench.reference_reflectance * (1.0 + off[4]),
        reference=replace(glass, index=glass.index + off[0], thickness_mm=glass.thickness_mm + off[1]),
    )
    callipered = replace(sheet, thickness_mm=sheet.thickness_mm + off[2] if sheet.thickness_mm else 0.0)
    figures = cycle_figures(stated, callipered, legs)
    known = cycle_figures(bench, replace(sheet, index=truth.pieces[sheet.name].index[1]), legs)
    piece = true_figures(truth, sheet.name)
    ratio = np.array(piece["reflectance"]) / np.array(true_figures(truth, "glass")["reflectance"])
    nodes = nodes_of(bench, legs["R1"])
    seen = mirror_points(truth, nodes)[::4, ::4]
    both = [seen_variance(truth, truth.pieces[name], seen) for name in (sheet.name, "glass")]
    variance = both[0] - both[1]
    mrad = np.sqrt(np.maximum(variance, 0.0)) / bench.far_mm * 1000.0
    veil = np.array(
        [
            veil_beyond(truth, truth.pieces[sheet.name], a / 1000) - veil_beyond(truth, truth.pieces["glass"], a / 1000)
            for a in (2, 4, 8, 16, 32)
        ]
    )
    speck = float(piece["specks_mm2"][0])
    found = [one.area_mm2 for one in figures.specks.dark]
    bands, bands_z = _bands(truth, sheet.name, nodes, figures)
    return {
        "seed": seed,
        "reflectance": figures.reflectance / ratio - 1.0,
        "reflectance_z": (figures.reflectance - ratio) / figures.reflectance_sigma,
        "blur": known.blur_mrad / mrad - 1.0,
        "blur_index_off": figures.blur_mrad / mrad - 1.0,
        "blur_z": (figures.variance_mm2 - variance) / figures.variance_sigma_mm2,
        "veil": figures.veil - veil,
        "veil_z": (figures.veil - veil) / figures.veil_sigma,
        "bands": bands,
        "bands_z": bands_z,
        "repeats": [
            float(figures.pairs[0].log_ratio.mean() - figures.pairs[1].log_ratio.mean()),
            float(figures.pairs[0].blur[0].added.variance_mm2 - figures.pairs[1].blur[0].added.variance_mm2),
            float(figures.pairs[0].veil[2] - figures.pairs[1].veil[2]),
        ],
        **_double(figures, known, piece, sheet),
        "parts": _parts(figures, sheet),
        "specks": (len(found), np.sqrt(speck), figures.specks.everywhere_mm, found[0] / speck if found else np.nan),
    }


def _parts(figures: CycleFigures, sheet: Sheet) -> dict[str, Any]:
    """What a seed's 1-sigmas are made of, for the eye."""
    one, other = figures.pairs
    found = {
        "thickness_mm": sheet.thickness_mm,
        "blur_mrad": figures.blur_mrad,
        "variance_mm2": figures.variance_mm2,
        "variance_sigma_mm2": figures.variance_sigma_mm2,
        "variance_own_mm2": [blur.added.variance_sigma_mm2 for blur in one.blur],
        "variance_apart_mm2": [
            a.added.variance_mm2 - b.added.variance_mm2 for a, b in zip(one.blur, other.blur, strict=True)
        ],
        "waves_mm2": [blur.waves_mm2 for blur in one.blur],
        "companions_mm2": one.companions_mm2,
        "crowding": one.crowding,
        "veil": figures.veil,
        "veil_sigma": figures.veil_sigma,
        "veil_own": one.veil_sigma,
        "veil_apart": one.veil - other.veil,
        "band_rms_rad": figures.bands[0].rms_rad,
        "band_sigma_rad": figures.bands[0].sigma_rad,
        "double": [getattr(figures.double, key) for key in ("distance_sigma_mm", "front_sigma", "third_sigma")],
    }
    return {key: np.round(value, 7).tolist() for key, value in found.items()}


def _double(figures: CycleFigures, known: CycleFigures, piece: dict[str, Any], sheet: Sheet) -> dict[str, Any]:
    """Distance (mm) and strengths of a thick sheet's companions less the true ones.

    By the right index, thickness and angle; and over sigma by those that bench.toml says.
    """
    if sheet.thickness_mm <= 2.0:
        return {"double": None, "double_z": None}
    beams = piece["beams"]
    true = [piece["ghost_mm"], *(beams.get(one, 0.0) / beams["main"] for one in ("front", "third"))]
    off, by_known = (np.array([one.distance_mm, one.front, one.third]) - true for one in (figures.double, known.double))
    doubt = figures.double
    return {
        "double": by_known,
        "double_z": off / [doubt.distance_sigma_mm, doubt.front_sigma, doubt.third_sigma],
    }


def _bands(truth: BenchTruth, name: str, nodes: Nodes, figures: CycleFigures) -> tuple[float, Array]:
    """The first band's rms over that of the piece's slopes less the reference's, same window and limits, less 1.

    And the error over sigma of either direction.
    """
    slopes = true_slopes(truth, name, "glass", mirror_points(truth, nodes))
    rows, columns = slopes.shape[:2]
    window = np.outer(np.hanning(rows + 2)[1:-1], np.hanning(columns + 2)[1:-1])
    fx, fy = np.meshgrid(np.fft.fftfreq(columns, figures.pitch_mm[0]), np.fft.fftfreq(rows, figures.pitch_mm[1]))
    rate, band = np.hypot(fx, fy), figures.bands[0]
    turn = np.pi * truth.pupil_mm * truth.far_mm / (truth.near_mm + truth.far_mm)
    turn = turn * np.hypot(fx / np.cos(truth.angle_rad), fy)
    # true slopes are as the beam's width leaves them, and the band's are without that
    kept = np.where(turn > 0.0, 2.0 * jv(1, turn) / np.where(turn > 0.0, turn, 1.0), 1.0)
    inside = (rate > (1.0 + 1e-6) / band.longest_mm) & (rate <= 1.0 / band.shortest_mm)
    power = np.abs(np.fft.fft2(slopes * window[..., None], axes=(0, 1)))[inside] ** 2 / kept[inside][:, None] ** 2
    rms = np.sqrt(np.sum(power, axis=0) / (rate.size * np.sum(window**2)))
    return float(np.hypot(*band.rms_rad)) / float(np.hypot(*rms)) - 1.0, (band.rms_rad - rms) / band.sigma_rad


def _told_apart(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Verdicts on twins and on pairs two sigmas apart, by draws with the repeatability of one cycle's mean."""
    random, seatings = np.random.default_rng(15), 6
    answers: dict[str, list[float]] = {"twins_called_different": [], "pairs_told_apart": []}
    for k, within in enumerate((0.02, 0.003, 0.003)):
        # a difference of the cycle's two pairs has twice the variance of a pair, and the cycle's mean has half of it
        one = float(np.sqrt(np.mean([row["repeats"][k] ** 2 for row in rows])) / 2.0)
        apart = 2.0 * np.sqrt(2.0) * one
        for key, shift in (("twins_called_different", 0.0), ("pairs_told_apart", apart)):
            limit = within if shift == 0.0 else min(within, 0.3 * apart)
            drawn = [random.normal([[0.0], [shift]], one, (2, seatings)) for _ in range(100)]
            found = [judge_pairs(["a", "b"], values, limit)[0].answer for values in drawn]
            answers[key].append(found.count("different") / 100.0)
    return {key: max(v) if "twins" in key else min(v) for key, v in answers.items()}


def _summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    def all_of(key: str) -> Any:
        return np.concatenate([np.atleast_1d(row[key]) for row in rows if row[key] is not None])

    specks = [row["specks"] for row in rows]
    seen = [n > 0 for n, _, _, _ in specks]
    invented = sum(max(n - 1, 0) for n, _, _, _ in specks)
    double = np.array([row["double"] for row in rows if row["double"] is not None])
    figures = ("reflectance", "blur", "veil", "bands")
    z = {key: float(np.sqrt(np.nanmean(all_of(f"{key}_z") ** 2))) for key in figures}
    worst = {key: float(np.nanmax(np.abs(all_of(key)))) for key in figures}
    p95 = {key: float(np.nanquantile(np.abs(all_of(key)), 0.95)) for key in figures}
    told = _told_apart(rows)
    parts = {
        f"{figure} {words}": _part(rows, figure, k)
        for figure, words_of in _PARTS.items()
        for k, words in enumerate(words_of)
    }
    return {
        "seeds": len(rows),
        "worst": worst,
        "p95": p95,
        "blur_worst_with_indices_off": float(np.max(np.abs(all_of("blur_index_off")))),
        "error_over_sigma_rms": z,
        "by_part": parts,
        "double_image": {"n": len(double), **{key: _most(double, k) for k, key in enumerate(("mm", "front", "third"))}},
        **told,
        "specks": {"drawn": len(specks), "found": sum(seen), "invented": invented,
                   "largest_missed_mm": float(max((width for n, width, _, _ in specks if n == 0), default=0.0)),
                   "least_mm_median": float(np.median([least for _, _, least, _ in specks])),
                   "least_mm_p95": float(np.quantile([least for _, _, least, _ in specks], 0.95))},
        "held": {
            "reflectance within 0.5 %, each colour; bench.toml off": worst["reflectance"] <= 0.005,
            "blur above 0.1 mrad within 5 %, both directions; bench.toml right": worst["blur"] <= 0.05,
            "veil within 0.2 % of the light, at all limits where it is told; bench.toml off": worst["veil"] <= 0.002,
            "veil told beyond 16 and 32 mrad of every piece": all(
                parts[f"veil beyond {mrad} mrad"].get("told") == 1.0 for mrad in (16, 32)
            ),
            "slope band within 10 %, both directions together; bench.toml off": worst["bands"] <= 0.10,
            "double image of 3 mm within 0.05 mm and 0.3 % of strength; bench.toml right": len(double) == 0
            or (_most(double, 0) <= 0.05 and max(_most(double, 1), _most(double, 2)) <= 0.003),
            "every speck of 0.3 mm and more found, among waves of up to 0.5 mrad": all(seen),
            "no speck invented": invented == 0,
            "twins never called different in 100 draws": told["twins_called_different"] == 0.0,
            "pairs two sigmas apart told apart in 95 %": told["pairs_told_apart"] >= 0.95,
            "error over sigma 0.8 to 1.2, each part by itself; bench.toml off": all(
                0.8 <= one["error_over_sigma"] <= 1.2 for one in parts.values() if one
            ),
        },
    }  # fmt: skip


def _part(rows: list[dict[str, Any]], figure: str, k: int) -> dict[str, float]:
    """Of one part of a figure: rms error over sigma, the worst error and the seed where it is."""
    some = [row for row in rows if row[figure] is not None]
    errors = np.array([np.ravel(row[figure])[min(k, np.size(row[figure]) - 1)] for row in some])
    sigmas = np.array([row[f"{figure}_z"][k] for row in some])
    if not np.isfinite(errors).any():
        return {}
    at = int(np.nanargmax(np.abs(errors)))
    z = float(np.sqrt(np.nanmean(sigmas**2)))
    return {
        "told": float(np.mean(np.isfinite(errors))),
        "error_over_sigma": z,
        "worst": float(errors[at]),
        "seed": some[at]["seed"],
        "sigmas": float(sigmas[at]),
    }


def _most(double: Any, column: int) -> float:
    values = np.abs(double[:, column]) if len(double) else np.zeros(1)
    return float("inf") if np.isnan(values).any() else float(values.max())


if __name__ == "__main__":
    sys.exit(alone("samples", measure))
