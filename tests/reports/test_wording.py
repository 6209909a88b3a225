"""Numbers and keys as a reader sees them."""

import pytest

from rigwarp.reports.wording import flat_rows, key_words, quantity, share, with_sigma
from rigwarp.words import number


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.140, "0.140"),
        (61.72, "61.7"),
        (12345.6, "12346"),
        (0.00012, "0.000120"),
        (-4.3e-5, "-4.30·10⁻⁵"),
        (-2.0, "-2.00"),
        (0.0, "0"),
        (7, "7"),
        (True, "yes"),
        (None, "-"),
        (float("nan"), "-"),
        (float("inf"), "-"),
    ],
)
def test_number(value, text):
    assert number(value) == text


def test_quantity_keeps_its_unit_on_the_line():
    assert quantity(0.5, "mm") == "0.500\u00a0mm"
    assert quantity(None, "mm") == "-"


@pytest.mark.parametrize(
    ("value", "sigma", "texts"),
    [(31.46, 4.02, ("31.5", "4.0")), (0.123456, 0.0021, ("0.1235", "0.0021")), (512.0, 33.0, ("512", "33"))],
)
def test_decimals_follow_the_uncertainty(value, sigma, texts):
    assert with_sigma(value, sigma, "µm") == tuple(f"{text}\u00a0µm" for text in texts)


def test_share():
    assert share(0.9871) == "98.7\u00a0%"
    assert share(None) == "-"


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("rms_without_power_um", "rms without power (µm)"),
        ("p95_mm", "P95 (mm)"),
        ("scan", "scan"),
        ("largest_dark_mm2", "largest dark (mm²)"),
        ("seconds", "seconds"),
    ],
)
def test_keys_become_words(key, words):
    assert key_words(key) == words


def test_nested_objects_become_rows():
    rows = flat_rows({"noise": {"floor": 0.5}, "shape": [1, 2.5], "long": list(range(40)), "none": {}})
    assert rows == [("noise: floor", "0.500"), ("shape", "1, 2.50"), ("long", "40 entries"), ("none", "none")]
