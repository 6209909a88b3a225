"""The drawing of rig.toml: parts where the file has them, light as the law of reflection has it."""

from pathlib import Path

import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from rigwarp.files import RigFolder, open_rig
from rigwarp.jobs.bench.check import draw_sketch
from rigwarp.reports.figures import style
from rigwarp.reports.figures.sketch import rig_sketch
from rigwarp.scenarios import create_rig


def views(monkeypatch: pytest.MonkeyPatch, folder: RigFolder) -> dict[str, Axes]:
    drawn: list[Figure] = []

    def kept(figure: Figure, **_: str) -> bytes:
        drawn.append(figure)
        return b""

    monkeypatch.setattr(style, "png", kept)
    rig_sketch(folder.rig, meshes=folder.meshes, profiles=folder.profiles)
    return {axes.get_title(): axes for axes in drawn[0].axes}


def middle_ray(axes: Axes) -> list[tuple[float, float]]:
    (line,) = [line for line in axes.lines if line.get_color() == style.ORANGE]
    return [(float(x), float(y)) for x, y in zip(*line.get_data(), strict=True)]


def test_light_goes_from_the_projector_over_the_mirror_to_the_table(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A mirror that is turned the wrong way is seen: its light does not come down on the table."""
    create_rig("round-table", tmp_path / "rig")
    folder = open_rig(tmp_path / "rig")
    seen = views(monkeypatch, folder)
    at = folder.rig.projector.placement.position_mm
    for title, i, j in (("from the front", 0, 2), ("from the right", 1, 2), ("from above", 0, 1)):
        assert middle_ray(seen[title])[0] == pytest.approx((at[i], at[j]))
    side = middle_ray(seen["from the right"])
    assert len(side) == 3
    assert side[2][1] == pytest.approx(folder.rig.table.height_mm)
    path = tmp_path / "rig" / "rig.toml"
    text = path.read_text()
    turned = text.replace("[-28.6, 0.0, 0.0]", "[28.6, 0.0, 0.0]")
    assert turned != text
    path.write_text(turned)
    off = middle_ray(views(monkeypatch, open_rig(tmp_path / "rig"))["from the right"])
    assert len(off) < 3 or abs(off[2][0]) > 0.5 * max(folder.rig.table.size_mm)


def test_a_drawing_of_the_same_rig_is_not_drawn_again(tmp_path: Path) -> None:
    create_rig("round-table", tmp_path / "rig")
    path = draw_sketch(open_rig(tmp_path / "rig"))
    drawn = path.stat().st_mtime_ns
    draw_sketch(open_rig(tmp_path / "rig"))
    assert path.stat().st_mtime_ns == drawn
    rig_file = tmp_path / "rig" / "rig.toml"
    rig_file.write_text(rig_file.read_text().replace("-28.6", "-28.5"))
    draw_sketch(open_rig(tmp_path / "rig"))
    assert path.stat().st_mtime_ns > drawn
    path.write_bytes(path.read_bytes()[:100])  # a damaged one is
    assert len(draw_sketch(open_rig(tmp_path / "rig")).read_bytes()) > 100


def test_every_number_of_the_drawing_is_inside_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[Figure] = []
    finished = style.png
    monkeypatch.setattr(style, "png", lambda figure, **words: drawn.append(figure) or finished(figure, **words))
    create_rig("round-table", tmp_path / "rig")
    folder = open_rig(tmp_path / "rig")
    rig_sketch(folder.rig, meshes=folder.meshes, profiles=folder.profiles)
    (figure,) = drawn
    for axes in figure.axes:
        low, high = sorted(axes.get_xlim())
        for label in axes.get_xticklabels():
            if low <= label.get_position()[0] <= high:
                assert label.get_window_extent().x1 <= figure.bbox.x1
