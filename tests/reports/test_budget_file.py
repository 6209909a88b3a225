"""budget.json and what commands say of it."""

import json
from types import SimpleNamespace

import numpy as np
import pytest

from rigwarp.commands.console import Console
from rigwarp.commands.fit_text import print_budget
from rigwarp.commands.verify_text import print_coverage
from rigwarp.errors import InputError
from rigwarp.files import write_json
from rigwarp.jobs.results.budget import write_budget


def test_file_states_causes_regions_and_the_check(finished_once):
    _, result = finished_once
    budget = json.loads((result / "budget.json").read_text())
    assert (budget["format"], budget["version"], budget["coverage_factor"]) == ("rigwarp budget", 1, 2)
    keys = [cause["key"] for cause in budget["causes"]]
    for region in budget["regions"]:
        sigma = region["sigma_mm"]
        assert list(sigma) == keys
        assert region["combined_mm"] == pytest.approx(np.sqrt(sum(v**2 for v in sigma.values())), rel=1e-12)
        assert region["combined_mm"] == pytest.approx(np.hypot(region["repeatable_mm"], region["common_mm"]), rel=1e-12)
        assert region["expanded_mm"] == pytest.approx(2 * region["combined_mm"], rel=1e-12)
        assert sigma["decode"] == pytest.approx(0.004, rel=1e-9)  # as the made-up map has it, all of its random part
        assert sigma["map_fit"] == 0.0
    verification = json.loads((result / "verification.json").read_text())["after"]
    assert budget["check_grid"]["n"] == verification["n"]
    # of vectors per axis: the length's rms over sqrt 2
    assert budget["check_grid"]["rms_mm"] == pytest.approx(verification["rms_mm"] / np.sqrt(2.0), rel=1e-9)


def test_what_is_said_of_it(finished_once, capsys):
    folder, result = finished_once
    console = Console()
    print_budget(console, write_budget(folder, result))
    print_coverage(console, result)
    said = capsys.readouterr().out
    assert "uncertainty (k = 2, per axis)  centre 0." in said
    assert "most of it" in said
    assert "lie inside the budget's repeatable part" in said
    print_coverage(console, folder.root)  # no budget.json there
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(
    "after",
    [
        {"points_mm": [[0, 0]]},
        {"points_mm": [[0, 0], [1]], "vectors_mm": [[0, 0], [1, 1]]},
        {"points_mm": [[0, None]] * 9, "vectors_mm": [[0, 0]] * 9},
        {"points_mm": "x", "vectors_mm": "y"},
        {"points_mm": [[0, 0]] * 9, "vectors_mm": [[0, 0]] * 9, "sigma_mm": [1, 2]},
    ],
)
def test_a_verification_without_usable_dots_is_refused(finished, after):
    folder, result = finished
    before = (result / "budget.json").read_bytes()
    write_json(result / "verification.json", {"after": after}, format="rigwarp verification", replace=True)
    with pytest.raises(InputError, match="no list of dots"):
        write_budget(folder, result)
    assert (result / "budget.json").read_bytes() == before


def test_without_a_verification_there_is_no_check_grid(finished):
    folder, result = finished
    (result / "verification.json").unlink()
    assert write_budget(folder, result).check is None
    write_json(result / "verification.json", {"after": None}, format="rigwarp verification")
    assert write_budget(folder, result).check is None


def test_a_table_whose_shape_was_measured_is_not_assumed_flat(finished, monkeypatch):
    """Where the result knows the table's shape, what that leaves open takes the place of the assumption."""
    folder, result = finished
    assert write_budget(folder, result).flatness_mm == 0.2
    known = SimpleNamespace(sigma_mm=lambda places: np.full(places.shape[:-1], 0.003))
    shape = SimpleNamespace(correction=lambda: known)
    monkeypatch.setattr("rigwarp.jobs.results.budget.shape_of", lambda result, camera: shape)
    budget = write_budget(folder, result)
    assert budget.flatness_mm is None
    assert budget.regions[2].sigma_mm["flatness"] == pytest.approx(0.003, rel=1e-9)
    (cause,) = [cause for cause in budget.causes if cause.key == "flatness"]
    assert (cause.kind, "assumed" in cause.how) == ("A", False)
