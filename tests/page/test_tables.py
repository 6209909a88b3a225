"""Several tables, the worst first: by folders and by addresses."""

import time
from pathlib import Path
from types import ModuleType

import pytest
from page_player import TalkingPlayer

from rigwarp.errors import InputError
from rigwarp.files import open_rig
from rigwarp.files.records import DriftRecord, HeartbeatRecord, MapFigures
from rigwarp.jobs.results.history import results_of
from rigwarp.jobs.tables import look_at_table, look_at_tables, require_table


def alive(root: Path, *, ago_s: float = 0.0) -> None:
    HeartbeatRecord(unix_s=time.time() - ago_s, source="check:grid", more={"page": "http://127.0.0.1:1/"}).write(
        root / "heartbeat.json", replace=True
    )


def test_the_worst_comes_first(rigs: ModuleType, tmp_path: Path) -> None:
    roots = {name: rigs.make_rig(tmp_path / name) for name in ("well", "off", "moved", "idle", "silent")}
    for name in ("well", "off", "moved"):
        alive(roots[name])
    alive(roots["silent"], ago_s=60.0)
    for name, p95_mm, advice in (("off", 1.3, "scan"), ("moved", 0.2, "re-register")):
        (result,) = (roots[name] / "results").iterdir()
        DriftRecord(findings=("camera",), advice=advice, picture=MapFigures.from_dict({"p95_mm": p95_mm})).write(
            result / "drift.json"
        )
    rows = look_at_tables([str(root) for root in roots.values()])
    assert [row.state for row in rows] == ["silent", "off", "moved", "idle", "well"]
    off = rows[1]
    assert (off.off_mm, off.limit_mm, off.source) == (1.3, 0.5, "check:grid")
    assert off.view.startswith("http://127.0.0.1:1/#k=")
    assert off.view != off.operate
    assert rows[3].operate == ""


def test_a_table_elsewhere_is_asked_by_its_address(player: TalkingPlayer) -> None:
    looks = f"{player.origin}/#k={player.keys['view']}"
    deadline = time.monotonic() + 15.0
    while (row := look_at_table(looks)).state == "silent" and time.monotonic() < deadline:
        time.sleep(0.1)  # the player has just begun to tell its state
    assert (row.name, row.state, row.source) == ("small convex table", "well", "check:grid")
    assert (row.operate, row.view) == ("", looks)
    operates = look_at_table(f"{player.origin}/#k={player.keys['operate']}")
    assert operates.operate.endswith(player.keys["operate"])
    assert operates.view == f"{player.origin}/", "whoever may only look at the overview gets no key to operate by"
    assert look_at_table("http://127.0.0.1:1/#k=x").state == "silent"


def test_a_result_whose_start_is_damaged_keeps_no_other_from_being_listed(rigs: ModuleType, tmp_path: Path) -> None:
    root = rigs.make_rig(tmp_path / "rig")
    rigs.add_result(root, 2.0)
    first = min((root / "results").iterdir())
    (first / "start.json").write_text("{")
    results = results_of(open_rig(root))
    assert len(results) == 2
    assert first.name in [one.name for one in results]
    assert [one.made_utc == "" for one in results] == [one.name == first.name for one in results]


def test_what_is_no_table_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="behind a #"):
        require_table("http://127.0.0.1:8373/")
    with pytest.raises(InputError):
        require_table(str(tmp_path))
