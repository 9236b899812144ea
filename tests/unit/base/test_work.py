"""Blocks, budget and files."""

from __future__ import annotations

import errno
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from planewright.base.blocks import run_blocks
from planewright.base.files import (
    hash_file,
    hash_json,
    is_junk,
    read_text,
    same_name,
    whole_file,
    write_json,
    write_table,
)
from planewright.base.memory import blocks_in_flight, free_memory_bytes
from planewright.base.problems import Problem, SpaceProblem, StoppedProblem
from planewright.base.progress import Quiet


def test_results_keep_the_order_and_few_are_in_flight():
    under_way, most, gate = [0], [0], threading.Lock()

    def work(number: int) -> int:
        with gate:
            under_way[0] += 1
            most[0] = max(most[0], under_way[0])
        time.sleep(0.01 if number % 3 else 0.03)
        with gate:
            under_way[0] -= 1
        return number

    with ThreadPoolExecutor(5) as pool:
        got = list(run_blocks(work, range(20), executor=pool, in_flight=2, progress=Quiet()))
    assert got == list(range(20))
    assert most[0] == 2


def test_asked_to_stop_the_blocks_under_way_are_finished():
    quiet, done = Quiet(), []

    def work(number: int) -> int:
        if number == 3:
            quiet.ask_to_stop()
        time.sleep(0.01)
        done.append(number)
        return number

    with ThreadPoolExecutor(2) as pool, pytest.raises(StoppedProblem, match="Stopped"):
        list(run_blocks(work, range(100), executor=pool, in_flight=2, progress=quiet))
    assert 3 in done
    assert len(done) < 10


def test_a_problem_in_a_block_is_told():
    def work(number: int) -> int:
        raise Problem(f"block {number}")

    with ThreadPoolExecutor(2) as pool, pytest.raises(Problem, match="block 0"):
        list(run_blocks(work, range(4), executor=pool, in_flight=2, progress=Quiet()))


def test_the_budget_bounds_what_is_in_flight():
    kwargs = {"budget_bytes": 1000, "fixed_bytes": 100}
    assert blocks_in_flight(300, workers=8, **kwargs) == 3
    assert blocks_in_flight(100, workers=2, **kwargs) == 3
    with pytest.raises(SpaceProblem, match="memory budget"):
        blocks_in_flight(901, workers=2, **kwargs)
    assert free_memory_bytes() > 10**8


def test_a_file_is_whole_or_not_there(tmp_path):
    target = tmp_path / "deep" / "file.txt"
    with pytest.raises(RuntimeError), whole_file(target) as partial:
        partial.write_text("half")
        raise RuntimeError
    assert list(target.parent.iterdir()) == []
    with whole_file(target) as partial:
        partial.write_text("all")
    assert target.read_text() == "all"
    assert list(target.parent.iterdir()) == [target]


@pytest.mark.parametrize(
    ("number", "kind", "says"),
    [(errno.ENOSPC, SpaceProblem, "disk is full"), (errno.EACCES, Problem, "cannot be written")],
)
def test_the_disk_says_no(tmp_path, number, kind, says):
    target = tmp_path / "file.txt"
    with pytest.raises(kind, match=says), whole_file(target) as partial:
        partial.write_text("half")
        raise OSError(number, "no")
    assert list(tmp_path.iterdir()) == []


def test_tables_have_points_and_commas(tmp_path):
    path = tmp_path / "t.csv"
    write_table(path, ["z (um)", "seen", "note"], [{"z (um)": 0.1 + 0.2, "seen": True}, {}])
    assert path.read_bytes() == b"z (um),seen,note\n0.30000000000000004,yes,\n,,\n"


def test_text_with_a_mark_and_wrong_text(tmp_path):
    path = tmp_path / "a.txt"
    path.write_bytes("\ufeffgrün".encode())
    assert read_text(path) == "grün"
    path.write_bytes(b"gr\xfcn")
    with pytest.raises(Problem, match="not UTF-8"):
        read_text(path)
    with pytest.raises(Problem, match="missing"):
        read_text(tmp_path / "none")


def test_hashes_and_names(tmp_path):
    path = tmp_path / "a"
    path.write_bytes(b"abc")
    # FIPS 180-4 example: SHA-256 of "abc".
    assert hash_file(path).startswith("ba7816bf8f01cfea")
    assert hash_json({"b": 1, "a": [2.5]}) == hash_json({"a": [2.5], "b": 1})
    assert hash_json({"a": 1}) != hash_json({"a": 2})
    assert is_junk("._A.DNG")
    assert is_junk("Thumbs.db")
    assert not is_junk("A.DNG")
    assert same_name("Cafe\u0301.DNG") == same_name("CAFÉ.dng")
    write_json(tmp_path / "x.json", {"µ": 1.5})
    assert Path(tmp_path / "x.json").read_text(encoding="utf-8") == '{\n  "µ": 1.5\n}\n'
