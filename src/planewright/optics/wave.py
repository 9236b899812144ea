"""Wave optics of a train: one axis at a time, by the angular spectrum.

The field goes from plane to plane by its spectrum over direction p = n sin θ, which flat
surfaces leave alone. Lenses add their phase, edges cut. Ideal lenses and achromats are free of
aberration in the medium they stand in; singlets add their third-order spherical aberration;
walls and liquid add theirs by the exact angles. A beam of quality M² is carried with M² times
the wavelength, as in `gauss`. Round openings count as slits of their diameter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft
from scipy.optimize import brentq, minimize_scalar

from planewright.base.problems import RangeProblem
from planewright.optics.aberration import design_indices, lens_w040_um, spherical
from planewright.optics.elements import Axis, Lens, Train
from planewright.optics.gauss import Station, trace

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

_REACH = 4.2  # 1/e² radii within which a beam is followed; beyond lies 1e-16 of its light
_LEAST_REACH = 2.6  # the same for steep light, which cannot be steeper than 90°
_MOST_SAMPLES = 1 << 21
_LOST = 1e-5  # light at the rim of a grid that is still taken for none
_LOST_CUT = 1e-3  # the same behind a sharp edge, whose light goes everywhere


@dataclass(frozen=True)
class Wave:
    """The light of one axis around the middle of the field.

    Parameters
    ----------
    p : ndarray of shape (K,)
        Directions, n sin θ, from 0 on: a train is centred, so its light is even across the axis.
    spectrum : ndarray of shape (K,)
        Complex spectrum at the end of the train, both signs of the direction together, of a beam
        of unit power before it was cut.
    index : float
        Index of the last medium.
    wavelength_um : float
        M² times the vacuum wavelength, µm.
    passed : float
        Fraction of the power that came through.
    waist_near_um, rayleigh_um, radius_um : float
        Where ray matrices put the waist (from the end of the train), its Rayleigh range and
        radius: used only to know where to look.
    samples : int
        Samples of the grid that the train was followed on.
    """

    p: Floats
    spectrum: Complexes
    index: float
    wavelength_um: float
    passed: float
    waist_near_um: float
    rayleigh_um: float
    radius_um: float
    samples: int

    @property
    def reach_um(self) -> float:
        """Distance from the axis up to which the spectrum's steps tell the light, µm."""
        return self.wavelength_um / (2.0 * float(self.p[1] - self.p[0]))

    def field(self, across_um: ArrayLike, *, beyond_um: float = 0.0) -> Complexes:
        """Return the complex field across the beam, beyond the end of the train."""
        x = np.asarray(across_um, dtype=np.float64)
        away = (beyond_um - self.waist_near_um) / self.rayleigh_um
        wide = max(2.2 * self.radius_um * math.hypot(1.0, away), float(np.abs(x).max(initial=0.0)))
        if wide > self.reach_um:
            raise RangeProblem(
                "The light is not known so far from the middle of the field.",
                got=f"{wide:.0f} µm across, {beyond_um:.0f} µm beyond the end of the train",
                expected=f"up to {self.reach_um:.0f} µm across",
                do="ask for a place nearer the waist",
            )
        k = 2.0 * np.pi / self.wavelength_um
        along = np.sqrt(self.index**2 - self.p**2) - self.index
        carried = self.spectrum * np.exp(1j * k * beyond_um * along)
        even = np.cos(k * np.multiply.outer(x, self.p))
        return np.asarray(even @ carried.real + 1j * (even @ carried.imag))

    def profile(self, across_um: ArrayLike, *, beyond_um: float = 0.0) -> Floats:
        """Return the light across the beam.

        Parameters
        ----------
        across_um : array_like of shape (N,)
            Places across the beam, µm.
        beyond_um : float
            Distance beyond the end of the train, µm; negative before it (in the last medium).

        Returns
        -------
        ndarray of shape (N,)
            Power per µm, of a beam of unit power before it was cut.
        """
        return np.asarray(np.abs(self.field(across_um, beyond_um=beyond_um)) ** 2)

    def widths_um(self, beyond_um: float) -> tuple[float, float]:
        """Return the FWHM and the 1/e² full width at a distance beyond the train's end, µm."""
        away = (beyond_um - self.waist_near_um) / self.rayleigh_um
        step = self.radius_um * math.hypot(1.0, away) / 40.0
        for _ in range(4):
            across: Floats = np.arange(241) * np.float64(min(step, self.reach_um / 241))
            light = self.profile(across, beyond_um=beyond_um)
            fwhm, full = _full(across, light, 0.5), _full(across, light, math.exp(-2.0))
            if fwhm is not None and full is not None:
                return fwhm, full
            step *= 2.0
        raise RangeProblem(
            "The light is spread over more than the sheet's surroundings.",
            got=f"over {2 * across[-1]:.0f} µm",
            do="lessen the aberration, or the openings that cut the beam",
        )


