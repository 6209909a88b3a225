"""What stands on a virtual bench and what its mirrors are really like: virtual_samples.toml."""

import tomllib
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Array
from rigwarp.rig.section import NOT_NEGATIVE, POSITIVE, SHARE, Limits, TomlSection
from rigwarp.rig.toml_fields import DEGREES, meanings_of, number_key, pair_key, read_table, told_key, vector_key

FORMAT: Final = "rigwarp virtual samples"
_MILLI: Final = 1e-3
WAVE_KEYS: Final = {
    "band_mm": "the shortest and longest wavelength",
    "slope_rms_mrad": "the rms optical slope",
    "along_deg": "the direction across the waves, from the plane of incidence",
    "around_deg": "the 1-sigma of that direction, 90 or more for none",
    "seed": "which draw it is",
}
_WAVES = 24
Colours = tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class Wave:
    """A sinusoidal bend of the whole sheet: amplitude of the slope, wavelength, direction across it, phase."""

    slope_rad: float
    wavelength_mm: float
    direction_rad: float
    phase_rad: float


@dataclass(frozen=True, kw_only=True)
class Piece:
    """A mirror as it is."""

    name: str = told_key("what the piece is called")
    thickness_mm: float = number_key(
        "the clear sheet's thickness before the metal, 0 for a front-surface mirror", 0.0, NOT_NEGATIVE
    )
    index: Colours = told_key("the sheet's refractive index at red, green and blue")
    metal: tuple[complex, complex, complex]
    covered: Colours = told_key("the share of the metal's light that is not lost, at red, green and blue")
    core_rad: Array = vector_key(
        "the 1-sigma spread of the beam, [in the plane of incidence, across]", 2, 0.0, name="core_mrad", scale=_MILLI
    )
    tail_share: float = number_key("the share of light that is spread widely", 0.0, SHARE)
    tail_rad: Array = vector_key(
        "its 1-sigma, [in the plane of incidence, across]", 2, 12.0, name="tail_mrad", scale=_MILLI
    )
    roughness_nm: float = number_key(
        "of bare metal, which scatters by wavelength into the same tail", 0.0, NOT_NEGATIVE
    )
    paler_rim: float = number_key("the share of light that is missing at the opening's edge", 0.0, SHARE)
    bow_radius_mm: float | None = number_key("of a piece that is not flat", None)
    specks: Array = told_key("[x, y, diameter] in mm of each")
    waves: tuple[Wave, ...] = told_key("one table [[piece.waviness]] for each band", name="waviness")
    wedge_rad: float = number_key(
        "the slope of the rear face against the front, in the plane of incidence", 0.0, name="wedge_mrad", scale=_MILLI
    )


PIECE_KEYS: Final = {
    **meanings_of(Piece),
    "metal_n": "the metal's refractive index at red, green and blue",
    "metal_k": "the metal's extinction at red, green and blue",
}


@dataclass(frozen=True, kw_only=True)
class BenchTruth:
    """The bench and all pieces, the reference among them."""

    resolution: tuple[int, int] = told_key("the projector's pixels, [width, height]")
    camera_resolution: tuple[int, int] = told_key("the camera's pixels, [width, height]")
    opening_mm: tuple[float, float] = pair_key(
        "the opening of the seat, [in the plane of incidence, across]", limits=POSITIVE
    )
    wavelengths_nm: Colours = told_key("those of the projector's red, green and blue")
    gamma: float = number_key("the exponent of the projector's curve", 2.2, POSITIVE)
    throw_ratio: float = number_key("distance / picture width of the projector", 1.2, POSITIVE)
    near_mm: float = number_key("the way from projector to mirror", 350.0, POSITIVE)
    far_mm: float = number_key("the way from mirror to screen", 650.0, POSITIVE)
    angle_rad: float = number_key(
        "the angle of incidence at the mirror", 20.0, Limits(above=0.0, below=80.0), scale=DEGREES
    )
    pupil_mm: float = number_key("the width of the projector's pupil", 5.0, POSITIVE)
    lens_blur_mm: float = number_key("the 1-sigma blur of the projector on the screen", 0.15, NOT_NEGATIVE)
    black_share: float = number_key("the light of the projector's black", 0.001, SHARE)
    drift_per_s: float = number_key("how much the lamp's light grows a second", 0.0)
    warming_share: float = number_key("what the lamp still gains while it warms up", 0.0)
    warming_s: float = number_key("the time constant of that", 600.0, POSITIVE)
    photo_s: float = number_key("the time a photograph takes", 0.7, POSITIVE)
    reseat_s: float = number_key("the time a change of mirrors takes", 15.0, POSITIVE)
    tilt_mrad: float = number_key("the 1-sigma tilt of a mirror in the seat", 0.5, NOT_NEGATIVE)
    piston_mm: float = number_key("the 1-sigma height of a mirror in the seat", 0.05, NOT_NEGATIVE)
    shift_mm: float = number_key("the 1-sigma sideways shift of a mirror in the seat", 0.0, NOT_NEGATIVE)
    stray_share: float = number_key("the light that comes back by way of mirror and screen", 0.002, SHARE)
    texture: float = number_key("the 1-sigma unevenness of the screen", 0.01, SHARE)
    camera_px: float = number_key("camera pixels per projector pixel", 2.0, POSITIVE)
    camera_turn_rad: float = number_key("how far the camera is turned", 5.0, scale=DEGREES)
    camera_blur_px: float = number_key("the 1-sigma blur of the camera", 0.6, NOT_NEGATIVE)
    glare_share: float = number_key("the light that the camera spreads widely", 0.01, SHARE)
    vignetting: float = number_key("the light lost in the corners", 0.1, SHARE)
    full_reflectance: float = number_key("the reflectance whose white is full scale", 1.2, POSITIVE)
    full_well_e: float = number_key("electrons at full scale", 20000.0, POSITIVE)
    read_noise_e: float = number_key("the 1-sigma read noise, electrons", 12.0, NOT_NEGATIVE)
    pieces: dict[str, Piece]

    @property
    def pixel_mm(self) -> float:
        """Of the projector, on the screen."""
        return (self.near_mm + self.far_mm) / (self.throw_ratio * self.resolution[0])


