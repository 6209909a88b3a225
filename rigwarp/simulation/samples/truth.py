"""What stands on a virtual bench and what its mirrors are really like: virtual_samples.toml."""

import tomllib
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Array
from rigwarp.rig.section import ANY, NOT_NEGATIVE, POSITIVE, SHARE, Limits, TomlSection
from rigwarp.rig.toml_fields import meanings_of, number_key, read_table, told_key, vector_key

FORMAT: Final = "rigwarp virtual samples"
_MILLI: Final = 1e-3
_NUMBERS: Final = {
    "throw_ratio": ("distance / picture width of the projector", 1.2, POSITIVE),
    "near_mm": ("the way from projector to mirror", 350.0, POSITIVE),
    "far_mm": ("the way from mirror to screen", 650.0, POSITIVE),
    "angle_deg": ("the angle of incidence at the mirror", 20.0, Limits(above=0.0, below=80.0)),
    "pupil_mm": ("the width of the projector's pupil", 5.0, POSITIVE),
    "lens_blur_mm": ("the 1-sigma blur of the projector on the screen", 0.15, NOT_NEGATIVE),
    "black_share": ("the light of the projector's black", 0.001, SHARE),
    "drift_per_s": ("how much the lamp's light grows a second", 0.0, ANY),
    "warming_share": ("what the lamp still gains while it warms up", 0.0, ANY),
    "warming_s": ("the time constant of that", 600.0, POSITIVE),
    "photo_s": ("the time a photograph takes", 0.7, POSITIVE),
    "reseat_s": ("the time a change of mirrors takes", 15.0, POSITIVE),
    "tilt_mrad": ("the 1-sigma tilt of a mirror in the seat", 0.5, NOT_NEGATIVE),
    "piston_mm": ("the 1-sigma height of a mirror in the seat", 0.05, NOT_NEGATIVE),
    "shift_mm": ("the 1-sigma sideways shift of a mirror in the seat", 0.0, NOT_NEGATIVE),
    "stray_share": ("the light that comes back by way of mirror and screen", 0.002, SHARE),
    "texture": ("the 1-sigma unevenness of the screen", 0.01, SHARE),
    "camera_px": ("camera pixels per projector pixel", 2.0, POSITIVE),
    "camera_turn_deg": ("how far the camera is turned", 5.0, ANY),
    "camera_blur_px": ("the 1-sigma blur of the camera", 0.6, NOT_NEGATIVE),
    "glare_share": ("the light that the camera spreads widely", 0.01, SHARE),
    "vignetting": ("the light lost in the corners", 0.1, SHARE),
    "full_reflectance": ("the reflectance whose white is full scale", 1.2, POSITIVE),
    "full_well_e": ("electrons at full scale", 20000.0, POSITIVE),
    "read_noise_e": ("the 1-sigma read noise, electrons", 12.0, NOT_NEGATIVE),
}  # fmt: skip
BENCH_KEYS: Final = {
    "resolution": "the projector's pixels, [width, height]",
    "camera_resolution": "the camera's pixels, [width, height]",
    "opening_mm": "the opening of the seat, [in the plane of incidence, across]",
    "wavelengths_nm": "those of the projector's red, green and blue",
    "gamma": "the exponent of the projector's curve",
    **{key: words for key, (words, _, _) in _NUMBERS.items()},
}
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
    """A mirror as it is. Its waves are in groups, one for each band."""

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
    waves: tuple[tuple[Wave, ...], ...] = told_key("one table [[piece.waviness]] for each band", name="waviness")
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
    """The bench (numbers as in `BENCH_KEYS`) and all pieces, the reference among them."""

    resolution: tuple[int, int]
    camera_resolution: tuple[int, int]
    opening_mm: tuple[float, float]
    wavelengths_nm: Colours
    gamma: float
    numbers: dict[str, float]
    pieces: dict[str, Piece]

    def __getitem__(self, key: str) -> float:
        return self.numbers[key]

    @property
    def angle_rad(self) -> float:
        """Of incidence."""
        return float(np.radians(self["angle_deg"]))

    @property
    def pixel_mm(self) -> float:
        """Of the projector, on the screen."""
        return (self["near_mm"] + self["far_mm"]) / (self["throw_ratio"] * self.resolution[0])


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
    bench = document.section("bench", BENCH_KEYS, required=True)
    numbers = {key: bench.number(key, default=of, limits=limits) for key, (_, of, limits) in _NUMBERS.items()}
    pieces = [_piece(section) for section in document.sections("piece", PIECE_KEYS)]
    width, height = bench.integers("resolution", 2, at_least=16, at_most=10000)
    wide, high = bench.integers("camera_resolution", 2, at_least=16, at_most=20000)
    red, green, blue = bench.numbers("wavelengths_nm", 3, default=(650.0, 550.0, 450.0), limits=POSITIVE)
    across, down = bench.numbers("opening_mm", 2, limits=POSITIVE)
    return BenchTruth(
        resolution=(width, height),
        camera_resolution=(wide, high),
        opening_mm=(across, down),
        wavelengths_nm=(red, green, blue),
        gamma=bench.number("gamma", default=2.2, limits=POSITIVE),
        numbers=numbers,
        pieces={piece.name: piece for piece in pieces},
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
        waves=tuple(
            tuple(replace(wave, direction_rad=wave.direction_rad + np.pi / 2.0) for wave in band)
            for band in piece.waves
        ),
    )


def _piece(section: TomlSection) -> Piece:
    n, k = section.numbers("metal_n", 3), section.numbers("metal_k", 3)
    specks = section.points("specks") if section.has("specks") else np.zeros((0, 3))
    return read_table(
        Piece,
        section,
        name=section.text("name"),
        index=_colours(section, "index", 1.5),
        metal=(complex(n[0], k[0]), complex(n[1], k[1]), complex(n[2], k[2])),
        covered=_colours(section, "covered", 1.0),
        specks=specks,
        waves=tuple(_waves(one) for one in section.sections("waviness", WAVE_KEYS)),
    )


def _colours(section: TomlSection, key: str, default: float) -> Colours:
    red, green, blue = section.numbers(key, 3, default=(default,) * 3, limits=POSITIVE)
    return red, green, blue


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
