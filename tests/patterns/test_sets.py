"""The sets by name: what they hold, how their bars read, what patterns.json says of them."""

import numpy as np
import pytest
from separation import code_separation

from rigwarp.errors import InputError, UsageError
from rigwarp.patterns import (
    SETS,
    LevelFrame,
    PatternSet,
    PhaseFrame,
    choose_periods_px,
    make_set,
)
from rigwarp.rig import decode_transfer

SIZES = [(320, 180), (1280, 720), (1920, 1080), (3840, 2160), (4096, 2160)]


@pytest.mark.parametrize("name", sorted(SETS))
@pytest.mark.parametrize("size", SIZES)
def test_every_set_exists_for_every_size_and_survives_patterns_json(name: str, size: tuple[int, int]) -> None:
    patterns = make_set(name, size, 2.2)
    assert patterns.name == name
    assert PatternSet.from_dict(patterns.to_dict()) == patterns
    # 2 axes x (4 periods x 3 or 6 steps), or (2 periods x 4 steps)
    waves = {f for f in patterns.frames if isinstance(f, PhaseFrame)}
    assert len(waves) == {"fast": 24, "short": 24, "fine": 48, "gray": 16}[name]
    levels = sum(isinstance(f, LevelFrame) for f in patterns.frames)
    assert levels == (3 if name == "short" else 8)
    again = patterns.repeats()
    assert [patterns.frames[i].axis for _, i in again] == ["x", "y"]
    assert [i for _, i in again] == [len(patterns.frames) - 2, len(patterns.frames) - 1]
    assert patterns.picture(again[0][0]).tobytes() == patterns.picture(again[0][1]).tobytes()


@pytest.mark.parametrize("size", [(320, 180), (1280, 720), (4096, 2160)])
def test_gray_code_bars_read_as_the_cell_number(size: tuple[int, int]) -> None:
    """Bits to binary by running exclusive or, the definition of the reflected code; neighbours differ in one bit."""
    patterns = make_set("gray", size, 2.2)
    for axis, extent in (("x", size[0]), ("y", size[1])):
        lines = []
        for plain, inverted in patterns.gray_indices(axis):
            line, other = (p[0] if axis == "x" else p[:, 0] for p in map(patterns.picture, (plain, inverted)))
            assert np.array_equal(line > 127, other < 127)
            lines.append(line > 127)
        binary = np.bitwise_xor.accumulate(np.array(lines), axis=0)
        number = np.sum(binary * 2 ** np.arange(len(lines))[::-1, None], axis=0)
        assert np.array_equal(number, np.arange(extent) // 8)
        changes = np.sum(np.diff(np.array(lines).astype(int), axis=1) != 0, axis=0)
        assert set(changes.tolist()) == {0, 1}


def test_dark_bars_and_inverses_share_the_light_range() -> None:
    patterns = make_set("gray", (640, 360), 2.2)
    plain, inverted = patterns.gray_indices("x")[0]
    light = decode_transfer(np.unique(patterns.picture(plain)) / 255.0, 2.2)
    assert light == pytest.approx([0.02, 0.98], abs=0.01)  # half a code value at white
    assert np.unique(patterns.picture(inverted)).tolist() == np.unique(patterns.picture(plain)).tolist()


def test_periods_follow_the_blur_and_stay_unambiguous() -> None:
    for blur_px in (0.0, 2.0, 5.0, 8.0, 30.0):
        for extent in (480, 1920, 4096):
            periods = choose_periods_px(extent, blur_px=blur_px)
            assert code_separation(periods, extent) > 0.13
            if blur_px == 8.0:  # 2 pi sigma is the best period
                assert np.mean(periods) == pytest.approx(2 * np.pi * blur_px, rel=0.1)
    assert choose_periods_px(1280, blur_px=0.5) == choose_periods_px(1280)


def test_exposures_repeat_the_whole_set() -> None:
    once, twice = make_set("fast", (640, 360), 2.2), make_set("fast", (640, 360), 2.2, exposures=2)
    assert twice.exposures == (0, 1)
    assert len(twice.frames) == 2 * len(once.frames)
    for number in (0, 1):
        part, indices = twice.of_exposure(number)
        assert part == once
        assert indices == list(range(number * len(once.frames), (number + 1) * len(once.frames)))
    assert PatternSet.from_dict(twice.to_dict()) == twice
    assert "exposure" not in once.to_dict()["frames"][0]


def test_sets_written_before_there_were_names_are_read() -> None:
    """The dictionary as the first version wrote it: no set name, no exposures, no repeats."""
    data = {
        "resolution": [640, 360],
        "gamma": 2.2,
        "light_range": [0.02, 0.98],
        "frames": [
            {"kind": "level", "level": 0},
            {"kind": "level", "level": 255},
            {"kind": "phase", "axis": "x", "period_px": 18.0, "step": 0, "steps": 3},
        ],
    }
    patterns = PatternSet.from_dict(data)
    assert patterns.frames == (
        LevelFrame(level=0),
        LevelFrame(level=255),
        PhaseFrame(axis="x", period_px=18.0, step=0, steps=3),
    )
    assert patterns.repeats() == []


@pytest.mark.parametrize(
    "changes", [{"bit": 3}, {"bit": -1}, {"cell_px": 0.5}, {"bits": 40}, {"axis": "z"}, {"exposure": -1}]
)
def test_impossible_bars_are_refused(changes: dict[str, object]) -> None:
    data = make_set("gray", (640, 360), 2.2).to_dict()
    frame = {"kind": "gray", "axis": "x", "cell_px": 8.0, "bit": 0, "bits": 3, "inverted": False} | changes
    with pytest.raises(InputError, match=r"patterns\.json"):
        PatternSet.from_dict(data | {"frames": [frame]})


def test_unknown_sets_and_exposures_are_usage_errors() -> None:
    with pytest.raises(UsageError, match="fast, fine, gray"):
        make_set("fastest", (640, 360), 2.2)
    with pytest.raises(UsageError, match="1 to 8"):
        make_set("fast", (640, 360), 2.2, exposures=9)
