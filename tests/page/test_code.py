"""The code to be photographed, on the table and in a terminal, read back by OpenCV; and `--page` without a port."""

import cv2
import numpy as np
import pytest

from rigwarp.cli import _with_page_port
from rigwarp.commands.page_text import code_lines
from rigwarp.files import open_rig
from rigwarp.live.operate.check_pictures import code_picture
from rigwarp.page.serve import address_of
from rigwarp.talk.hosts import outward_address
from rigwarp.talk.keys import PageKeys

KEYS = PageKeys(operate="o" * 22, view="v" * 22)
INK = {"█": (255, 255), "▀": (255, 0), "▄": (0, 255), " ": (0, 0)}
"""A terminal's letters, light on dark, as two pixels one above the other."""


def read(picture: np.ndarray) -> str:
    return cv2.QRCodeDetector().detectAndDecode(picture)[0]


def test_the_code_on_the_table_is_read_from_above(page_rig) -> None:
    address = address_of("127.0.0.1", 8373, KEYS, [])
    content = open_rig(page_rig).rig.content
    picture = code_picture(content, address.code)
    assert picture.shape == (400, 400, 3)
    assert read(cv2.resize(picture, None, fx=3, fy=3, interpolation=cv2.INTER_NEAREST)) == address.operate
    assert address.operate == f"http://127.0.0.1:8373/#k={KEYS.operate}"


def test_the_code_in_a_terminal_is_read(page_rig) -> None:
    address = address_of("127.0.0.1", 8373, KEYS, [])
    halves = np.array([[INK[letter] for letter in line] for line in code_lines(address.code)], np.uint8)
    picture = halves.transpose(0, 2, 1).reshape(-1, halves.shape[1])
    assert read(np.pad(picture, 8).repeat(8, 0).repeat(8, 1)) == address.operate


def test_a_page_for_the_network_is_found_by_an_address_of_the_network() -> None:
    assert address_of("0.0.0.0", 8373, KEYS, []).plain == f"http://{outward_address()}:8373/"
    assert address_of("0.0.0.0", 8373, KEYS, ["table.museum.example"]).plain == "http://table.museum.example:8373/"
    assert address_of("::1", 8373, KEYS, []).view == f"http://[::1]:8373/#k={KEYS.view}"


@pytest.mark.parametrize(
    ("given", "taken"),
    [
        (["play", "rig", "clip.mp4", "--page"], ["play", "rig", "clip.mp4", "--page", "8373"]),
        (["play", "rig", "--page", "clip.mp4"], ["play", "rig", "--page", "8373", "clip.mp4"]),
        (["play", "rig", "--page", "9000", "clip.mp4"], ["play", "rig", "--page", "9000", "clip.mp4"]),
        (["play", "rig", "--page", "--fast"], ["play", "rig", "--page", "8373", "--fast"]),
        (["page", "rig"], ["page", "rig"]),
        ([], []),
    ],
)
def test_a_page_without_a_port_gets_the_usual_one(given: list[str], taken: list[str]) -> None:
    assert _with_page_port(given) == taken
