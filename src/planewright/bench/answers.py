"""What a bench gives: every answer with its value, unit, uncertainty and reason; what limits what;
what cannot work; what to be careful of.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from planewright.base.nouns import Severity
from planewright.base.problems import Problem, RangeProblem
from planewright.base.units import show
from planewright.bench import reasons
from planewright.bench.figures import Choices, figures, joint_figures, true_sheet
from planewright.bench.inputs import Spread, spreads
from planewright.bench.model import BenchFile
from planewright.bench.train import Built, build
from planewright.bench.troubles import Trouble, find_troubles
from planewright.bench.verdicts import Verdict, find_verdicts, sentence
from planewright.optics.light import cautions
from planewright.optics.sheet import Sheet


@dataclass(frozen=True)
class Answer:
    """One answer.

    Parameters
    ----------
    key : str
        Short name for programs.
    name : str
        What it is, for a person.
    value : float
        The value.
    unit : str
        Its unit; empty for a pure number.
    sigma : float or None
        Standard uncertainty; None where no input that it depends on states one.
    mostly_from : str
        Key of the input to which the uncertainty is due most; empty without one.
    reason : str
        One sentence: how it comes about, by which convention.
    """

    key: str
    name: str
    value: float
    unit: str
    sigma: float | None
    mostly_from: str
    reason: str

    @property
    def shown(self) -> str:
        """Value, uncertainty and unit for a person."""
        if self.sigma is not None and self.sigma < 1e-3 * abs(self.value):
            return f"{show(self.value, self.unit)}, ± < 0.1 %"
        return show(self.value, self.unit, sigma=self.sigma)


@dataclass(frozen=True)
class Group:
    """Answers that belong together.

    Parameters
    ----------
    name : str
        ``"sheet"``, ``"detection"``, ``"together"`` or ``"adjusting"``.
    answers : tuple of Answer
        In the order in which a person asks.
    """

    name: str
    answers: tuple[Answer, ...]


@dataclass(frozen=True)
class Answers:
    """All that a bench gives.

    Parameters
    ----------
    title : str
        The instrument.
    sentence : str
        The verdict.
    verdicts : tuple of Verdict
        What limits what.
    groups : tuple of Group
        The answers.
    troubles : tuple of Trouble
        What cannot work or will disappoint, the worst first.
    cautions : tuple of str
        About the laser; facts that certify nothing.
    unknown : tuple of str
        What could not be answered, and which table it needs.
    no_uncertainty : str
        What an answer without ± means here.
    """

    title: str
    sentence: str
    verdicts: tuple[Verdict, ...]
    groups: tuple[Group, ...]
    troubles: tuple[Trouble, ...]
    cautions: tuple[str, ...]
    unknown: tuple[str, ...]
    no_uncertainty: str

    @property
    def works(self) -> bool:
        """Whether nothing was found that cannot work."""
        return not any(trouble.severity is Severity.FAULT for trouble in self.troubles)

    def find(self, key: str) -> Answer:
        """Return an answer by its key.

        Raises
        ------
        RangeProblem
            If there is no such answer.
        """
        every = [answer for group in self.groups for answer in group.answers]
        for answer in every:
            if answer.key == key:
                return answer
        raise RangeProblem(
            "The bench gives no such answer.", got=key, expected=", ".join(a.key for a in every)
        )

    def to_dict(self) -> dict[str, Any]:
        """Return a JSON-ready copy."""
        return {**asdict(self), "works": self.works}


def answer(bench: BenchFile, choices: Choices | None = None) -> Answers:
    """Return everything that a bench gives.

    Parameters
    ----------
    bench : BenchFile
        The bench.
    choices : Choices or None
        Convention of the usable width, and a step to judge.

    Returns
    -------
    Answers
        A sheet that cannot be is told as a trouble, and its answers are left out.

    Raises
    ------
    SettingProblem
        If the bench states nothing to answer from, or its train never enters the cell.
    """
    choices = choices or Choices()
    unknown = _unknown(bench)
    built = None
    if bench.light is not None and bench.cell is not None and bench.parts:
        built = build(bench)
    made, failed = _sheet_or_why(built)
    found = _figures(bench, choices, made is not None)
    if not found:
        raise RangeProblem(
            "The bench states too little to answer anything.",
            got="no light with its train, and no detection lens",
            expected="at least [light], [cell] and [[train]], or [detection]",
            do="docs/bench.md shows a whole bench",
        )
    known = found.values
    errors = spreads(
        bench,
        lambda one: _figures(one, choices, made is not None).values,
        known,
        # a cut or aberrated sheet takes a diffraction integral, up to seconds each
        both_sides=made is None or (not made.cut_by and abs(made.aberration.waves) < 0.01),
    )
    context = reasons.Context(bench, choices, known, built, made)
    verdicts = find_verdicts(context)
    troubles = find_troubles(context, failed if failed is not None else found.failed)
    return Answers(
        title=bench.title,
        sentence=sentence(context, verdicts, troubles),
        verdicts=verdicts,
        groups=_groups(context, errors),
        troubles=troubles,
        cautions=_cautions(bench),
        unknown=unknown,
        no_uncertainty=_about_sigma(errors, known),
    )


@dataclass(frozen=True)
class _Found:
    values: dict[str, float]
    failed: Problem | None

    def __bool__(self) -> bool:
        return bool(self.values)


def _figures(bench: BenchFile, choices: Choices, with_sheet: bool) -> _Found:
    """Return what can be worked out; a lens that cannot be leaves the sheet standing."""
    without = bench if with_sheet else bench.model_copy(update={"parts": ()})
    try:
        return _Found(figures(without, choices), None)
    except Problem as problem:
        if without.detection is None:
            raise
        alone = without.model_copy(update={"detection": None})
        values = figures(alone, choices)
        return _Found(values | joint_figures(values, alone, choices), problem)


def _sheet_or_why(built: Built | None) -> tuple[Sheet | None, Problem | None]:
    if built is None:
        return None, None
    try:
        return true_sheet(built.train), None
    except Problem as problem:
        return None, problem


def _unknown(bench: BenchFile) -> tuple[str, ...]:
    needs = (
        ("the sheet", "[light]", bench.light),
        ("the sheet", "[cell]", bench.cell),
        ("the sheet", "[[train]]", bench.parts or None),
        ("resolution, depth of field and steps", "[detection]", bench.detection),
        ("pixel and field", "[camera]", bench.camera),
    )
    out = [f"{what} needs the table {table}" for what, table, there in needs if there is None]
    if bench.camera is not None and not (bench.camera.columns and bench.camera.rows):
        out.append("the field needs camera.columns and camera.rows")
    if bench.light is not None and bench.light.power_mw is None:
        out.append("irradiance and dose need light.power")
    return tuple(out)


def _groups(context: reasons.Context, errors: dict[str, Spread]) -> tuple[Group, ...]:
    by_name: dict[str, list[Answer]] = {}
    for spec in (*reasons.SPECS, *reasons.adjusting(context)):
        if spec.key not in context.values:
            continue
        value = context.values[spec.key]
        error = errors.get(spec.key)
        by_name.setdefault(spec.group, []).append(
            Answer(
                spec.key,
                spec.name,
                value,
                spec.unit,
                None if error is None else error.sigma,
                "" if error is None else error.mostly,
                spec.reason(context),
            )
        )
    return tuple(Group(name, tuple(found)) for name, found in by_name.items())


def _about_sigma(errors: dict[str, Spread], values: dict[str, float]) -> str:
    if not errors:
        return "No input of the bench states its ±, so no answer has one."
    if len(errors) < len(values):
        return "An answer without ± depends on no input that states one."
    return ""


def _cautions(bench: BenchFile) -> tuple[str, ...]:
    light = bench.light
    if light is None:
        return ()
    last = "Local rules and the laser safety officer come first."
    if light.power_mw is None:
        return ("The laser's power is not stated (light.power): nothing is said of it.", last)
    doubled = abs(light.wavelength_nm - 532.0) <= 3.0  # a line that is hardly made otherwise
    try:
        return cautions(
            float(light.power_mw), float(light.wavelength_nm), frequency_doubled=doubled
        )
    except RangeProblem as problem:
        return (f"{problem.what} {problem.do.capitalize()}.", last)
