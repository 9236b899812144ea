"""Build a pass's volume. The order of steps stands in `build_pass`."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from planewright.base.files import (
    free_disk_bytes,
    hash_json,
)
from planewright.base.problems import SpaceProblem, StoreProblem
from planewright.base.progress import Progress
from planewright.base.units import show
from planewright.frames import Photograph
from planewright.jobs.check import Checked, Judged, judge, recipe_bytes, told
from planewright.jobs.crew import Crew, crew
from planewright.jobs.gather import Gathered, gather
from planewright.jobs.moving import Moves, find_moves
from planewright.jobs.planes import Recipe, Scratch, scratch_names
from planewright.jobs.recipe import make_recipe
from planewright.jobs.shards import Shards, shard_block_bytes
from planewright.sessions.folder import Session, TrueScale
from planewright.sessions.lock import writing
from planewright.sessions.model import Pass
from planewright.sessions.provenance import read_provenance, step, write_provenance
from planewright.volume.orient import Orientation
from planewright.volume.store import (
    Facts,
    Layout,
    choose_format,
    create,
    describe,
    float_format,
    make_level_shard,
    missing_shards,
    plan_layout,
    publish,
    sweep_partials,
)

VERSION = 2


@dataclass(frozen=True)
class Built:
    """A volume that stands in its place.

    Parameters
    ----------
    sentence : str
        What was made.
    figures : tuple of str
        Size, scale, steadying, evening, a line each.
    checked : Checked
        The verdict on its frames.
    written : tuple of str
        Files written.
    """

    sentence: str
    figures: tuple[str, ...]
    checked: Checked
    written: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        return {
            "sentence": self.sentence,
            "figures": list(self.figures),
            "checked": self.checked.to_dict(),
            "written": list(self.written),
        }


def build_pass(
    folder: Path,
    pass_name: str | None = None,
    *,
    ome_tiff: bool = False,
    workers: int | None = None,
    memory_bytes: int | None = None,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> Built:
    """Make a pass's volume, or go on making it, or say that it stands already.

    Parameters
    ----------
    folder : Path
        The session.
    pass_name : str or None
        The pass; None if there is only one.
    ome_tiff : bool
        Also write ``volume.ome.tiff``.
    workers : int or None
        Blocks at once; None takes one a core. It changes nothing in the result.
    memory_bytes : int or None
        Budget; None takes half of what is free. It changes nothing in the result.
    progress : Progress or None
        Told of each block; asked whether to stop.
    executor : Executor or None
        Where blocks run; None takes threads of this process. Elsewhere the session's folder must
        be reached by the same path.

    Returns
    -------
    Built
        What was made and the verdict on its frames.

    Raises
    ------
    StoppedProblem
        If asked to stop; the same call goes on where it was.
    Problem
        If the scale is not known, the photographs cannot be used, or disk or memory does not
        suffice.
    """
    session = Session.open(folder)
    one = session.find_pass(pass_name)
    scale = session.true_scale(one)
    with (
        writing(session.root),
        crew(
            workers=workers, memory_bytes=memory_bytes, progress=progress, executor=executor
        ) as team,
    ):
        gathered = gather(session, one, workers=team.workers, progress=team.progress)
        key = _inputs_key(session, one, gathered)
        standing = _standing(session, one, key)
        built = standing or _make(session, one, scale, gathered, key, team)
        if ome_tiff:
            built = _with_tiff(session, one, built, team)
        return built


def _make(
    session: Session, one: Pass, scale: TrueScale, gathered: Gathered, key: str, team: Crew
) -> Built:
    work = session.work / one.name
    recipe, sensor = make_recipe(gathered, one, work=work, crew=team)
    planes = work / f"planes-{recipe.key[:20]}"
    moves_folder = work / f"moves-{hash_json([recipe.key, key])[:20]}"
    store_folder = work / f"store-{key[:20]}"
    _sweep(work, keep={planes, moves_folder, store_folder})
    _check_space(session, gathered, recipe, planes)
    judged = judge(session, one, gathered, recipe, planes=planes, crew=team, more=sensor)
    names = scratch_names(gathered.frames, gathered.hashes)
    scratch = [
        None if place.frame is None else Scratch(planes, names[place.frame])
        for place in judged.verdict.placements
    ]
    again = scratch_names(tuple(s.photograph for s in gathered.repeats), gathered.hashes)
    repeats = [
        (shot.position, Scratch(planes, name) if readable else None)
        for shot, name, readable in zip(gathered.repeats, again, judged.repeats, strict=True)
    ]
    moves = find_moves(
        session, one, judged, recipe, scratch, repeats=repeats, folder=moves_folder, crew=team
    )
    layout, orientation = _plan(session, one, scale, gathered, judged, recipe, moves, key)
    store = store_folder / "volume.ome.zarr"
    create(store, layout)
    sweep_partials(store)
    shards = Shards(store, layout, orientation, recipe, tuple(scratch), judged.verdict, moves)
    _write_levels(shards, team)
    checked = told(session, one, gathered, judged)
    final = session.volume_path(one.name)
    final.parent.mkdir(parents=True, exist_ok=True)
    publish(store, final)
    built = Built(
        sentence=f"Built pass {one.name}: {_size(layout)}.",
        figures=tuple(_figures(scale, layout, moves)),
        checked=checked,
        written=(final.relative_to(session.root).as_posix(), "provenance.json"),
    )
    _note(session, one, scale, gathered, judged, recipe, moves, orientation, layout, key, built)
    shutil.rmtree(work, ignore_errors=True)
    return built


def _write_levels(shards: Shards, team: Crew) -> None:
    """Write level 0 from scratch, then each level from the one before."""
    layout, store = shards.layout, shards.store
    missing = missing_shards(store, layout)
    for level in range(len(layout.levels)):
        indices = [index for number, index in missing if number == level]
        name = "write the volume" if level == 0 else f"write the overview, level {level}"
        team.progress.stage(name, len(indices), "blocks")
        if level == 0:
            work, block_bytes = shards.write, shard_block_bytes(shards)
        else:
            work = partial(make_level_shard, store, layout, level=level)
            block_bytes = layout.level_block_bytes(level)
        for _ in team.run(
            work, indices, block_bytes=block_bytes, fixed_bytes=recipe_bytes(shards.recipe)
        ):
            pass


def _inputs_key(session: Session, one: Pass, gathered: Gathered) -> str:
    """Return the hash of all that decides the volume."""
    bench = session.bench.model_dump(mode="json") if session.bench else None
    settings = session.settings
    return hash_json(
        {
            "version": VERSION,
            "pass": _plain(one),
            "scale": _plain(settings.scale),
            "mounting": _plain(settings.mounting),
            "bench": bench if bench is None else _plain(session.bench),
            "frames": [[gathered.hashes[p.path], p.page] for p in gathered.frames],
            "repeats": [
                [gathered.hashes[s.photograph.path], s.photograph.page, s.position]
                for s in gathered.repeats
            ],
            "darks": sorted(gathered.hashes[p.path] for p in gathered.darks),
            "flats": sorted(gathered.hashes[p.path] for p in gathered.flats),
        }
    )


def _plain(settings: Any) -> Any:
    """Return settings as JSON-ready values."""
    return json.loads(json.dumps(settings.model_dump(mode="python"), default=_plain_value))


def _plain_value(value: Any) -> Any:
    return vars(value) if hasattr(value, "__dict__") else str(value)


def _standing(session: Session, one: Pass, key: str) -> Built | None:
    """Return the volume that stands already, if it was made from the very same inputs."""
    about = session.volume_path(one.name).relative_to(session.root).as_posix()
    try:
        layout = describe(session.volume_path(one.name))
    except StoreProblem:
        return None
    if not layout.facts.provenance.endswith(key[:20]):
        return None
    if not (session.root / "provenance.json").exists():
        return None
    product = read_provenance(session.root)["products"].get(about)
    if product is None or not all(
        (session.pass_folder(one.name) / name).exists() for name in ("frames.csv", "findings.csv")
    ):
        return None
    result = product["steps"][-1]["results"]
    return Built(
        sentence=f"Nothing to do: pass {one.name} stands as built, {_size(layout)}.",
        figures=tuple(result["figures"]),
        checked=Checked.from_dict(result["checked"]),
        written=(),
    )


def _sweep(work: Path, keep: set[Path]) -> None:
    """Remove what earlier runs with other inputs or options left behind."""
    if not work.is_dir():
        return
    for path in work.iterdir():
        if path not in keep and path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        elif path in keep:
            sweep_partials(path)


def _check_space(session: Session, gathered: Gathered, recipe: Recipe, planes: Path) -> None:
    """Refuse before the first block if scratch and volume cannot fit on the disk."""
    rows, columns = recipe.shape
    item = 2 if recipe.number.dtype == "uint16" else 4
    plane = rows * columns * item
    count = len(gathered.frames) + len(gathered.repeats)
    done = len(list(planes.glob("*.json"))) if planes.is_dir() else 0
    # Scratch holds each plane; the volume with its overview and mask takes about as much again
    # when nothing compresses.
    need = (count - done) * plane + int(1.5 * count * plane)
    free = free_disk_bytes(session.root)
    if free < need:
        raise SpaceProblem(
            "The disk does not hold the work and the volume.",
            where=str(session.root),
            got=f"{free / 1e9:.2f} GB free",
            expected=f"{need / 1e9:.2f} GB",
            do="free some space, or move the session to another disk",
        )


def _plan(
    session: Session,
    one: Pass,
    scale: TrueScale,
    gathered: Gathered,
    judged: Judged,
    recipe: Recipe,
    moves: Moves,
    key: str,
) -> tuple[Layout, Orientation]:
    orientation = Orientation(
        mirrored=one.mirrored,
        scan=one.scan,
        sheet_angle_deg=one.sheet_angle_deg.value,
        lattice=recipe.lattice,
        plane_shape=recipe.shape,
        sensor_pixel_um=scale.pixel_um.value,
        plane_spacing_um=scale.step_um.value,
        planes=len(judged.verdict.placements),
    )
    camera = session.bench.camera if session.bench else None
    light = session.bench.light if session.bench else None
    gain_e = camera.gain_e if camera else None
    if recipe.number.dtype == "float32":
        number = float_format()
    else:
        low, high = moves.range_of_light(judged, recipe)
        number = choose_format(low, high, recipe.number.gain, resampled=moves.resampled, finest=1.0)
        if gain_e is not None:
            number = type(number)(number.dtype, number.pedestal, number.gain * gain_e, "electron")
    pixel_sigma = scale.pixel_um.sigma
    pitch = recipe.lattice.pitch
    sigma = None if pixel_sigma is None else pixel_sigma * pitch
    layout = plan_layout(
        orientation.shape,
        voxel_um=orientation.voxel_um,
        origin_um=orientation.origin_um,
        number=number,
        name=session.settings.title or one.name,
        facts=Facts(
            pass_name=one.name,
            colour=str(one.colour) if pitch == 2 else "mono",
            sheet_angle_deg=orientation.remaining_angle_deg,
            shape_only=gathered.readable[0].header.shape_only,
            electrons_per_count=gain_e,
            read_noise_e=camera.read_noise_e if camera else None,
            emission_nm=light.emission_nm if light else None,
            excitation_nm=light.wavelength_nm if light else None,
            resampling="Lanczos, 8 taps, along y and x" if moves.resampled else "none",
            provenance=f"provenance.json {key[:20]}",
            orientation=orientation.to_dict(),
            voxel_sigma_um=(scale.step_um.sigma, sigma, sigma),
        ),
    )
    return layout, orientation


def _size(layout: Layout) -> str:
    z, y, x = layout.shape
    return f"{z} planes of {x} × {y} voxels"


def _figures(scale: TrueScale, layout: Layout, moves: Moves) -> list[str]:
    dz, dy, dx = layout.levels[0].voxel_um
    sz, sy, sx = layout.facts.voxel_sigma_um
    number = layout.number
    z, y, x = layout.shape
    return [
        (
            f"voxel         z {show(dz, 'um', sigma=sz)}, y {show(dy, 'um', sigma=sy)}, "
            f"x {show(dx, 'um', sigma=sx)}"
        ),
        f"from          pixel: {scale.pixel_from}; step: {scale.step_from}",
        f"field         {x * dx:.1f} × {y * dy:.1f} × {z * dz:.1f} µm (x, y, z)",
        f"light         (stored - {number.pedestal}) × {number.gain:g} {number.unit}s"
        if number.dtype == "uint16"
        else f"light         float32, {number.unit}s",
        *moves.figures(),
    ]


def _note(
    session: Session,
    one: Pass,
    scale: TrueScale,
    gathered: Gathered,
    judged: Judged,
    recipe: Recipe,
    moves: Moves,
    orientation: Orientation,
    layout: Layout,
    key: str,
    built: Built,
) -> None:
    def named(photographs: tuple[Photograph, ...]) -> list[dict[str, Any]]:
        return [{"name": p.name, "sha256": gathered.hashes[p.path]} for p in photographs]

    verdict = judged.verdict
    steps: list[Mapping[str, Any]] = [
        step(
            "settings",
            number=1,
            options={"pass": _plain(one), "scale": _plain(session.settings.scale)},
            inputs=[{"name": "session.toml", "sha256": session.settings_hash}],
            results={"pixel": scale.pixel_from, "step": scale.step_from},
        ),
        step(
            "levels",
            number=1,
            options={"colour": str(recipe.colour)},
            inputs=[*named(gathered.darks), *named(gathered.flats)],
            results=recipe.about,
        ),
        step(
            "judge",
            number=1,
            options={"planned": one.planned, "cadence_s": one.cadence_s},
            inputs=named(gathered.frames),
            results={
                "placements": [[p.position, p.frame, p.doubtful] for p in verdict.placements],
                "dropped": list(verdict.dropped),
            },
        ),
        *(
            [
                step(
                    "repeats",
                    number=1,
                    options={"positions": [shot.position for shot in gathered.repeats]},
                    inputs=named(tuple(shot.photograph for shot in gathered.repeats)),
                    results={"measured": [repeat.to_dict() for repeat in moves.repeats]},
                )
            ]
            if gathered.repeats
            else []
        ),
        *moves.steps(),
        step("orient", number=1, options=orientation.to_dict()),
        step(
            "store",
            number=1,
            options={"key": key, "number": layout.number.to_dict()},
            results={"figures": list(built.figures), "checked": built.checked.to_dict()},
        ),
    ]
    about = session.volume_path(one.name).relative_to(session.root).as_posix()
    write_provenance(session.root, about, steps)


def _with_tiff(session: Session, one: Pass, built: Built, team: Crew) -> Built:
    from planewright.volume.ome_tiff import write_ome_tiff

    path = session.pass_folder(one.name) / "volume.ome.tiff"
    write_ome_tiff(session.volume_path(one.name), path, progress=team.progress)
    name = path.relative_to(session.root).as_posix()
    return Built(built.sentence, built.figures, built.checked, (*built.written, name))
