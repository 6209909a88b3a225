"""A cycle: reference, sample, the sample put in again, reference. Its figures, freed of the drift, and its closure."""

from dataclasses import dataclass

import numpy as np

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array
from rigwarp.samples.bench import SampleBench, Sheet
from rigwarp.samples.double_image import DoubleImage, mean_of
from rigwarp.samples.leg import Leg
from rigwarp.samples.optical_slopes import (
    Direction,
    Form,
    SlopeBand,
    direction_of,
    slope_bands,
    slopes_of,
    without_form,
)
from rigwarp.samples.pair import Pair, compare_pair, log_reflectance
from rigwarp.samples.refusals import (
    refuse_moved_camera,
    refuse_moved_seat,
    refuse_no_mirror,
    refuse_odd,
    refuse_odd_light,
    refuse_unlike,
)
from rigwarp.samples.registered import Nodes, landing_mm, nodes_of, register
from rigwarp.samples.specks import Specks, seen_twice
from rigwarp.samples.veil import curve_doubt

LEGS = ("R1", "S1", "S2", "R2")
"""What is photographed in a cycle, in this order."""

MOST_CLOSURE = 0.01
MOST_SHIFT_PX = 0.1
MOST_VEIL_SIGMA = 0.0008
"""Of a veil that is told: within two and a half of it are 0.2 % of the light."""
_CLOSURE_SHARE = 0.25  # of a closure that came as mirrors were changed: between the two bounds of `_drift_variance`
_MOVED_MM = 10.0  # dust of 0.4 mm under one of three feet; more, and the seat or the camera was moved
_CURVE = 0.005  # 1-sigma of the camera curve's exponent, of what is found from pictures that add up to white
_SCALE = 0.005  # 1-sigma share of a blur's variance: glass whose waves of 24 to 45 mm have slopes of 0.15 mrad, which
# tells the camera's scale, stretches 25 mm of its picture by 0.25 % (by the waves' closed form)
_WAVES, _FOCUSED, _MOST_UNLIKE = 0.03, 1.5, 0.2  # of the part that visible waves make; times how they crowd light
# these and the next four from known pieces (bench_samples.py, the offcut box)
_COMPANIONS = 1.2  # times what index, thickness and angle leave in doubt: waves part companions unlike the main beam
_LEAST_MM2 = 0.0002
_EDGES: Array = np.array([6e-4, 2e-4, 1.3e-4, 1e-4, 0.0])  # share of light, in discs of 2 to 32 mrad: not the widest,
# beyond which noise and the camera's glare are all that is in doubt, and the veil's own 1-sigma has both
_CROWDED: Array = np.array([0.24, 0.24, 0.12, 0.06, 0.06])  # of the veil, times how waves crowd light around the discs


@dataclass(frozen=True, kw_only=True)
class Closure:
    """How the second reference differs from the first.

    Attributes
    ----------
    log_ratio : (3,) ln R2/R1. shift_px : rms projector pixels by which its light lands elsewhere, beside a shift of
        the whole picture (which the seat's own unevenness makes).
    """

    log_ratio: Array
    shift_px: float

    @property
    def good(self) -> bool:
        """Within 1 % of the light and 0.1 pixel."""
        return float(np.max(np.abs(self.log_ratio))) <= MOST_CLOSURE and self.shift_px <= MOST_SHIFT_PX


@dataclass(frozen=True, kw_only=True)
class CycleFigures:
    """Figures of a sample by one cycle: means of its two pairs.

    Attributes
    ----------
    pairs : (S1 against R1, S2 against R2).
    reflectance, reflectance_sigma : (3,) relative to the reference, red, green, blue.
    variance_mm2, variance_sigma_mm2 : (2,) added by blur, in and across the plane of incidence.
    blur_mrad, blur_sigma_mrad : (2,) its square root as an angle, negative below zero.
    veil, veil_sigma : (5,) beyond 2, 4, 8, 16, 32 mrad; NaN beyond a limit that blur's own light reaches over so far
        that its share cannot be told from the veil's to `MOST_VEIL_SIGMA`.
    haze, haze_sigma : (2,) beyond 8 mrad in red and blue.
    bands : of the slope map; form : what was taken off it; direction : of the waves.
    slopes : (rows, columns, 2) the map itself, without form.
    double : the sample's double image, by both pairs.
    specks : that both pairs show. closure : of the references.
    """

    pairs: tuple[Pair, Pair]
    reflectance: Array
    reflectance_sigma: Array
    variance_mm2: Array
    variance_sigma_mm2: Array
    blur_mrad: Array
    blur_sigma_mrad: Array
    veil: Array
    veil_sigma: Array
    haze: Array
    haze_sigma: float
    bands: tuple[SlopeBand, ...]
    form: Form
    direction: Direction
    slopes: Array
    pitch_mm: Array
    double: DoubleImage
    specks: Specks
    closure: Closure


