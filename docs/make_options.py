"""Write docs/options.md from the definitions of the settings' fields.

python docs/make_options.py
"""

from __future__ import annotations

from pathlib import Path

from planewright.base.settings import FieldRow, Settings, field_rows
from planewright.bench.model import BenchFile
from planewright.sessions.model import SessionFile

HEAD = """\
# Every setting

Made by `python docs/make_options.py` from the definitions in the code; a test compares them.
Quantities are written with their unit between quotation marks, `"0.412 um ± 0.002 um"`. Tables
that may stand several times are written with double brackets, `[[pass]]`.
"""


def table(model: type[Settings], name: str) -> str:
    """Return one file's table."""
    lines = [f"## `{name}`", "", "| key | needed | unit, range | default | what |"]
    lines.append("|---|---|---|---|---|")
    lines += [_row(row) for row in field_rows(model)]
    return "\n".join(lines) + "\n"


def _row(row: FieldRow) -> str:
    bounds = "" if row.low is None else f"{row.low:g} to {row.high:g}"
    span = ", ".join(part for part in (row.unit, bounds) if part)
    needed = "yes" if row.needed else ""
    default = f"`{row.default}`" if row.default else ""
    return f"| `{row.key}` | {needed} | {span} | {default} | {row.help} |"


def text() -> str:
    """Return the whole page."""
    parts = [HEAD, table(SessionFile, "session.toml"), table(BenchFile, "bench.toml")]
    return "\n".join(parts)


if __name__ == "__main__":
    Path(__file__).with_name("options.md").write_text(text(), encoding="utf-8")
