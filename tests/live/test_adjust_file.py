"""adjust.json: what is written comes back, and no file whatever brings anything but an InputError."""

import json
import random

import pytest

from rigwarp.errors import InputError
from rigwarp.files import read_adjustment, write_adjustment
from rigwarp.files.names import ADJUST_FILE
from rigwarp.prewarp import Adjustment, Drag

FULL = Adjustment(
    shift_mm=(1.5, -2.25),
    turn_deg=-3.0,
    scale=1.01,
    drags=(Drag(at_mm=(1.0, 2.0), by_mm=(3.0, 4.0), reach_mm=55.0),),
    brightness=0.8,
    black_level=0.01,
    masks=(((0.0, 0.0), (10.0, 0.0), (5.0, 8.0)),),
    flatten_limit=0.25,
    flatten_falloff=0.5,
)


def test_round_trip(tmp_path):
    path = tmp_path / ADJUST_FILE
    write_adjustment(path, FULL, revision=7)
    assert read_adjustment(path) == (FULL, 7)
    write_adjustment(path, Adjustment(), revision=8)
    assert read_adjustment(path) == (Adjustment(), 8)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("scale", 0.0),
        ("scale", True),
        ("brightness", 1.5),
        ("black_level", "much"),
        ("shift_mm", [1.0]),
        ("shift_mm", [1.0, 1e30]),
        ("drags", [{"at_mm": [0, 0]}]),
        ("masks", [[[0, 0], [1, 1]]]),
        ("masks", "none"),
        ("revision", -1),
        ("flatten_limit", 0.0),
        ("flatten_falloff", "some"),
        ("colour", 3),
        ("version", 2),
    ],
)
def test_wrong_values_are_named(tmp_path, key, value):
    path = tmp_path / ADJUST_FILE
    write_adjustment(path, FULL, revision=1)
    contents = json.loads(path.read_text())
    path.write_text(json.dumps({**contents, key: value}))
    with pytest.raises(InputError, match=key.replace("_", ".")):
        read_adjustment(path)


def test_fuzzed_files_bring_only_input_errors(tmp_path):
    """Bytes flipped, cut and doubled in 400 ways: each is either read as a valid correction or refused."""
    path = tmp_path / ADJUST_FILE
    write_adjustment(path, FULL, revision=1)
    good, dice = path.read_bytes(), random.Random(11)
    refused = 0
    for _ in range(400):
        data = bytearray(good)
        for _ in range(dice.randint(1, 4)):
            at = dice.randrange(len(data))
            match dice.randrange(3):
                case 0:
                    data[at] = dice.randrange(256)
                case 1:
                    del data[at : at + dice.randint(1, 40)]
                case _:
                    data[at:at] = data[at : at + dice.randint(1, 40)]
            if not data:
                break
        path.write_bytes(bytes(data))
        try:
            adjustment, revision = read_adjustment(path)
        except InputError:
            refused += 1
        else:
            assert isinstance(adjustment, Adjustment)
            assert 0.1 <= adjustment.scale <= 10.0
            assert revision >= 0
    assert refused > 200
