"""Reports take records: no key of a result file is looked up by its name in a dict."""

from pathlib import Path

import rigwarp.reports


def test_no_dict_of_a_result_file_is_asked_for_a_key():
    sources = list(Path(rigwarp.reports.__file__).parent.rglob("*.py"))
    assert len(sources) > 20
    assert [path.name for path in sources if '.get("' in path.read_text()] == []
