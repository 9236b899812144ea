"""What a DNG file says of its mosaic, read from its tags: pattern, levels, active area.

LibRaw tells these only after it has unpacked the whole mosaic; a header must not cost that.

References
----------
.. [1] Adobe, Digital Negative (DNG) Specification 1.7.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from planewright.frames import tags as t

SITES = ((0, 0), (0, 1), (1, 0), (1, 1))
_REPEAT, _PATTERN, _PLANES = 33421, 33422, 50710
_LETTERS = "RGBCMYW"


@dataclass(frozen=True)
class DngMosaic:
    """A DNG's mosaic.

    Parameters
    ----------
    linear : bool
        It holds three colours at each pixel, or one: no mosaic.
    repeat : tuple of int
        Rows and columns of the colour pattern.
    pattern : str
        Letters of the colour pattern, row by row, from the active area's corner.
    black : tuple of float
        Black levels, row by row, from the active area's corner; empty where they cannot be laid
        out on a cell of 2 × 2.
    black_repeat : tuple of int
        Rows and columns of the black levels.
    white : float
        Stored number at which the sensor is full.
    top, left : int
        Corner of the active area.
    """

    linear: bool
    repeat: tuple[int, int]
    pattern: str
    black: tuple[float, ...]
    black_repeat: tuple[int, int]
    white: float
    top: int
    left: int

    def letters_at(self, top: int, left: int) -> str:
        """Return the 2×2 cell's colours at this corner of the mosaic, row by row."""
        return "".join(
            self.pattern[(row + top - self.top) % 2 * 2 + (column + left - self.left) % 2]
            for row, column in SITES
        )

    def black_at(self, top: int, left: int) -> tuple[float, ...]:
        """Return the 2×2 cell's black levels at this corner, row by row; empty if unknown.

        LibRaw moves an odd margin of the active area to the next even one, but leaves the black
        levels' own pattern where it was: there they would stand at the wrong sites.
        """
        tall, wide = self.black_repeat
        return tuple(
            self.black[(row + top - self.top) % tall * wide + (column + left - self.left) % wide]
            for row, column in SITES
            if self.black
        )


def dng_mosaic(path: Path) -> DngMosaic | None:
    """Read what a DNG says of its mosaic.

    Parameters
    ----------
    path : Path
        A RAW file.

    Returns
    -------
    DngMosaic or None
        None if the file is no DNG.
    """
    with path.open("rb") as handle:
        if handle.read(4) not in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
            return None
        tags = t.TagFile(handle)
        if not tags.directories or t.DNG_VERSION not in tags.directories[0].entries:
            return None
        for one in tags.all():
            if tags.number(one, t.PHOTOMETRIC) == t.CFA:
                return _mosaic(tags, one)
    return DngMosaic(True, (1, 1), "", (), (1, 1), 65535.0, 0, 0)


def _mosaic(tags: t.TagFile, one: t.Directory) -> DngMosaic:
    def numbers(tag: int, default: list[float]) -> list[float]:
        entry = one.entries.get(tag)
        return [float(v) for v in tags.values(entry)] if entry else default

    repeat = [int(v) for v in numbers(_REPEAT, [1.0, 1.0])]
    planes = [int(v) for v in numbers(_PLANES, [0.0, 1.0, 2.0])]
    codes = [int(v) for v in numbers(_PATTERN, [])]
    black_repeat = [int(v) for v in numbers(t.BLACK_REPEAT, [1.0, 1.0])]
    black = numbers(t.BLACK, [0.0])
    area = [int(v) for v in numbers(t.ACTIVE, [0.0] * 4)]
    laid_out = (
        all(side in (1, 2) for side in black_repeat)
        and len(black) == black_repeat[0] * black_repeat[1]
        and all(math.isfinite(level) for level in black)
    )
    return DngMosaic(
        linear=False,
        repeat=(repeat[0], repeat[1]),
        pattern="".join(
            _LETTERS[code] if code in planes and code < len(_LETTERS) else "?" for code in codes
        ),
        black=tuple(black) if laid_out else (),
        black_repeat=(black_repeat[0], black_repeat[1]),
        white=numbers(t.WHITE, [2.0 ** tags.number(one, t.BITS, 16) - 1.0])[0],
        top=area[0],
        left=area[1],
    )