def _full(across: Floats, light: Floats, level: float) -> float | None:
    """Return the outermost full width at a fraction of the peak; None if it is out of reach."""
    want = level * float(light.max())
    out = int(np.flatnonzero(light >= want)[-1])
    if out == len(light) - 1:
        return None
    return 2.0 * float(np.interp(-want, -light[out : out + 2], across[out : out + 2]))


@dataclass(frozen=True)
class WaveSheet:
    """The sheet in one axis by wave optics.

    Parameters
    ----------
    fwhm_um, full_width_e2_um : float
        FWHM and 1/e² full width where the light is brightest, µm.
    waist_at_um : float
        Where that is, µm from the end of the train.
    rayleigh_um : float
        Distance over which the FWHM grows by √2, mean of both sides, µm.
    passed : float
        Fraction of the power that came through the openings.
    sidelobe : float
        Highest side lobe over the peak, there.
    wave : Wave
        The light itself.
    """

    fwhm_um: float
    full_width_e2_um: float
    waist_at_um: float
    rayleigh_um: float
    passed: float
    sidelobe: float
    wave: Wave

    def thickness_um(self, x_um: ArrayLike) -> Floats:
        """Return the FWHM at places along the light, µm from the middle of the field."""
        places = np.asarray(x_um, dtype=np.float64)
        return np.array([self.wave.widths_um(float(x))[0] for x in places.flat]).reshape(
            places.shape
        )


def wave_sheet(train: Train, axis: Axis = "z", *, aberrations: bool = True) -> WaveSheet:
    """Return the sheet of a train in one axis by wave optics.

    Parameters
    ----------
    train : Train
        The train; it ends at the middle of the field.
    axis : {"y", "z"}
        The thin axis.
    aberrations : bool
        False to leave out the aberration of singlets, walls and liquid.

    Returns
    -------
    WaveSheet
        At the brightest place near the waist that ray matrices give.

    Raises
    ------
    RangeProblem
        If the light cannot be sampled, or has no clear focus.
    """
    wave = propagate(train, axis, aberrations=aberrations)
    middle = np.zeros(1)
    bent = abs(spherical(train, axis).waves) / train.beam_quality(axis) if aberrations else 0.0
    reach = 8.0 + 20.0 * bent  # aberration of a wave moves the focus by some Rayleigh ranges
    places = wave.waist_near_um + wave.rayleigh_um * np.linspace(-reach, reach, 161)

    def dark(at: float) -> float:
        return -float(wave.profile(middle, beyond_um=at)[0])

    k = int(np.argmin([dark(float(p)) for p in places]))
    if k in (0, 160):
        raise RangeProblem(
            "The light has no focus near the middle of the field.",
            got=f"brightest {places[k]:.0f} µm away, where the search ends",
            do="lessen the aberration: turn the lens round, or narrow the beam",
        )
    bounds = (places[k - 1], places[k + 1])
    at = float(minimize_scalar(dark, bounds=bounds, method="bounded").x)
    fwhm, full = wave.widths_um(at)

    def side(sign: int) -> float:
        def growth(away: float) -> float:
            return wave.widths_um(at + sign * away)[0] / fwhm - math.sqrt(2.0)

        far = 0.5 * wave.rayleigh_um
        while growth(far) < 0:
            far *= 1.5
        return float(brentq(growth, 0.0, far, rtol=1e-4))

    depth = 0.5 * (side(-1) + side(1))
    return WaveSheet(fwhm, full, at, depth, wave.passed, _sidelobe(wave, at, full), wave)


def _sidelobe(wave: Wave, at_um: float, full_um: float) -> float:
    across = np.linspace(0.5 * full_um, 4.0 * full_um, 800)
    light = wave.profile(across, beyond_um=at_um)
    peak = float(wave.profile(np.zeros(1), beyond_um=at_um)[0])
    turns = np.diff(np.sign(np.diff(light)))
    humps = np.flatnonzero(turns < 0) + 1
    lobe = float(light[humps].max() / peak) if humps.size else 0.0
    return lobe if lobe > 1e-6 else 0.0


@dataclass(frozen=True)
class Grid:
    """A grid on which a train is followed.

    Parameters
    ----------
    samples : int
        Number of samples.
    step_um : float
        Distance between them, µm.
    """

    samples: int
    step_um: float


