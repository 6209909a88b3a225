"""Figures for a monitoring system, read by Prometheus's own client library."""

import pytest
from prometheus_client.parser import text_string_to_metric_families

from rigwarp.talk.metrics import TYPE, metrics_text

STATE = {"fresh": 40, "repeated": 60, "late": 2, "dropped": 1, "swaps": 3, "interludes": 1, "refused": 0}


def test_what_is_written_is_read_by_an_outside_parser() -> None:
    text = metrics_text(
        {**STATE, "flips_per_second": 50.0},
        up=True,
        version='0.1"\\\n',
        memory_mib=120.5,
        p95_mm=0.25,
        checked_unix_s=1.7e9,
    )
    assert text.endswith("\n")
    assert "\r" not in text
    assert "version=0.0.4" in TYPE
    values = {
        (sample.name, tuple(sample.labels.items())): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }
    assert values[("rigwarp_up", ())] == 1.0
    assert values[("rigwarp_build_info", (("version", '0.1"\\\n'),))] == 1.0
    assert values[("rigwarp_frames_total", (("outcome", "repeated"),))] == 60.0
    assert values[("rigwarp_flip_period_seconds", ())] == pytest.approx(0.02)
    assert values[("rigwarp_resident_memory_bytes", ())] == 120.5 * 2**20
    assert values[("rigwarp_picture_error_mm", (("quantile", "0.95"),))] == 0.25
    assert values[("rigwarp_last_check_timestamp_seconds", ())] == 1.7e9


def test_what_is_not_known_has_no_line() -> None:
    text = metrics_text({}, up=False, version="1")
    names = {family.name for family in text_string_to_metric_families(text)}
    assert names == {"rigwarp_up", "rigwarp_build_info"}
    assert "nan" not in metrics_text({}, up=False, version="1", p95_mm=float("nan")).lower()
