"""`rigwarp samples` as it is typed: folders, exports, resuming, tables, predictions and messages."""

import contextlib
import io
import json
import re
import shutil
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from samples_bench import MeasuredCycle
from samples_truth import seen_slopes

from rigwarp.capture.scans.frames_folder import read_frames
from rigwarp.cli import main
from rigwarp.files import read_photo
from rigwarp.files.atomic import plain_json
from rigwarp.files.records.samples import CycleRecord
from rigwarp.geometry import Photo
from rigwarp.jobs.samples.bench_folder import open_bench_folder
from rigwarp.jobs.samples.compare import compare_samples, comparison_json
from rigwarp.jobs.samples.demo import judge_offcuts
from rigwarp.simulation.samples.truth import turned_by_90

commands = import_module("rigwarp.commands.samples")


def run(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    code = main(["samples", *map(str, words)])
    out, err = capsys.readouterr()
    return code, out, err


@pytest.fixture(scope="module")
def new_bench(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, str]:
    """A folder made by the command, and what it wrote to stdout and stderr."""
    root = tmp_path_factory.mktemp("new") / "bench"
    with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.redirect_stderr(io.StringIO()) as err:
        assert main(["samples", "new", str(root), "--json"]) == 0
    return root, out.getvalue(), err.getvalue()


def test_new_makes_a_bench_to_edit(new_bench: tuple[Path, str, str], capsys: pytest.CaptureFixture[str]) -> None:
    root, out, err = new_bench
    files = {Path(name).name for name in json.loads(out)["files"]}
    assert files == {"bench.toml", "seat-template-A4.pdf", "where-to-put-what-A4.pdf"}
    assert "laser" in err
    code, _, err = run(capsys, "new", root)
    assert code == 3
    assert "empty folder" in err


def test_the_template_has_its_true_size(new_bench: tuple[Path, str, str]) -> None:
    """Read back by pdfium: the ruler of 100 mm and the opening's rectangle."""
    import pypdfium2

    page = pypdfium2.PdfDocument(new_bench[0] / "pages" / "seat-template-A4.pdf")[0]
    assert page.get_size() == pytest.approx((210 / 25.4 * 72, 297 / 25.4 * 72), abs=0.1)
    widths = [(right - left) / 72 * 25.4 for left, _, right, _ in (one.get_bounds() for one in page.get_objects())]
    assert min(abs(width - 100.0) for width in widths) < 1.0  # the line is half a millimetre wide


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["mesure", "B"], 2, "expected one of: new, check"),
        (["measure", "B"], 2, "expected a sample's name"),
        (["compare", "B"], 3, "samples measure"),
        (["measure", "B", "No Name"], 3, "lower-case letters"),
        (["measure", "B", "glass"], 3, "is the reference"),
        (["measure", "B", "unobtainium"], 3, "has no piece"),
    ],
)
def test_mistakes_are_named(
    cycle: MeasuredCycle,
    remembered: None,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    words: list[str],
    code: int,
    message: str,
) -> None:
    root = tmp_path / "bench"
    root.mkdir()
    for name in ("bench.toml", "virtual_samples.toml"):
        shutil.copy(cycle.folder.root / name, root)
    if "unobtainium" in words:  # the reference's photographs are there: only the sample is missing
        shutil.copytree(cycle.run / "R1", root / "measured" / "unobtainium" / "20260101T000000Z" / "R1")
    found, _, err = run(capsys, *[str(root) if word == "B" else word for word in words])
    assert (found, message in err) == (code, True), err