def choose_grid(train: Train, axis: Axis, *, most_samples: int = _MOST_SAMPLES) -> Grid:
    """Choose a grid wide and fine enough for the beam everywhere in a train.

    Parameters
    ----------
    train : Train
        The train.
    axis : {"y", "z"}
        Axis.
    most_samples : int
        Samples that may be spent.

    Returns
    -------
    Grid
        4.2 radii of the widest beam to each side, and directions to 4.2 times the largest NA
        (not less than 2.6 times where that would be over 90°), or to the 40th fringe of a slit.

    Raises
    ------
    RangeProblem
        If the light is too steep, or more samples are needed than may be spent.
    """
    stations = trace(train, axis)
    wavelength_um = train.wavelength_nm * 1e-3 * train.beam_quality(axis)
    widest = max(s.beam.radius_um for s in stations)
    steepest = max(s.beam.numerical_aperture for s in stations)
    slits = [2e3 * s.step.half_mm(axis) for s in stations if s.step is not None]
    fringes = max((40.0 * wavelength_um / slit for slit in slits if slit < 2 * widest), default=0.0)
    p_most = min(max(_REACH * steepest, fringes), 0.995)
    if p_most < _LEAST_REACH * steepest:
        raise RangeProblem(
            "This light is too steep for wave optics in one axis.",
            got=f"NA {steepest:.3f}",
            expected=f"up to {0.995 / _LEAST_REACH:.2f}",
        )
    step = wavelength_um / (2.0 * p_most * 1.05)
    samples = fft.next_fast_len(math.ceil(2.0 * 1.15 * _REACH * widest / step) + 256)
    if samples > most_samples:
        raise RangeProblem(
            "This train needs too fine a grid for wave optics.",
            got=f"{samples} samples: a beam of {widest * 1e-3:.1f} mm with NA {steepest:.3f}",
            expected=f"up to {most_samples}",
            do="narrow the beam, or trust the ray matrices and the diffraction integral",
        )
    return Grid(int(samples), step)


