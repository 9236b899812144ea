"""Floor 4: levels of the sensor, figures of a photograph, and the judge."""

from planewright.check.figures import FrameFacts, FrameFigures, frame_figures
from planewright.check.judge import Judge, Retake, Verdict
from planewright.check.levels import (
    DarkSum,
    Flat,
    FlatSum,
    HotFinder,
    HotMap,
    MasterDark,
    dark_mismatch,
    level_plane,
)
from planewright.check.limits import JudgeSettings, Limits
from planewright.check.tables import retake_text, write_findings, write_frames, write_tables

__all__ = [
    "DarkSum",
    "Flat",
    "FlatSum",
    "FrameFacts",
    "FrameFigures",
    "HotFinder",
    "HotMap",
    "Judge",
    "JudgeSettings",
    "Limits",
    "MasterDark",
    "Retake",
    "Verdict",
    "dark_mismatch",
    "frame_figures",
    "level_plane",
    "retake_text",
    "write_findings",
    "write_frames",
    "write_tables",
]