def test_a_wrong_key_in_bench_toml(cycle: MeasuredCycle, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (cycle.folder.root / "bench.toml").read_text(encoding="utf-8").replace("angle_deg", "angel_deg")
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    code, _, err = run(capsys, "compare", tmp_path)
    assert code == 3
    assert "Did you mean angle_deg?" in err


def test_what_is_written_is_read_back(cycle: MeasuredCycle) -> None:
    record = CycleRecord.read(cycle.run / "cycle.json")
    assert record.more == {}
    assert {"run": str(cycle.run), **json.loads(json.dumps(plain_json(record.to_dict())))} == cycle.said
    assert record.closure_good is True


class Replayed:
    """A seat that shows and photographs again what one leg of a cycle was; Ctrl-C where there is no more."""

    def __init__(self, photos: list[Photo]) -> None:
        self.display = self.camera = self
        self.laid_in: list[str] = []
        self._photos = iter(photos)

    def lay_in(self, name: str, *, again: bool, turned: bool) -> None:
        self.laid_in.append(name)

    def show(self, frame: Photo) -> None: ...

    def grab(self) -> Photo:
        photo = next(self._photos, None)
        if photo is None:
            raise KeyboardInterrupt
        return photo


def test_an_interrupted_cycle_goes_on(
    cycle: MeasuredCycle,
    remembered: None,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """All photographs but the last are there: its leg is photographed anew, and the figures are the whole cycle's."""
    root = tmp_path / "box"
    shutil.copytree(cycle.folder.root, root)
    again = root / "measured" / "polystyrene-a" / cycle.run.name
    (again / "cycle.json").unlink()
    (again / "slopes.npz").unlink()
    (again / "R2" / "frames" / "0085.png").unlink()
    seat = Replayed([])
    monkeypatch.setattr(commands, "open_seat", lambda *_, **__: contextlib.nullcontext(seat))
    code, _, err = run(capsys, "measure", root, "polystyrene-a")
    assert (code, "photographs of R1 and S1 and S2 are kept; the same command goes on with R2" in err) == (130, True)
    seat = Replayed([read_photo(path) for path in read_frames(cycle.run / "R2" / "frames", 86)])
    code, out, _ = run(capsys, "measure", root, "polystyrene-a", "--json")
    assert code == 0
    assert seat.laid_in == ["glass"]
    said = json.loads(out)
    assert Path(said["run"]) == again
    assert said["reflectance"] == pytest.approx(cycle.said["reflectance"], abs=1e-6)
    assert len(list(again.glob("R2-refused/frames/*.png"))) == 85  # what there was is kept


def test_photographs_made_elsewhere(
    cycle: MeasuredCycle, remembered: None, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root, away = tmp_path / "box", tmp_path / "away"
    root.mkdir()
    shutil.copy(cycle.folder.root / "bench.toml", root)
    small = tmp_path / "small"  # pictures take their time to be written
    small.mkdir()
    text = (root / "bench.toml").read_text(encoding="utf-8").replace("[1280, 720]", "[320, 180]")
    (small / "bench.toml").write_text(text, encoding="utf-8")
    code, out, _ = run(capsys, "measure", small, "--export", away, "--json")
    assert code == 0
    assert len(json.loads(out)["pictures"]) == 86
    for leg in ("R1", "S1", "S2"):
        shutil.copytree(cycle.run / leg / "frames", away / leg)
    code, _, err = run(capsys, "measure", root, "polystyrene-a", "--import", away)
    assert code == 3
    assert "R2" in err
    assert "the reference" in err
    shutil.copytree(cycle.run / "R2" / "frames", away / "R2")
    code, out, _ = run(capsys, "measure", root, "polystyrene-a", "--import", away, "--json")
    assert code == 0
    figures = json.loads(out)
    assert figures["blur_mrad"] == cycle.said["blur_mrad"]
    dark = away / "S2" / "0000.png"
    shutil.copy(away / "S2" / "0001.png", dark)
    code, _, err = run(capsys, "measure", root, "polystyrene-a", "--import", away)
    assert code == 5
    assert "no light on the screen" in err
    assert len(list((root / "measured" / "polystyrene-a").glob("*-refused/S2-refused/frames/*.png"))) == 86
    # nothing is lost, and no cycle at the bench goes on with it


@pytest.fixture
def compared(cycle: MeasuredCycle, tmp_path: Path) -> Path:
    """Three samples of four cycles each: the measured one, its twin, and one that differs."""
    root = tmp_path / "box"
    root.mkdir()
    shutil.copy(cycle.folder.root / "bench.toml", root)
    record = CycleRecord.read(cycle.run / "cycle.json")
    shifts: dict[str, float] = {"polystyrene-a": 0.0, "polystyrene-b": 0.001, "acrylic": -0.06}
    for name, shift in shifts.items():
        for i, wobble in enumerate((-0.0008, 0.0003, 0.0006, -0.0002)):
            where = root / "measured" / name / f"2026010{i + 1}T000000Z"
            where.mkdir(parents=True)
            values: dict[str, Any] = record.to_dict()
            sign = 1.0 if name != "polystyrene-b" else -1.0
            values |= {
                "sample": name,
                "reflectance": [one + shift + sign * wobble for one in record.reflectance or ()],
                "blur_mrad": [one * (1.0 + sign * 10 * wobble) + 5 * shift for one in record.blur_mrad or ()],
                "veil": [one + shift / 3 + sign * wobble * 3 for one in record.veil or ()],
            }
            CycleRecord.from_dict(values).write(where / "cycle.json")
    return root


def test_compare(compared: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = compared / "table.csv"
    code, out, _ = run(capsys, "compare", compared, "--csv", table, "--json")
    assert code == 0
    said = json.loads(out)
    answers = {(v["figure"], v["first"], v["second"]): v["answer"] for v in said["verdicts"]}
    twins = [
        a
        for (figure, *pair), a in answers.items()
        if "acrylic" not in pair and figure in ("reflectance", "blur_in_mrad")
    ]
    assert twins == ["the same within"] * 2
    assert [a for (figure, *pair), a in answers.items() if "acrylic" in pair and figure == "reflectance"] == [
        "different"
    ] * 2
    open_ones = [v for v in said["verdicts"] if v["answer"] == "not decided"]
    assert all(v["more_seatings"] is None or v["more_seatings"] > 0 for v in open_ones)
    for one in (figure for sample in said["samples"] for figure in sample["figures"].values()):
        # what the table shows: never less than cycles differ by
        assert one["sigma"] is None or one["standard_error"] is None or one["sigma"] >= one["standard_error"]
    rows = table.read_text(encoding="utf-8").splitlines()
    assert rows[0].startswith("sample,cycles,blur_in_mrad,blur_in_mrad_sigma,blur_in_mrad_error,")
    assert len(rows) == 4
    page = Path(said["report"]).read_text(encoding="utf-8")
    first = page.index("<table")
    assert first < page.index("<img")  # one table and one picture before anything else
    assert page.index("<img") < page.index('<section id="polystyrene-a"')
    assert "http" not in re.sub(r"data:image/png;base64,[A-Za-z0-9+/=]*|http-equiv", "", page)  # needs no network


def test_a_sample_turned_tells_material_from_bench(compared: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Its two blurs change places but for what the bench makes of them; turned cycles are in no mean."""
    before = json.loads(json.dumps(plain_json(comparison_json(compare_samples(open_bench_folder(compared))))))
    (figures,) = (one["figures"] for one in before["samples"] if one["name"] == "polystyrene-a")
    one, other = (figures[key]["mean"] for key in ("blur_in_mrad", "blur_across_mrad"))
    record = CycleRecord.read(next(compared.glob("measured/polystyrene-a/20260104*/cycle.json")))
    where = compared / "measured" / "polystyrene-a" / "20260109T000000Z-turned"
    where.mkdir()
    crests = ((record.crests_deg or 0.0) + 87.0) % 180.0
    values = record.to_dict() | {"turned": True, "blur_mrad": [1.1**2 * other, one], "crests_deg": crests}
    CycleRecord.from_dict(values).write(where / "cycle.json")
    code, out, _ = run(capsys, "compare", compared, "--json")
    assert code == 0
    said = json.loads(out)
    assert said["samples"] == before["samples"]
    found = said["turned"]["polystyrene-a"]
    assert found["bench"] == pytest.approx(1.1)
    assert found["material"] == pytest.approx(one / other / 1.1)
    assert found["crests_turned_deg"] == pytest.approx(87.0)
    assert "Turned by 90 degrees, polystyrene-a" in Path(said["report"]).read_text(encoding="utf-8")


def test_a_piece_turned_in_the_virtual_seat(cycle: MeasuredCycle) -> None:
    """Slopes at a place turned are the slopes there before, turned.

    Left out are the beam's width, since it is no circle, and the sheet's thickness, which the beam crosses along its
    plane of incidence.
    """
    thin = replace(cycle.truth, pupil_mm=1e-6)
    piece = replace(cycle.truth.pieces["polystyrene-a"], thickness_mm=0.0)
    there = np.array([[3.0, -2.0], [-7.0, 1.0]])
    before = seen_slopes(thin, piece, there)
    after = seen_slopes(thin, turned_by_90(piece), np.stack([-there[:, 1], there[:, 0]], axis=-1))
    np.testing.assert_allclose(after, np.stack([-before[:, 1], before[:, 0]], axis=-1), atol=1e-12)
    assert list(turned_by_90(piece).core_rad) == list(piece.core_rad[::-1])


def test_the_offcut_box_is_judged_by_what_its_pieces_are(cycle: MeasuredCycle) -> None:
    """The end of `rigwarp demo offcut-box`, with the one piece that was measured: estimate and closed form agree."""
    made = judge_offcuts(cycle.folder)
    assert made.report.stat().st_size > 100_000
    figures = made.against_truth["polystyrene-a"]
    assert list(figures) == ["blur_in_mrad", "blur_across_mrad", "veil", "reflectance"]
    assert figures["reflectance"][0] == pytest.approx(np.mean(cycle.said["reflectance"]), abs=1e-9)
    assert figures["reflectance"][0] == pytest.approx(figures["reflectance"][1], rel=0.005)
    assert figures["veil"][0] == pytest.approx(figures["veil"][1], abs=0.002)
    for key in ("blur_in_mrad", "blur_across_mrad"):  # by the very part that is seen: see test_blur
        assert figures[key][0] == pytest.approx(figures[key][1], rel=0.05)
    assert len(made.compared.heads()) == len(made.compared.rows()[0])


def test_predict(compared: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", str(tmp_path / "rig"), "--json"]) == 0
    rig = tmp_path / "rig" / "rig.toml"
    text = rig.read_text(encoding="utf-8")
    assert "resolution = [1280, 720]" in text
    rig.write_text(text.replace("resolution = [1280, 720]", "resolution = [640, 360]"), encoding="utf-8")
    capsys.readouterr()
    code, out, _ = run(capsys, "predict", compared, tmp_path / "rig", "--json")
    assert code == 0
    said = json.loads(out)
    sample, record = (
        said["samples"]["polystyrene-a"],
        CycleRecord.read(next(compared.glob("measured/polystyrene-a/*/cycle.json"))),
    )
    assert 200.0 < said["far_mm"] < 1000.0
    # in the plane of incidence the beam's angle is the bench's; the table lies square to it or slanted
    assert sample["blur_mm"][0] >= 0.99 * (record.blur_mrad or (0.0,))[0] / 1000.0 * said["far_mm"] * 0.9
    assert sample["contrast"] > 20
    assert sample["ghost_mm"] > 0.0
    assert sample["ghost_share"] == pytest.approx(0.066, abs=0.006)  # not seen, but bench.toml says: 1 mm of index 1.59
