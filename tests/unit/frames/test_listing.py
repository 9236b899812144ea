"""Which files a pattern means, pairs set aside, and what is said on the way."""

from __future__ import annotations

import shutil
import unicodedata
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import tifffile

from planewright.base.nouns import Severity
from planewright.frames import equal_content, find_files, list_photographs
from planewright.frames.listing import counter_of, natural_key
from planewright.phantom.camera_files import FileMeta, write_dng, write_jpeg, write_tiff

META = FileMeta(
    datetime(2026, 5, 4, 3, 2, 1), None, None, (1, 25), 400, (28, 10), 1, "Fieldcam", "F", "7"
)
NAMES = [
    "F_0001.tif",
    "F_0002.TIF",
    "with space 3.tif",
    "été 4.tif",
    'it\'s "quoted" 5.tif',
    "[brackets] 6.tif",
]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "frames").mkdir()
    for name in NAMES:
        tifffile.imwrite(tmp_path / "frames" / name, np.ones((4, 6), np.uint16))
    for junk in ("._F_0001.tif", ".DS_Store", "Thumbs.db", "F_0009.tif.77.partial", "notes.txt"):
        (tmp_path / "frames" / junk).write_bytes(b"x")
    return tmp_path


def _names(paths: list[Path]) -> set[str]:
    return {path.name for path in paths}


@pytest.mark.parametrize("pattern", ["frames/*.tif", "frames/*.TIF", "frames", "FRAMES/*.Tif"])
def test_pattern_finds_all_whatever_the_case(folder: Path, pattern: str) -> None:
    if pattern.startswith("FRAMES") and (folder / "FRAMES").exists():
        pytest.skip("this disk does not tell cases apart")
    assert _names(find_files(pattern, root=folder)) == set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_name_given_in_full(folder: Path, name: str) -> None:
    assert _names(find_files(f"frames/{name}", root=folder)) == {name}
    decomposed = unicodedata.normalize("NFD", f"frames/{name}")
    assert _names(find_files(decomposed, root=folder)) == {name}
    assert _names(find_files(folder / "frames" / name, root=Path("elsewhere"))) == {name}


def test_brackets_are_a_class_and_a_name(folder: Path) -> None:
    assert _names(find_files("frames/F_000[1-2].tif", root=folder)) == set(NAMES[:2])
    assert _names(find_files("frames/[brackets]*.tif", root=folder)) == {NAMES[5]}


def test_every_folder_below(folder: Path) -> None:
    deep = folder / "frames" / "a" / "100FIELD"
    deep.mkdir(parents=True)
    shutil.copyfile(folder / "frames" / NAMES[0], deep / "F_0007.tif")
    assert _names(find_files("**/F_*.tif", root=folder)) == {*NAMES[:2], "F_0007.tif"}


def test_several_patterns_find_a_file_once(folder: Path) -> None:
    found = find_files(["frames/F_*.tif", "frames/*.tif"], root=folder)
    assert len(found) == len(NAMES)
    assert found == sorted(found, key=lambda path: natural_key(path.as_posix()))


def test_nothing_found(folder: Path) -> None:
    listed = list_photographs("dark/*.dng", root=folder)
    assert (listed.photographs, listed.findings, listed.problems) == ((), (), ())


def test_photographs_are_named_from_the_session(folder: Path) -> None:
    listed = list_photographs("frames/*.tif", root=folder)
    assert {one.name for one in listed.photographs} == {f"frames/{name}" for name in NAMES}
    assert listed.findings == ()
    outside = list_photographs(folder / "frames" / NAMES[0], root=folder / "session")
    assert outside.photographs[0].name == (folder / "frames" / NAMES[0]).as_posix()


def test_pages_are_numbered_from_one(tmp_path: Path) -> None:
    tifffile.imwrite(
        tmp_path / "stack_7.tif", np.zeros((3, 4, 6), np.uint16), photometric="minisblack"
    )
    listed = list_photographs("*.tif", root=tmp_path)
    assert [one.name for one in listed.photographs] == [f"stack_7.tif#{n}" for n in (1, 2, 3)]
    assert [one.page for one in listed.photographs] == [0, 1, 2]


