"""Video: last resort. Frame times are kept; the values are display-referred."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any

from planewright.base.nouns import Colour
from planewright.base.problems import PhotographProblem
from planewright.frames.counted import counted_plane, pick_channel
from planewright.frames.guard import decoding, refuse_bomb
from planewright.frames.nouns import Exposure, Header, Plane

_MOST_FRAMES = 200_000


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")
    import cv2

    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    with decoding(path, "decoded"):
        capture = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG, [cv2.CAP_PROP_N_THREADS, 1])
        try:
            if not capture.isOpened():
                raise ValueError("no video that can be decoded is in it")
            capture.set(cv2.CAP_PROP_ORIENTATION_AUTO, 0)
            yield capture
        finally:
            capture.release()


@lru_cache(maxsize=16)
def _facts(path: Path, size: int, changed_ns: int) -> tuple[int, int, tuple[float, ...]]:
    import cv2

    with _opened(path) as capture:
        rows = int(capture.get(cv2.CAP_PROP_FRAME_HEIGHT))
        columns = int(capture.get(cv2.CAP_PROP_FRAME_WIDTH))
        refuse_bomb(path, rows=rows, columns=columns, decoded=0, stored=size)
        times: list[float] = []
        while capture.grab():
            times.append(float(capture.get(cv2.CAP_PROP_POS_MSEC)) / 1000.0)
            if len(times) > _MOST_FRAMES:
                raise ValueError(f"more than {_MOST_FRAMES} frames")
    if not times:
        raise PhotographProblem(
            "This video has no frame that can be decoded.",
            where=str(path),
            do="copy it again, or convert it to MP4",
        )
    first = times[0]
    return rows, columns, tuple(round(time - first, 6) for time in times)


def read_header(path: Path) -> Header:
    """Read a video's size and the time of each of its frames."""
    with decoding(path, "read"):
        status = path.stat()
    rows, columns, times = _facts(path, status.st_size, status.st_mtime_ns)
    return Header(
        path=path,
        kind="video",
        rows=rows,
        columns=columns,
        pages=len(times),
        bits=8,
        pattern="RGB",
        exposure=Exposure(),
        shape_only=True,
        page_times_s=times,
        white=255.0,
    )


def read_plane(
    path: Path, *, page: int, colour: Colour, header: Header, white_hint: float | None
) -> Plane:
    """Decode one frame of a video."""
    import cv2

    with _opened(path) as capture:
        capture.set(cv2.CAP_PROP_POS_FRAMES, page)
        if int(capture.get(cv2.CAP_PROP_POS_FRAMES)) != page:
            capture.set(cv2.CAP_PROP_POS_FRAMES, 0)
            for _ in range(page):
                capture.grab()
        there, pixels = capture.read()
        if not there:
            raise ValueError(f"frame {page + 1} of {header.pages} cannot be decoded")
    return counted_plane(
        path,
        pick_channel(path, pixels[..., ::-1], colour=colour, coloured=True),
        white=header.white,
        display=True,
    )
