"""How several tables are doing, the worst first: by their rig folders on this machine, or by the addresses of pages."""

import json
import time
import urllib.error
import urllib.request
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, Literal

from rigwarp.errors import InputError, RigwarpError
from rigwarp.files import open_rig
from rigwarp.files.page_key_file import page_keys
from rigwarp.files.records.heartbeat import PlayState, TableAnswer
from rigwarp.jobs.play_status import SILENT_S, player_status
from rigwarp.jobs.results.history import ResultSummary, results_of

State = Literal["silent", "off", "moved", "dark", "held", "idle", "well"]
_WORST: Final[tuple[State, ...]] = ("silent", "off", "moved", "idle", "dark", "held", "well")
_ANSWER_S: Final = 3.0
_MOST_BYTES: Final = 1 << 20
_AT_ONCE: Final = 8


@dataclass(frozen=True, kw_only=True)
class TableRow:
    """One table.

    Attributes
    ----------
    name : of the rig, or its address where it does not answer.
    state : "silent": no sign of life from a player; "off": the picture is out of tolerance; "moved": the last look
        found that something has moved; "idle": nothing has ever played there; else as it is called.
    source : what plays.
    off_mm, limit_mm : how far the picture was off when it was looked at last, and how much is allowed.
    operate, view : addresses of its page with the one key and the other; empty where it has none.
    """

    name: str
    state: State
    source: str = ""
    off_mm: float | None = None
    limit_mm: float | None = None
    operate: str = ""
    view: str = ""


def look_at_tables(places: Sequence[str]) -> list[TableRow]:
    """The tables in folders and at addresses, the worst first."""
    with ThreadPoolExecutor(max_workers=_AT_ONCE) as pool:
        rows = list(pool.map(look_at_table, places))
    return sorted(rows, key=lambda row: (_WORST.index(row.state), row.name))


def look_at_table(place: str) -> TableRow:
    """One table; whatever is wrong with it is its row's state, never an error."""
    return _at_address(place) if is_address(place) else _in_folder(Path(place))


def is_address(place: str) -> bool:
    """True for the address of a page, False for a folder."""
    return place.startswith(("http://", "https://"))


def require_table(place: str) -> None:
    """Raise InputError for what is neither a rig folder nor an address with a key."""
    if is_address(place):
        if "#k=" not in place:
            raise InputError(f"{place}: found no key behind a #. Take the whole address that the table's player shows.")
    else:
        open_rig(Path(place))


def _in_folder(root: Path) -> TableRow:
    try:
        folder = open_rig(root)
        current = next((one for one in results_of(folder) if one.current), None)
        keys, name = page_keys(folder.root), folder.rig.name
    except RigwarpError:
        return TableRow(name=str(root), state="silent")
    try:
        status = player_status(folder, None)
    except InputError:
        return TableRow(name=name, state="idle")
    says = replace(PlayState.from_dict(status.more), running=True, source=status.source)
    page, alive = says.page or "", time.time() - (status.unix_s or 0.0) <= SILENT_S
    ways = {"operate": f"{page}#k={keys.operate}", "view": f"{page}#k={keys.view}"} if page else {}
    return _row(name, current, says, alive=alive, **ways)


def _at_address(place: str) -> TableRow:
    plain, _, key = place.partition("#k=")
    request = urllib.request.Request(f"{plain.rstrip('/')}/state", headers={"Authorization": f"Bearer {key}"})
    try:
        with urllib.request.urlopen(request, timeout=_ANSWER_S) as answer:
            found: dict[str, Any] = json.loads(answer.read(_MOST_BYTES))
        says = TableAnswer.from_dict(found)
        current = next((ResultSummary(**one) for one in found["results"] if one["current"]), None)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, urllib.error.URLError):
        return TableRow(name=plain, state="silent")
    name, playing, alive = says.name or plain, says.state or PlayState(), says.fresh is True
    if says.role == "view":
        return _row(name, current, playing, alive=alive, view=place)
    looks = f"{plain.rstrip('/')}/"  # without the key: it would let lookers operate
    return _row(name, current, playing, alive=alive, operate=place, view=looks)


def _row(
    name: str, current: ResultSummary | None, playing: PlayState, *, alive: bool, operate: str = "", view: str = ""
) -> TableRow:
    off_mm = limit_mm = None
    state: State = "dark" if playing.dark is True else "held" if playing.running is False else "well"
    if current is not None:
        off_mm, limit_mm = current.p95_mm if current.look_p95_mm is None else current.look_p95_mm, current.limit_mm
        if off_mm is not None and off_mm > limit_mm:
            state = "off"
        elif current.look_findings and current.look_advice not in ("", "nothing"):
            state = "moved"
    return TableRow(
        name=name,
        state=state if alive else "silent",
        source=playing.source or "",
        off_mm=off_mm,
        limit_mm=limit_mm,
        operate=operate,
        view=view,
    )
