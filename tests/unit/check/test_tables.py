"""frames.csv and findings.csv as another program reads them."""

from __future__ import annotations

import csv

from planewright.check import Judge, JudgeSettings, write_tables


def test_tables_hold_every_position_and_every_finding(tmp_path, good):
    judge = Judge(JudgeSettings(planned=24, step_um=2.5))
    for index, figures in enumerate(good[:9] + good[10:]):
        judge.add(index, figures)
    verdict = judge.close()
    write_tables(tmp_path, verdict)
    with (tmp_path / "frames.csv").open(newline="", encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    assert len(rows) == 24
    assert rows[9]["state"] == "missing"
    assert rows[9]["photograph"] == ""
    assert rows[10]["plane (from 1)"] == "11"
    assert float(rows[10]["z (um)"]) == 25.0
    assert float(rows[10]["background (counts)"]) > 0
    assert set(verdict.rows[10]) <= set(rows[10])
    with (tmp_path / "findings.csv").open(newline="", encoding="utf-8") as handle:
        found = list(csv.DictReader(handle))
    assert [row["code"] for row in found] == [f.code for f in verdict.findings]
    assert found[0]["first plane (from 1)"] == "10"