def propagate(
    train: Train, axis: Axis, *, aberrations: bool = True, grid: Grid | None = None
) -> Wave:
    """Follow the light of one axis through a train by its angular spectrum.

    Parameters
    ----------
    train : Train
        The train.
    axis : {"y", "z"}
        Axis.
    aberrations : bool
        False to leave out the aberration of singlets, walls and liquid.
    grid : Grid or None
        Grid to use; None chooses one.

    Returns
    -------
    Wave
        The light around the end of the train.

    Raises
    ------
    RangeProblem
        If the light reaches the rim of the grid, in place or in direction: it is under-sampled.

    References
    ----------
    .. [1] J. W. Goodman, Introduction to Fourier Optics (1996), section 3.10; from memory.
    """
    grid = choose_grid(train, axis) if grid is None else grid
    stations = trace(train, axis)
    wavelength_um = train.wavelength_nm * 1e-3 * train.beam_quality(axis)
    x: Floats = np.arange(-(grid.samples // 2), (grid.samples + 1) // 2) * np.float64(grid.step_um)
    p = fft.fftfreq(grid.samples, grid.step_um) * wavelength_um
    w = train.beam_radius_mm(axis) * 1e3
    field = ((2.0 / np.pi) ** 0.25 / math.sqrt(w) * np.exp(-((x / w) ** 2))).astype(complex)
    path = _Path(p, wavelength_um)
    path.add(-train.waist_ahead_mm(axis), train.index, None)
    for station, design in zip(stations, design_indices(train, axis), strict=True):
        step = station.step
        if step is None:
            break
        if step.length_mm:
            path.add(step.length_mm, step.index, design if aberrations else None)
        if not step.power(axis) and math.isinf(step.half_mm(axis)):
            continue
        field = path.carry(field, x)
        if step.half_mm(axis) * 1e3 < 3.0 * station.beam.radius_um:
            path.lost = _LOST_CUT
        field = _through(field, x, train, station, axis, wavelength_um, aberrations)
    last = stations[-1].beam
    near = last.to_waist_um
    # cut out the light where it is narrowest: a short window then has all of it
    shift = near if abs(near) > 0.1 * last.rayleigh_um else 0.0
    path.exact(shift, last.index)
    field = path.carry(field, x)
    around = last.waist_um if shift else last.radius_um
    return _narrowed(field, x, train, axis, around, shift, near, wavelength_um, aberrations)


class _Path:
    """Phase over direction gathered from one plane that matters to the next."""

    def __init__(self, p: Floats, wavelength_um: float) -> None:
        self.p, self.k = p, 2.0 * np.pi / wavelength_um
        self.inside = np.abs(p) < 0.999
        self.p2 = np.where(self.inside, p, 0.0) ** 2
        self.phase = np.zeros_like(p)
        self.lost = _LOST

    def add(self, length_mm: float, index: float, design: float | None) -> None:
        """Add a path; its own aberration against the index that the lens focuses in."""
        length = length_mm * 1e3
        self.phase -= self.k * length * self.p2 / (2.0 * index)
        if design is not None and design != index:
            real = np.sqrt(index**2 - self.p2) - index
            meant = (design / index) * (np.sqrt(design**2 - self.p2) - design)
            self.phase += self.k * length * (real - meant)

    def exact(self, length_um: float, index: float) -> None:
        """Add a path by the exact angles."""
        self.phase += self.k * length_um * (np.sqrt(index**2 - self.p2) - index)

    def carry(self, field: Complexes, x: Floats) -> Complexes:
        spectrum = fft.fft(field, workers=1) * np.where(self.inside, np.exp(1j * self.phase), 0.0)
        light = np.abs(spectrum) ** 2
        most = np.abs(self.p).max()
        _need_room(light, np.abs(self.p) > 0.93 * min(most, 0.999), "directions", self.lost)
        self.phase = np.zeros_like(self.p)
        out = np.asarray(fft.ifft(spectrum, workers=1))
        _need_room(np.abs(out) ** 2, np.abs(x) > 0.93 * np.abs(x).max(), "width", self.lost)
        return out


def _need_room(light: Floats, rim: NDArray[np.bool_], what: str, most: float) -> None:
    lost = float(light[rim].sum() / light.sum())
    if not lost < most:
        raise RangeProblem(
            "The grid for wave optics is too small for this light.",
            got=f"{100 * lost:.2g} % of the light at the rim of its {what}",
            expected=f"below {100 * most:g} %",
            do="widen the narrowest opening or lessen the aberration; or give a larger grid",
        )


def _through(
    field: Complexes,
    x: Floats,
    train: Train,
    station: Station,
    axis: Axis,
    wavelength_um: float,
    aberrations: bool,
) -> Complexes:
    """Apply a lens or an edge."""
    step = station.step
    assert step is not None
    k = 2.0 * np.pi / wavelength_um
    half = step.half_mm(axis) * 1e3
    if half < np.abs(x).max():
        spacing = x[1] - x[0]
        field = field * np.clip((half - np.abs(x)) / spacing + 0.5, 0.0, 1.0)
    if step.power(axis):
        phase = -0.5 * k * step.power(axis) * 1e-3 * x**2
        element = train.elements[step.element]
        if aberrations and isinstance(element, Lens):
            w040 = lens_w040_um(element, station, axis)
            phase = phase - k * w040 * (x / station.beam.radius_um) ** 4
        field = field * np.exp(1j * phase)
    return np.asarray(field)


def _narrowed(
    field: Complexes,
    x: Floats,
    train: Train,
    axis: Axis,
    around_um: float,
    shift_um: float,
    near_um: float,
    wavelength_um: float,
    aberrations: bool,
) -> Wave:
    """Keep the spectrum of the light near the axis, carried back to the end of the train."""
    last = trace(train, axis)[-1].beam
    spacing = float(x[1] - x[0])
    passed = float(np.sum(np.abs(field) ** 2) * spacing)
    slits = [s.step.half_mm(axis) for s in trace(train, axis) if s.step is not None]
    cut = min(slits, default=math.inf) < math.inf
    bent = abs(spherical(train, axis).waves) / train.beam_quality(axis) if aberrations else 0.0
    # radii to each side: an edge's fringes and an aberrated beam's margin lie far out
    radii = (300.0 if cut else 150.0) + 150.0 * bent
    half = max(400, math.ceil(radii * around_um / spacing))
    half = min(half, len(x) // 2)
    middle = len(x) // 2
    near = np.roll(field[middle - half : middle + half], -half)
    both = fft.fft(near, workers=1)
    spectrum = both[:half].copy()
    spectrum[1:] += both[:-half:-1]
    p: Floats = np.arange(half) * np.float64(wavelength_um / (2 * half * spacing))
    keep = p < 0.999
    p, spectrum = p[keep], spectrum[keep]
    k = 2.0 * np.pi / wavelength_um
    back = np.exp(-1j * k * shift_um * (np.sqrt(last.index**2 - p**2) - last.index))
    return Wave(
        p,
        spectrum * back / (2 * half),
        last.index,
        wavelength_um,
        passed,
        near_um,
        last.rayleigh_um,
        last.waist_um,
        len(x),
    )