def parse_bench_truth(text: str, *, source: str = "virtual_samples.toml") -> BenchTruth:
    """Read and check virtual_samples.toml.

    Raises
    ------
    InputError
        If it is no TOML, or a key is unknown, missing or out of its limits.
    """
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{source}: not readable as TOML ({error}). Correct the file.") from None
    meanings = {"format": FORMAT, "version": "always 1", "bench": "the bench", "piece": "one table for each mirror"}
    document = TomlSection(source=source, path="", values=values, meanings=meanings)
    document.choice("format", [FORMAT])
    bench = document.section("bench", meanings_of(BenchTruth), required=True)
    return read_table(
        BenchTruth,
        bench,
        resolution=bench.integers("resolution", 2, at_least=16, at_most=10000),
        camera_resolution=bench.integers("camera_resolution", 2, at_least=16, at_most=20000),
        wavelengths_nm=bench.numbers("wavelengths_nm", 3, default=(650.0, 550.0, 450.0), limits=POSITIVE),
        pieces={piece.name: piece for piece in map(_piece, document.sections("piece", PIECE_KEYS))},
    )


def turned_by_90(piece: Piece) -> Piece:
    """The piece turned in the seat, its first axis to where its second one was."""
    if piece.wedge_rad:
        raise InputError(
            f"virtual_samples.toml: the wedge of {piece.name} lies in the plane of incidence: leave it there."
        )
    x, y, wide = np.reshape(piece.specks, (-1, 3)).T
    return replace(
        piece,
        name=f"{piece.name}, turned",
        core_rad=piece.core_rad[::-1].copy(),
        tail_rad=piece.tail_rad[::-1].copy(),
        specks=np.stack([-y, x, wide], axis=-1),
        waves=tuple(replace(wave, direction_rad=wave.direction_rad + np.pi / 2.0) for wave in piece.waves),
    )


def _piece(section: TomlSection) -> Piece:
    n, k = section.numbers("metal_n", 3), section.numbers("metal_k", 3)
    return read_table(
        Piece,
        section,
        name=section.text("name"),
        index=section.numbers("index", 3, default=(1.5,) * 3, limits=POSITIVE),
        metal=tuple(map(complex, n, k)),
        covered=section.numbers("covered", 3, default=(1.0,) * 3, limits=POSITIVE),
        specks=section.points("specks") if section.has("specks") else np.zeros((0, 3)),
        waves=tuple(wave for one in section.sections("waviness", WAVE_KEYS) for wave in _waves(one)),
    )


def _waves(section: TomlSection) -> tuple[Wave, ...]:
    """A seeded draw of waves whose slopes have the wanted rms."""
    shortest, longest = section.numbers("band_mm", 2, limits=POSITIVE)
    rms = section.number("slope_rms_mrad", limits=NOT_NEGATIVE) / 1000.0
    (seed,) = section.integers("seed", 1, at_least=0, at_most=10**9, default=(1,))
    along, around = section.number("along_deg", default=0.0), section.number("around_deg", default=90.0)
    random = np.random.default_rng(seed)
    wavelengths = np.exp(random.uniform(np.log(shortest), np.log(longest), _WAVES))
    turns = random.uniform(0.0, 180.0, _WAVES) if around >= 90.0 else along + around * random.standard_normal(_WAVES)
    phases = random.uniform(0.0, 2.0 * np.pi, _WAVES)
    slope = rms * np.sqrt(2.0 / _WAVES)
    return tuple(
        Wave(slope_rad=slope, wavelength_mm=float(w), direction_rad=float(d), phase_rad=float(p))
        for w, d, p in zip(wavelengths, np.radians(turns), phases, strict=True)
    )