def cycle_figures(bench: SampleBench, sheet: Sheet, legs: dict[str, Leg]) -> CycleFigures:
    """Figures of the four legs R1, S1, S2, R2.

    Raises
    ------
    MeasurementError
        The bench or the camera moved, or the sample is in upside down or with its film on.
    """
    nodes = nodes_of(bench, legs["R1"])
    closure = closure_of(bench, legs["R1"], legs["R2"])
    # a steady drift is in either pair, once up and once down, and not in their mean
    steady = np.array([[1.0], [-1.0]]) * closure.log_ratio / 3.0
    _refuse_by_light(sheet, legs, nodes, steady)
    refuse_moved_camera(legs)  # after it: what is no mirror is too dull or too even to show the screen's grain
    pairs = (_mirror_pair(bench, sheet, legs, "1", nodes), _mirror_pair(bench, sheet, legs, "2", nodes))
    logs = np.array([pair.log_ratio for pair in pairs])
    own = np.array([pair.log_sigma for pair in pairs])
    repeated = _pair_variance(logs - steady, own)
    log_sigma = np.sqrt(repeated + _drift_variance(closure, legs) + (_CURVE * logs.mean(axis=0)) ** 2)
    ratio = np.exp(logs.mean(axis=0))
    variance = np.array([[blur.added.variance_mm2 for blur in pair.blur] for pair in pairs])
    variance_own = np.array([[blur.added.variance_sigma_mm2 for blur in pair.blur] for pair in pairs])
    square, waves = variance.mean(axis=0), np.mean([[blur.waves_mm2 for blur in pair.blur] for pair in pairs], axis=0)
    # waves crowd light and are no normal spread, and a sheet's companions are taken out by a model
    unlike = min(np.hypot(_WAVES, _FOCUSED * pairs[0].crowding), _MOST_UNLIKE) * waves
    model = np.hypot(_SCALE * square, unlike) ** 2 + np.array([_COMPANIONS * pairs[0].companions_mm2, 0.0]) ** 2
    square_sigma = np.sqrt(_pair_variance(variance, variance_own) + model + _LEAST_MM2**2)
    mrad = np.sign(square) * np.sqrt(np.abs(square)) / bench.far_mm * 1000.0
    least = np.sqrt(square_sigma) / bench.far_mm * 1000.0
    veils, veil_own = (np.array([getattr(pair, key) for pair in pairs]) for key in ("veil", "veil_sigma"))
    crowded = _CROWDED * np.sqrt(pairs[0].crowding) * veils.mean(axis=0)
    curve = curve_doubt(legs["R1"], _CURVE) * veils.mean(axis=0)
    veil_sigma = np.sqrt(_pair_variance(veils, veil_own) + _EDGES**2 + crowded**2 + curve**2)
    maps = [slopes_of(bench, pair.landing) for pair in pairs]
    slopes, form = without_form(0.5 * (maps[0] + maps[1]), nodes)
    noise, _ = without_form(0.5 * (maps[0] - maps[1]), nodes)
    return CycleFigures(
        pairs=pairs,
        reflectance=ratio,
        reflectance_sigma=ratio * log_sigma,
        variance_mm2=square,
        variance_sigma_mm2=square_sigma,
        blur_mrad=mrad,
        blur_sigma_mrad=square_sigma / bench.far_mm**2 * 1e6 / np.maximum(2.0 * np.abs(mrad), least),
        veil=np.where(veil_sigma <= MOST_VEIL_SIGMA, veils.mean(axis=0), np.nan),
        veil_sigma=veil_sigma,
        haze=np.mean([pair.haze for pair in pairs], axis=0),
        haze_sigma=float(np.sqrt(np.mean([pair.haze_sigma**2 for pair in pairs]) / 2.0)),
        bands=tuple(
            slope_bands(bench, slopes, noise, nodes, spread_mm2=pairs[0].spread_mm2, crowding=pairs[0].crowding)
        ),
        form=form,
        direction=direction_of(slopes),
        slopes=slopes,
        pitch_mm=nodes.pitch_mm,
        double=mean_of(pairs[0].double, pairs[1].double),
        specks=seen_twice(pairs[0].specks, pairs[1].specks, bench.footprint_mm / 2.0),
        closure=closure,
    )


