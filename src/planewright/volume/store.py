"""The volume's store: one place from which other rooms take what they need of it."""

from __future__ import annotations

from planewright.volume.number import NumberFormat, choose_format, float_format
from planewright.volume.store_layout import Facts, Layout, Level, plan_layout
from planewright.volume.store_read import describe, open_mask, open_volume
from planewright.volume.store_write import (
    create,
    make_level_shard,
    missing_shards,
    publish,
    read_window,
    shard_done,
    store_bytes,
    sweep_partials,
    write_shard,
    write_volume,
)

__all__ = [
    "Facts",
    "Layout",
    "Level",
    "NumberFormat",
    "choose_format",
    "create",
    "describe",
    "float_format",
    "make_level_shard",
    "missing_shards",
    "open_mask",
    "open_volume",
    "plan_layout",
    "publish",
    "read_window",
    "shard_done",
    "store_bytes",
    "sweep_partials",
    "write_shard",
    "write_volume",
]
