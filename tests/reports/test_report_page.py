"""The report page: self-contained, well-formed, true to its files, and honest about what is missing."""

import base64
import hashlib
import json
import re
from html.parser import HTMLParser
from importlib.resources import files

import cv2
import numpy as np
import pytest

from rigwarp.cli import main
from rigwarp.files import open_rig, write_json
from rigwarp.jobs.results.budget import write_budget
from rigwarp.reports.figures import style as figures_style
from rigwarp.reports.measures import table_raster
from rigwarp.reports.report import write_report

VOID = {"meta", "img", "br", "hr", "link", "input"}


class Page(HTMLParser):
    """Checks nesting while reading, and collects what the tests look at."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.images, self.links, self.ids, self.tags, self.words = [], [], [], [], set(), []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attributes):
        attributes = dict(attributes)
        self.tags.add(tag)
        if tag not in VOID:
            self.open.append(tag)
        if tag == "img":
            self.images.append(attributes)
        if tag == "a":
            self.links.append(attributes["href"])
        if "id" in attributes:
            self.ids.append(attributes["id"])

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self):
        return re.sub(r"\s+", " ", " ".join(self.words))


@pytest.fixture
def page_of(monkeypatch):
    """Makes a page; to save time cells are coarse, and the figures, which other tests look at, become one white dot."""
    monkeypatch.setattr(table_raster, "_CELLS_ACROSS", 50)
    done, dot = cv2.imencode(".png", np.full((1, 1, 3), 255, np.uint8))
    assert done
    monkeypatch.setattr(figures_style, "png", lambda figure, **_: dot.tobytes())

    def make(folder, result):
        return Page(write_report(folder, result).read_text(encoding="utf-8"))

    return make


def test_page_is_whole_and_needs_nothing_else(finished):
    folder, result = finished
    page = Page(write_report(folder, result).read_text(encoding="utf-8"))
    # residuals in short and in their chapter, photos; rig; grid, against design, size, brightness, design's light,
    # budget, sigma;
    # height, height without power, slopes, Zernike
    assert len(page.images) == 15
    for image in page.images:
        kind, data = image["src"].split(",", 1)
        assert kind == "data:image/png;base64"
        picture = cv2.imdecode(np.frombuffer(base64.b64decode(data), np.uint8), cv2.IMREAD_COLOR)
        assert picture.shape[1] == 1200
        assert len(image["alt"]) > 20
    assert page.tags.isdisjoint({"script", "link", "iframe", "object"})
    text = (finished[1] / "report.html").read_text(encoding="utf-8")
    assert not re.search(r"(src|href)=\"(?!data:|#)", text)
    assert "http:" not in text
    assert "https:" not in text
    assert "@import" not in text
    assert not re.search(r"url\(", text)


def test_every_chapter_can_be_reached(finished, page_of):
    page = page_of(*finished)
    assert len(page.ids) == len(set(page.ids))
    assert {link.removeprefix("#") for link in page.links} <= set(page.ids)
    assert len(page.links) == 8


def test_page_says_the_numbers_of_its_files(finished, page_of):
    folder, result = finished
    text = page_of(folder, result).text
    verification = json.loads((result / "verification.json").read_text())
    for when in ("before", "after"):
        assert f"{verification[when]['p95_mm']:.3g}"[:4] in text
    for words in (
        "0.0410 mm rms",
        "98.7 %",
        "61.7 µm",
        "spin about the mirror's axis",
        "20260102T030405Z",
        folder.rig_hash,
    ):
        assert words in text.replace("\u00a0", " ")
    assert "0.573" in text  # 0.01 rad of projector turn, in degrees
    assert re.search(rf"Result {result.name}, made 20\d\d-\d\d-\d\d at \d\d:\d\d UTC with rigwarp \d", text)


def test_verdicts_follow_the_tolerances(finished, page_of):
    page = page_of(*finished)
    verdicts = [word.strip() for word in page.words if word.strip() in ("pass", "fail", "not measured")]
    assert verdicts == ["pass", "fail"]  # P95 of about 0.15 mm against 0.5 mm; 61.7 um against 50 um


def test_terms_that_are_noise_get_no_workshop_hint(finished, page_of):
    text = page_of(*finished).text
    assert "wrong radius" in text  # power: 31.5 +- 4 um
    assert "uneven clamping" not in text  # astigmatism: 0.5 +- 2 um
    assert "not a diagnosis" in text


def test_an_empty_result_is_said_to_be_empty(small_folder, page_of, tmp_path):
    result = tmp_path / "rig" / "results" / "20260101T000000Z"
    result.mkdir(parents=True)
    page = page_of(small_folder, result)
    assert [image["alt"][:9] for image in page.images] == ["Projector"]  # rig.toml is there, and only that
    for name in (
        "map.npz",
        "fit.json",
        "verification.json",
        "as_built.json",
        "as_built.npz",
        "stop.json",
        "camera.json",
    ):
        assert f"no {name} in the folder" in page.text
    assert "must not be used" in page.text
    assert [w.strip() for w in page.words].count("not measured") >= 2


@pytest.mark.parametrize(
    "name",
    [
        "map.npz",
        "fit.json",
        "verification.json",
        "as_built.json",
        "as_built.npz",
        "budget.json",
        "pictures/check_after.png",
    ],
)
def test_a_damaged_part_is_named_and_the_rest_is_shown(finished, page_of, name):
    folder, result = finished
    path = result / name
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    page = page_of(folder, result)
    assert path.name in page.text
    assert len(page.images) >= 5


@pytest.mark.parametrize(
    "verification",
    [
        {"after": None},
        {"after": {"n": 5}},
        {"after": {"p95_mm": "much", "points_mm": "none", "vectors_mm": [1, 2]}},
        {"before": [], "after": {"p95_mm": 0.3, "points_mm": [[0, 0], [1]], "vectors_mm": [[0, 0], [1, 1]]}},
        {
            "after": {
                "p95_mm": 0.3,
                "points_mm": [],
                "vectors_mm": [],
                "similarity": {"scale": None, "shift_mm": [None]},
            }
        },
    ],
)
def test_odd_verification_files_do_not_stop_the_report(finished, page_of, verification):
    folder, result = finished
    write_json(result / "verification.json", verification, format="rigwarp verification", replace=True)
    page_of(folder, result)


def test_power_that_the_data_do_not_tell_is_not_judged(finished, page_of):
    """The total rests on the most probable power: neither pass nor fail, unless the rest alone is too much."""
    folder, result = finished
    for rest_um, verdict in ((12.5, "undecided"), (73.0, "fail")):
        figures = {"rms_um": 99.7, "rms_without_power_um": rest_um, "power_pv_um": None, "from": "height map"}
        terms = [{"n": 2, "m": 0, "um": None, "sigma_um": None}, {"n": 2, "m": 2, "um": 30.0, "sigma_um": 1.0}]
        contents = {
            "figures": figures,
            "power": {"determined": False, "note": "told by the tolerances"},
            "zernike": {"terms": terms, "aperture_radius_mm": 27.5, "from": "least squares"},
            "unobservable": ["radius against distance"],
        }
        write_json(result / "as_built.json", contents, format="rigwarp as built", replace=True)
        page = page_of(folder, result)
        assert [w.strip() for w in page.words if w.strip() in ("pass", "fail", "undecided")] == ["pass", verdict]
        assert "Told by the tolerances." in page.text
        assert "power, peak to valley (A) not told by the data" in page.text
        assert "Z(2, 0) power not told" in page.text
        assert "uneven clamping" in page.text


def test_mounting_is_shown_in_millimetres_and_degrees(finished, page_of):
    folder, result = finished
    pose = {
        "mirror_turn_mrad_x": {"value": 50.0, "sigma": 5.0, "tolerance": 10.0},
        "mirror_shift_mm_y": {"value": None, "sigma": None, "tolerance": 1.0},
        "optics": {"throw_ratio_share": {"value": 0.004, "sigma": 0.001, "tolerance": 0.005}},
        "from": "fit",
    }
    write_json(result / "as_built.json", {"pose": pose}, format="rigwarp as built", replace=True)
    text = page_of(folder, result).text.replace("\u00a0", " ")
    assert "mirror turn x 2.86 ° 0.29 ° 0.57 ° 5.0 tolerances away" in text  # 50 mrad = 2.865 deg
    assert "mirror shift y not told by the data 1.0 mm" in text
    assert "throw ratio 0.40 % 0.10 % 0.50 %" in text


@pytest.mark.parametrize("nested", [True, False])
def test_form_figures_are_put_into_words(finished, page_of, nested):
    folder, result = finished
    figures = {"rms_um": 38.25, "rms_without_power_um": 12.5, "noise_rms_um": 4.75, "n": 900, "ripple_period_mm": 2.5}
    contents = {"figures": figures} if nested else figures
    write_json(result / "as_built.json", contents, format="rigwarp as built", replace=True)
    text = page_of(folder, result).text.replace("\u00a0", " ")
    assert "by 38.2 µm rms after the best rigid alignment, within the 50 µm" in text
    assert "12.5 µm without power" in text
    assert "uncertain by 4.8 µm" in text
    assert "total, rms (RMSt) 38.2 µm" in text
    assert "grid points 900" in text
    assert "ripple period (mm) 2.50" in text


def test_odd_as_built_files_do_not_stop_the_report(finished, page_of):
    folder, result = finished
    odd = {"figures": [1], "zernike": [[2], {"n": 2, "m": 0, "um": 3.5}, "x"], "unobservable": "spin", "poses": None}
    write_json(result / "as_built.json", odd, format="rigwarp as-built", version=7, replace=True)
    page = page_of(folder, result)
    assert "3.50" in page.text


def test_budget_is_shown_by_cause_and_region(finished, page_of):
    folder, result = finished
    budget = json.loads((result / "budget.json").read_text())
    text = page_of(folder, result).text.replace("\u00a0", " ")
    for cause in budget["causes"]:
        assert cause["name"] in text
        assert cause["how"] in text
    whole = {region["name"]: region for region in budget["regions"]}["all"]
    assert f"uncertain by ± {whole['expanded_mm']:.2f} mm per axis (k = 2)" in text
    assert f"expanded, k = 2 {1000 * budget['regions'][0]['expanded_mm']:.0f} µm" in text
    assert f"{100 * budget['check_grid']['inside']:.1f} %" in text


@pytest.mark.parametrize(
    "budget",
    [
        {},
        {"causes": "none", "regions": 3, "check_grid": []},
        {
            "causes": [{"key": "a"}, "b"],
            "regions": [{"name": "all", "sigma_mm": {"a": "much"}, "expanded_mm": None}, 7],
        },
        {"causes": [{}], "regions": [{}], "check_grid": {"n": None, "inside": "most"}},
    ],
)
def test_odd_budget_files_do_not_stop_the_report(finished, page_of, budget):
    folder, result = finished
    write_json(result / "budget.json", budget, format="rigwarp budget", replace=True)
    page_of(folder, result)


def test_a_budget_without_the_camera_is_owned_up_to(finished, page_of):
    """camera.json made elsewhere, without a covariance: the sums are too small, and no ± stands in the summary."""
    folder, result = finished
    camera = json.loads((folder.root / "camera.json").read_text())
    (folder.root / "camera.json").write_text(json.dumps({k: v for k, v in camera.items() if k != "covariance"}))
    write_budget(folder, result)
    text = page_of(folder, result).text
    assert "camera.json states no covariance" in text
    assert "perfect ruler" not in text
    assert "mesh of the warp" in text


def test_files_are_listed_with_their_hashes(finished, page_of):
    """Those of the scans too, whether start.json lists them (a fit) or map.npz alone does (a corrected result)."""
    folder, result = finished
    stamps = ("20260102T030405Z", "20260102T030500Z")
    for stamp in stamps:
        (folder.root / "scans" / stamp).mkdir(parents=True)
        (folder.root / "scans" / stamp / "decoded.npz").write_text(stamp)
    start = json.loads((result / "start.json").read_text())
    for settings, listed in (({"scans": stamps[1:]}, stamps[1:]), ({"from": "elsewhere"}, stamps[:1])):
        (result / "start.json").write_text(json.dumps({**start, "settings": settings}))
        text = page_of(folder, result).text
        files = [folder.root / "rig.toml", folder.root / "camera.json", result / "map.npz", result / "budget.json"]
        for path in files + [folder.root / "scans" / stamp / "decoded.npz" for stamp in listed]:
            name = path.relative_to(folder.root).as_posix()
            assert f"{name} {hashlib.sha256(path.read_bytes()).hexdigest()}" in text


def test_a_changed_rig_is_warned_of_and_the_old_one_is_shown(finished, page_of):
    folder, result = finished
    file = folder.root / "rig.toml"
    file.write_text(file.read_text().replace("content_p95_mm = 0.5", "content_p95_mm = 0.01"))
    page = page_of(open_rig(folder.root), result)
    assert "has changed since" in page.text
    assert "at most 0.5 mm" in page.text


def test_names_are_text_not_markup(finished, page_of):
    folder, result = finished
    file = folder.root / "rig.toml"
    file.write_text(file.read_text().replace("Harbour chart table", "<b onclick='x'>Tom & Co</b>"))
    (result / "start.json").unlink()  # today's rig is shown
    page = page_of(open_rig(folder.root), result)
    assert "b" not in page.tags
    assert "<b onclick='x'>Tom & Co</b>" in page.text


@pytest.mark.usefixtures("page_of")
def test_the_report_is_made_again_in_place_of_the_old_one(finished):
    folder, result = finished
    first = write_report(folder, result).read_bytes()
    assert write_report(folder, result).read_bytes() == first  # nothing in it depends on when it was made


@pytest.mark.usefixtures("page_of")
def test_command_writes_the_report_of_the_current_result(finished, capsys):
    folder, result = finished
    assert main(["report", str(folder.root), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["report"] == (result / "report.html").as_posix()
    assert (result / "report.html").stat().st_size > 10_000


def test_command_without_a_result_says_what_to_do(small_folder, capsys):
    assert main(["report", str(small_folder.root)]) == 3
    assert "rigwarp fit" in capsys.readouterr().err


def schemes():
    """Custom properties of the style sheet, by colour scheme."""
    css = files("rigwarp.reports").joinpath("templates/report.css").read_text(encoding="utf-8")
    found = {}
    for name, block in zip(("light", "dark", "print"), re.findall(r":root \{(.*?)\}", css, re.DOTALL), strict=True):
        found[name] = dict(re.findall(r"--(\w+): (#\w{6});", block))
    return found


def relative_luminance(colour):
    """WCAG 2.1, definition of relative luminance."""
    share = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
@pytest.mark.parametrize("ink", ["text", "quiet", "link", "pass", "fail", "open"])
def test_every_ink_can_be_read_on_every_ground(scheme, ink):
    """Contrast of 4.5 : 1 (WCAG 2.1, 1.4.3), on the page and on the bands of tables and warnings."""
    colours = schemes()[scheme]
    for ground in ("page", "band"):
        bright, dark = sorted((relative_luminance(colours[ink]), relative_luminance(colours[ground])), reverse=True)
        assert (bright + 0.05) / (dark + 0.05) >= 4.5