def _refuse_by_light(sheet: Sheet, legs: dict[str, Leg], nodes: Nodes, steady: Array) -> None:
    """Refuse what is no mirror or no repetition, before its picture is matched with the reference's."""
    logs = []
    for which in "12":
        sample, reference = legs[f"S{which}"], legs[f"R{which}"]
        refuse_no_mirror(sheet, sample, reference, f"S{which}")
        refuse_moved_seat(sheet, sample, nodes, f"S{which}")
        logs.append(log_reflectance(sample, reference, nodes)[0])
        refuse_odd_light(sheet, logs[-1], f"S{which}")
    refuse_unlike(sheet, np.array(logs) - steady)


def _drift_variance(closure: Closure, legs: dict[str, Leg]) -> Array:
    """(3,) of ln(ratio), by what of the drift is not steady.

    Each leg's first and last white tell how fast the light grows in it. What of the closure three legs of that do not
    explain came while mirrors were changed: g1, g2 and g3, of which (g1 - g3) / 2 stays in the mean. Where a lamp
    drifts one way and all divisions of a closure c into such parts are alike likely (a flat Dirichlet distribution),
    its standard deviation is c / sqrt(24), 0.204 c; where it is even within half of c, 0.289 c. Of what the legs do
    explain only a change of the rate stays in the mean: drift growing as c t^2 leaves -2 c, and the rate differs by 6 c
    between the first leg and the last.
    """
    rates = np.array([legs[leg].drift for leg in LEGS])
    unexplained = closure.log_ratio - 3.0 * rates.mean()
    return np.asarray((_CLOSURE_SHARE * unexplained) ** 2 + ((rates[-1] - rates[0]) / 3.0) ** 2)


def _pair_variance(values: Array, sigmas: Array) -> Array:
    """(n,) variance of the mean of two values (2, n): by their own sigmas, and how they differ where that is more.

    Two values differ by more than their sigmas say in a third of all cases, by chance: so it counts by half.
    """
    own = np.mean(sigmas**2, axis=0) / 2.0
    return np.asarray(np.maximum(own, 0.5 * (own + (values[0] - values[1]) ** 2 / 4.0)))


def closure_of(bench: SampleBench, first: Leg, second: Leg) -> Closure:
    """Compare the two references.

    Raises
    ------
    MeasurementError
        The second one's picture lies where no seat's play explains it.
    """
    nodes = nodes_of(bench, first)
    r1, r2 = register(first, nodes), register(second, nodes)
    landing = landing_mm(bench, r2, r1)
    whole = landing.reshape(-1, 2).mean(axis=0)
    if float(np.hypot(*whole)) > _MOVED_MM or not np.isfinite(landing).all():
        raise MeasurementError(
            f"between the two references the picture moved by {np.hypot(*whole):.1f} mm, expected less than "
            f"{_MOVED_MM:g}. The seat, the projector or the camera was moved: fix it and measure this cycle again."
        )
    rest = landing - whole
    logs = [
        float(np.median(np.log(r2.read(second.colours[c]) * r2.density / (r1.read(first.colours[c]) * r1.density))))
        for c in range(3)
    ]
    return Closure(
        log_ratio=np.array(logs),
        shift_px=float(np.sqrt(np.mean(rest**2)) / bench.pixel_mm),
    )


def _mirror_pair(bench: SampleBench, sheet: Sheet, legs: dict[str, Leg], which: str, nodes: Nodes) -> Pair:
    pair = compare_pair(bench, sheet, legs[f"S{which}"], legs[f"R{which}"], nodes)
    refuse_odd(sheet, pair, f"S{which}")
    return pair
