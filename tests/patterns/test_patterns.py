"""The pattern set: what is shown, and that its periods tell every position apart."""

import numpy as np
import pytest
from separation import code_separation

from rigwarp.errors import InputError
from rigwarp.patterns import LevelFrame, PatternSet, PhaseFrame, choose_periods_px, fast_set
from rigwarp.rig import decode_transfer, encode_transfer


@pytest.mark.parametrize("resolution", [(320, 180), (854, 480), (1280, 720), (1920, 1080), (3840, 2160), (4096, 2160)])
def test_every_projector_size_up_to_4k_is_told_apart(resolution: tuple[int, int]) -> None:
    for extent in resolution:
        # 0.13 turns over four phases is six sigma of the 3-step phase noise at amplitude / noise = 20 (0.0065 turns
        # each, the Cramer-Rao bound sqrt(2/3)/20/2pi), halfway to the nearest wrong position
        assert code_separation(choose_periods_px(extent), extent) > 0.13


def test_separation_finds_a_repeating_set() -> None:
    # 20 and 30 px share the period 60: positions 60 px apart look the same
    assert code_separation((20.0, 30.0), 100.0) == pytest.approx(0.0, abs=1e-12)


def test_the_fast_set_has_24_waves_and_the_references() -> None:
    patterns = fast_set((1280, 720), 2.2)
    waves = {f for f in patterns.frames if isinstance(f, PhaseFrame)}
    levels = [f.level for f in patterns.frames if isinstance(f, LevelFrame)]
    assert len(waves) == 24
    assert {f.axis for f in waves} == {"x", "y"}
    assert levels[0] == 0
    assert levels[-1] == 255
    assert levels == sorted(levels)  # ascending: no full flash between two frames


@pytest.mark.parametrize("transfer", [1.0, 2.2, "srgb"])
def test_projected_light_is_a_sinusoid(transfer: float | str) -> None:
    patterns = fast_set((640, 360), transfer)
    for axis, position in (("x", np.arange(640)), ("y", np.arange(360))):
        for period, indices in patterns.phase_indices(axis).items():
            for step, index in enumerate(indices):
                picture = patterns.picture(index) if axis == "x" else patterns.picture(index).T
                wanted = 0.5 + 0.48 * np.cos(2 * np.pi * (position / period - step / 3))
                # one code value, as light: slope of the curve at most 2.3 (sRGB at white)
                assert np.abs(decode_transfer(picture / 255.0, transfer) - wanted).max() < 1 / 255 * 2.4
                # multiples of the golden ratio: the mean of any eight rows is right to a quarter of a code value
                code = 255 * encode_transfer(wanted, transfer)
                for rows in (picture[:8], picture[101:109]):
                    assert np.abs(rows.mean(axis=0) - code).max() < 0.25
                assert np.abs(picture.mean(axis=0) - code).max() < 0.02


def test_dictionary_round_trip() -> None:
    for transfer in (2.2, "srgb"):
        patterns = fast_set((854, 480), transfer)
        assert PatternSet.from_dict(patterns.to_dict()) == patterns


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("resolution", [1280]),
        ("resolution", [0, 720]),
        ("gamma", "steep"),
        ("light_range", [0.9, 0.1]),
        ("frames", [{"kind": "moire"}]),
        ("frames", [{"kind": "level", "level": 300}]),
        ("frames", [{"kind": "phase", "axis": "z", "period_px": 18, "step": 0, "steps": 3}]),
        ("frames", [{"kind": "phase", "axis": "x", "period_px": 18, "step": 3, "steps": 3}]),
        ("frames", 5),
    ],
)
def test_foreign_dictionaries_are_refused(key: str, value: object) -> None:
    data = fast_set((1280, 720), 2.2).to_dict() | {key: value}
    with pytest.raises(InputError, match=r"patterns\.json"):
        PatternSet.from_dict(data)


def test_a_projector_beyond_4k_is_refused_with_the_limit() -> None:
    with pytest.raises(InputError, match="4096"):
        fast_set((7680, 4320), 2.2)
