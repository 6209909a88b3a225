"""Reports, jobs and commands take records: no key of a result file is looked up by its name in a dict."""

import re
from pathlib import Path

import rigwarp


def test_no_dict_of_a_result_file_is_asked_for_a_key():
    rooms = [Path(rigwarp.__file__).parent / room for room in ("reports", "jobs", "commands")]
    sources = [list(room.rglob("*.py")) for room in rooms]
    assert min(map(len, sources)) > 20
    assert [str(path) for room in sources for path in room if '.get("' in path.read_text()] == []


def test_records_alone_read_and_write_result_files():
    """No job or command reads JSON, or writes it, past the records of `rigwarp.files`."""
    rooms = [Path(rigwarp.__file__).parent / room for room in ("reports", "jobs", "commands")]
    sources = [path for room in rooms for path in room.rglob("*.py")]
    assert [str(path) for path in sources if re.search(r"\b(read|write)_json\b", path.read_text())] == []