@pytest.mark.parametrize(
    ("name", "counter"),
    [
        ("F_0042.dng", 42),
        ("IMG_9999.CR2", 9999),
        ("a12b.tif", None),
        ("0.tif", 0),
        ("x.tif", None),
        ("F_0042 (1).dng", 42),
        ("F_0042 - Copy.dng", 42),
        ("F_0042 copy 2.dng", 42),
        ("2026-05-04_03-02-01.tif", None),
    ],
)
def test_counter(name: str, counter: int | None) -> None:
    assert counter_of(Path(name)) == counter


def test_natural_names() -> None:
    assert sorted(["f10", "F2", "f1"], key=natural_key) == ["f1", "F2", "f10"]


def test_raw_wins_over_its_pair(tmp_path: Path, dng: Path) -> None:
    shutil.copyfile(dng, tmp_path / "F_0001.DNG")
    write_jpeg(tmp_path / "f_0001.jpg", np.full((16, 16, 3), 99, np.uint8), META)
    write_jpeg(tmp_path / "F_0002.jpg", np.full((16, 16, 3), 99, np.uint8), META)
    listed = list_photographs(".", root=tmp_path)
    assert [one.name for one in listed.photographs] == ["F_0001.DNG", "F_0002.jpg"]
    (finding,) = listed.findings
    assert (finding.code, finding.severity) == ("pair-set-aside", Severity.NOTE)
    assert finding.what == (
        "The camera wrote each of these photographs twice; the RAW file is used and the other "
        "set aside."
    )
    assert finding.photographs == ("f_0001.jpg",)


def test_mislabelled_file_is_read_and_named(tmp_path: Path) -> None:
    write_jpeg(tmp_path / "F_0001.tif", np.full((16, 16, 3), 99, np.uint8), META)
    listed = list_photographs("*.tif", root=tmp_path)
    assert listed.photographs[0].header.kind == "jpeg"
    (finding,) = listed.findings
    assert (finding.code, finding.severity) == ("mislabelled", Severity.DOUBT)
    assert finding.what == "This file is a JPEG file, though its name says otherwise."
    assert finding.got == ".tif"
    assert finding.expected == ".jfif or .jpe or .jpeg or .jpg"
    assert finding.do == "it was read by its content; find out why its name is wrong"


def test_odd_data_are_told_once_for_all_files(tmp_path: Path) -> None:
    for number in (1, 2, 3):
        meta = replace(META, exposure_s=(4294967295, 1) if number > 1 else (1, 25))
        write_tiff(tmp_path / f"F_{number}.tif", np.ones((4, 6), np.uint16), meta)
    (finding,) = list_photographs("*.tif", root=tmp_path).findings
    assert (finding.code, finding.severity) == ("odd-data", Severity.NOTE)
    assert finding.what == "An exposure of 4294967295 s cannot be true; left out."
    assert finding.got == "in 2 files"
    assert finding.photographs == ("F_2.tif", "F_3.tif")


def test_unreadable_file_is_a_fault_and_the_others_are_read(folder: Path) -> None:
    (folder / "frames" / "F_0010.tif").write_bytes(b"")
    listed = list_photographs("frames/F_*.tif", root=folder)
    assert len(listed.photographs) == 2
    (finding,) = listed.findings
    assert (finding.code, finding.severity) == ("unreadable", Severity.FAULT)
    assert finding.what == "This photograph is empty."
    assert finding.photographs == ("frames/F_0010.tif",)
    assert listed.problems[0].what == finding.what


def test_equal_content() -> None:
    (finding,) = equal_content({"a_1.dng": "x", "a_2.dng": "y", "a_10.dng": "x", "a_3.dng": "z"})
    assert (finding.code, finding.severity) == ("same-content", Severity.FAULT)
    assert finding.what == "These files are the same photograph, byte by byte."
    assert finding.got == "2 equal files"
    assert finding.do.startswith("keep one of them in the session")
    assert finding.photographs == ("a_1.dng", "a_10.dng")
    assert equal_content({"a": "x", "b": "y"}) == []


@pytest.fixture
def dng(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("dng") / "F.dng"
    write_dng(path, np.full((32, 32), 700, np.uint16), META, compressed=False)
    return path
