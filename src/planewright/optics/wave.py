"""Wave optics through the same trains: the angular spectrum of plane waves, one axis at a time.

Every gap is carried by the exact propagator ``exp(i 2π d √((n/λ)² − ν²))`` (or its small-angle
form), every lens is a phase, every opening cuts. With the exact propagator a lens turns the
sphere that meets it into the sphere that it should be and keeps the sine condition (a ray that
comes in parallel at height h leaves at the angle whose sine is h/f), so that what is left of
aberration is that of walls, of liquids and of what `aberration` knows of singlets. Light of
quality M² is carried as light of M² times the wavelength.

References
----------
.. [1] J. W. Goodman, Introduction to Fourier Optics (3rd ed. 2005), section 3.10.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, minimize_scalar

from planewright.base.problems import RangeProblem
from planewright.optics.aberration import lens_term
from planewright.optics.elements import Axis, Lens, Step, Train, steps
from planewright.optics.gauss import Station, trace

Kernel = Literal["exact", "paraxial"]

_MOST_SAMPLES = 1 << 22
_LEAK = 1e-5  # share of the light near the grid's edge, in place or in angle, that is refused


@dataclass(frozen=True)
class WaveField:
    """Light of one axis near the end of a train, as a spectrum of plane waves.

    Parameters
    ----------
    per_mm : ndarray of shape (N,)
        Spatial frequencies, 1/mm.
    spectrum : ndarray of shape (N,)
        Complex amplitude per frequency at the end of the train, of unit power at the start.
    index : float
        Index of the last medium.
    wavelength_mm : float
        M² times the vacuum wavelength, mm.
    passed : float
        Share of the power that came through the openings.
    kernel : {"exact", "paraxial"}
        Propagator.
    samples : int
        Size of the grid on which the train was followed.
    """

    per_mm: NDArray[np.float64]
    spectrum: NDArray[np.complex128]
    index: float
    wavelength_mm: float
    passed: float
    kernel: Kernel
    samples: int

    def profile(self, across_um: ArrayLike, *, beyond_um: float = 0.0) -> NDArray[np.float64]:
        """Return the light across the beam beyond the end of the train, power per µm.

        Parameters
        ----------
        across_um : array_like of shape (N,)
            Places across the beam, µm.
        beyond_um : float
            Distance beyond the end of the train, µm.
        """
        x = np.asarray(across_um, dtype=np.float64).ravel() * 1e-3
        moved = self.spectrum * _propagator(
            self.per_mm, beyond_um * 1e-3, self.index, self.wavelength_mm, self.kernel
        )
        field = np.exp(2j * np.pi * np.multiply.outer(x, self.per_mm)) @ moved
        spacing = self.per_mm[1] - self.per_mm[0]
        light = np.abs(field * spacing) ** 2 * 1e-3
        return np.asarray(light.reshape(np.shape(across_um)))


def propagate(
    train: Train, axis: Axis, *, kernel: Kernel = "exact", aberrated: bool = True
) -> WaveField:
    """Follow the light of one axis through a train as a wave.

    Parameters
    ----------
    train : Train
        The train. Round openings count as slits of their diameter.
    axis : {"y", "z"}
        Axis of the beam.
    kernel : {"exact", "paraxial"}
        ``"exact"`` shows the aberration of walls and liquids by itself; ``"paraxial"`` leaves
        it out.
    aberrated : bool
        Whether the third-order aberration of singlets is put into their phase.

    Returns
    -------
    WaveField
        The light at the end of the train.

    Raises
    ------
    RangeProblem
        If no grid of up to four million samples holds the light in place and in angle.
    """
    stations, chain = trace(train, axis), steps(train)
    half_mm, per_mm = _first_grid(stations, chain, axis)
    for _ in range(5):
        samples = scipy.fft.next_fast_len(math.ceil(4 * half_mm * per_mm))
        if samples > _MOST_SAMPLES:
            break
        run = _Run(train, axis, kernel, aberrated, half_mm, samples)
        field = run.follow(stations, chain)
        if field is not None:
            return field
        half_mm *= 1.5 if run.spilled else 1.0
        per_mm *= 1.0 if run.spilled else 1.5
    raise RangeProblem(
        "This train needs too fine a grid to be followed as a wave.",
        got=f"{4 * half_mm * per_mm:.2g} samples",
        expected=f"up to {_MOST_SAMPLES}",
        do="cut the train at a plane where the beam is parallel, or make the beam narrower",
    )


def _first_grid(
    stations: tuple[Station, ...], chain: tuple[Step, ...], axis: Axis
) -> tuple[float, float]:
    """Return the half width, mm, and the highest frequency, 1/mm, that the light should need."""
    radius = max(s.beam.radius_um * 1e-3 for s in stations)
    beam = stations[0].beam
    um = beam.wavelength_nm * beam.beam_quality * 1e-6
    aperture = max(s.beam.numerical_aperture for s in stations)
    if any(
        s.half_mm(axis) < 3 * t.beam.radius_um * 1e-3 for s, t in zip(chain, stations, strict=False)
    ):
        radius *= 1.6  # room for what the edges bend aside
    return 5.0 * radius, 3.6 * aperture / um


@dataclass
class _Run:
    train: Train
    axis: Axis
    kernel: Kernel
    aberrated: bool
    half_mm: float
    samples: int
    spilled: bool = False

    def follow(self, stations: tuple[Station, ...], chain: tuple[Step, ...]) -> WaveField | None:
        """Return the light at the end, or None if the grid did not hold it."""
        spacing = 2 * self.half_mm / self.samples
        x = (np.arange(self.samples) - self.samples // 2) * spacing
        per_mm = scipy.fft.fftfreq(self.samples, spacing)
        beam = stations[0].beam
        mm = beam.wavelength_nm * beam.beam_quality * 1e-6
        w = beam.radius_um * 1e-3
        bend = -np.pi * beam.index * beam.convergence_per_mm / mm
        field = (2 / np.pi) ** 0.25 / math.sqrt(w) * np.exp(-((x / w) ** 2) + 1j * bend * x**2)
        field = scipy.fft.ifftshift(field)
        x = scipy.fft.ifftshift(x)
        spectrum = scipy.fft.fft(field)
        for step, station in zip(chain, stations, strict=False):
            if step.length_mm:
                spectrum = spectrum * _propagator(
                    per_mm, step.length_mm, step.index, mm, self.kernel
                )
                continue
            changes = step.power(self.axis) or math.isfinite(step.half_mm(self.axis))
            if not changes:
                continue
            field = self._plane(scipy.fft.ifft(spectrum), x, step, station, mm, spacing)
            if _share(field, x, 0.9 * self.half_mm) > _LEAK:
                self.spilled = True
                return None
            spectrum = scipy.fft.fft(field)
            if _share(spectrum, per_mm, 0.9 * 0.5 / spacing) > _LEAK:
                return None
        field = scipy.fft.ifft(spectrum)
        if _share(field, x, 0.9 * self.half_mm) > _LEAK:
            self.spilled = True
            return None
        return self._end(spectrum, field, x, stations[-1], mm, spacing)

    def _plane(
        self,
        field: NDArray[np.complex128],
        x: NDArray[np.float64],
        step: Step,
        station: Station,
        mm: float,
        spacing: float,
    ) -> NDArray[np.complex128]:
        """Return the field behind a thin plane."""
        half = step.half_mm(self.axis)
        if math.isfinite(half):
            field = field * np.clip((half - np.abs(x)) / spacing + 0.5, 0.0, 1.0)
        power = step.power(self.axis)
        if not power:
            return field
        before = station.beam.convergence_per_mm
        after = before * step.index / step.index_after + power / step.index_after
        wave = 2j * np.pi / mm
        element = self.train.elements[step.element]
        if self.aberrated and isinstance(element, Lens):
            term = lens_term(element, station.beam, self.axis, step.element)
            if term is not None:
                field = field * np.exp(-wave * term.per_mm4 * 1e-3 * x**4)
        if self.kernel == "paraxial":
            return np.asarray(field * np.exp(-wave * 0.5 * power * x**2))
        flat = field * np.exp(wave * step.index * _sag(x, before))
        steep = max(abs(before), abs(after)) * 3 * station.beam.radius_um * 1e-3
        if steep**2 > 1e-4:
            flat = _by_sines(flat, x, before, after)
        return np.asarray(flat * np.exp(-wave * step.index_after * _sag(x, after)))

    def _end(
        self,
        spectrum: NDArray[np.complex128],
        field: NDArray[np.complex128],
        x: NDArray[np.float64],
        last: Station,
        mm: float,
        spacing: float,
    ) -> WaveField:
        """Keep the frequencies that carry light, no denser than the light's width asks for."""
        power = float(np.sum(np.abs(field) ** 2) * spacing)
        reach = 16 * last.beam.radius_um * 1e-3 + 40 * last.beam.waist_um * 1e-3
        if power < 0.9999:
            reach *= 8  # the tails of a cut beam fall slowly
        reach += 8 * last.beam.rayleigh_um * 1e-3 * last.beam.numerical_aperture / last.beam.index
        keep = max(1, int(2 * self.half_mm // (2 * max(reach, self.half_mm / 4096))))
        per_mm = scipy.fft.fftshift(scipy.fft.fftfreq(self.samples, spacing))
        # transform at frequency ν: Σ field(x) exp(−2πi ν x) dx
        whole = scipy.fft.fftshift(spectrum) * spacing
        centre = self.samples // 2
        pick = np.arange(centre % keep, self.samples, keep)
        kept = whole[pick]
        lit = np.abs(kept) > 1e-7 * np.abs(kept).max()
        inside = np.flatnonzero(lit)
        pick = pick[inside[0] : inside[-1] + 1]
        return WaveField(
            per_mm[pick], whole[pick], last.beam.index, mm, power, self.kernel, self.samples
        )


def _sag(x: NDArray[np.float64], curvature: float) -> NDArray[np.float64]:
    """Return how far a sphere of a curvature lies from its tangent plane, mm."""
    inside = 1.0 + (curvature * x) ** 2
    return np.asarray(curvature * x**2 / (1.0 + np.sqrt(inside)))


def _by_sines(
    flat: NDArray[np.complex128], x: NDArray[np.float64], before: float, after: float
) -> NDArray[np.complex128]:
    """Move light from where its ray meets the lens's plane to where it leaves it.

    Before and behind, the ray's height is R tan θ; on the lens's principal spheres both are at
    one height, R sin θ.
    """
    height = x / np.sqrt(1.0 + (after * x) ** 2)
    inside = 1.0 - (before * height) ** 2
    met = height / np.sqrt(np.maximum(inside, 1e-6))
    order = np.argsort(x)
    stretch = np.sqrt(np.abs(np.gradient(met[order], x[order])))
    moved = np.empty_like(flat)
    real = np.interp(met[order], x[order], flat[order].real, 0.0, 0.0)
    imaginary = np.interp(met[order], x[order], flat[order].imag, 0.0, 0.0)
    moved[order] = (real + 1j * imaginary) * stretch
    return moved


def _share(values: NDArray[np.complex128], places: NDArray[np.float64], edge: float) -> float:
    light = np.abs(values) ** 2
    return float(light[np.abs(places) > edge].sum() / light.sum())


def _propagator(
    per_mm: NDArray[np.float64], distance_mm: float, index: float, mm: float, kernel: Kernel
) -> NDArray[np.complex128]:
    if kernel == "paraxial":
        return np.asarray(np.exp(-1j * np.pi * mm * distance_mm / index * per_mm**2))
    k = index / mm
    square = k**2 - per_mm**2
    # √(k² − ν²) − k without cancellation; what does not travel is left out
    along = -(per_mm**2) / (np.sqrt(np.maximum(square, 0.0)) + k)
    return np.asarray(np.where(square > 0, np.exp(2j * np.pi * distance_mm * along), 0.0))


@dataclass(frozen=True)
class WaveFocus:
    """What wave optics finds near the end of a train, in one axis.

    Parameters
    ----------
    fwhm_um : float
        Width where the light is brightest, µm.
    waist_at_um : float
        Where that is, µm beyond the end of the train.
    rayleigh_um : float
        Distance at which the FWHM is √2 times as large, mean of both sides, µm.
    sidelobe : float
        Highest side lobe over the peak.
    passed : float
        Share of the power that came through.
    """

    fwhm_um: float
    waist_at_um: float
    rayleigh_um: float
    sidelobe: float
    passed: float


def wave_focus(field: WaveField, *, around_um: float, rayleigh_um: float) -> WaveFocus:
    """Find the focus in a field.

    Parameters
    ----------
    field : WaveField
        From `propagate`.
    around_um : float
        Where to begin, µm beyond the end of the train.
    rayleigh_um : float
        Scale of the search, µm: it covers four of them to each side.

    Returns
    -------
    WaveFocus
        The brightest place on the axis.
    """

    def middle(beyond: float) -> float:
        return float(field.profile(np.zeros(1), beyond_um=beyond)[0])

    places = around_um + rayleigh_um * np.linspace(-4, 4, 65)
    best = int(np.clip(np.argmax([middle(p) for p in places]), 1, 63))
    bounds = (places[best - 1], places[best + 1])
    at = float(
        minimize_scalar(
            lambda p: -middle(p), bounds=bounds, method="bounded", options={"xatol": 1e-4}
        ).x
    )
    scale = 1.0 / float(np.sum(np.abs(field.spectrum) ** 2) / np.abs(field.spectrum).max() ** 2)
    scale_um = 1e3 * scale / (field.per_mm[1] - field.per_mm[0])
    fwhm = _fwhm(field, at, scale_um)

    def growth(away: float) -> float:
        wide = scale_um * math.hypot(1, away / rayleigh_um)
        pair = [_fwhm(field, at + side * away, wide) for side in (-1, 1)]
        return (pair[0] + pair[1]) / (2 * fwhm) - math.sqrt(2.0)

    far = rayleigh_um
    while growth(far) < 0 and far < 16 * rayleigh_um:
        far *= 1.5
    long = float(brentq(growth, 0.0, far, rtol=1e-4)) if growth(far) > 0 else math.inf
    x = np.linspace(0.0, 6 * fwhm, 601)
    light = field.profile(x, beyond_um=at)
    dip = int(np.argmax(np.diff(light) > 0)) if np.any(np.diff(light) > 0) else len(x) - 1
    lobe = float(light[dip:].max() / light[0]) if dip < len(x) - 1 else 0.0
    return WaveFocus(fwhm, at, long, lobe, field.passed)


def _fwhm(field: WaveField, at_um: float, scale_um: float) -> float:
    x = np.linspace(0.0, 6 * scale_um, 121)
    light = field.profile(x, beyond_um=at_um)
    top = int(np.argmax(light))
    below = np.flatnonzero(light[top:] < 0.5 * light[top])
    if not below.size:
        return 12 * scale_um
    right = top + int(below[0])
    fine = np.linspace(x[right - 1], x[right], 9)
    values = field.profile(fine, beyond_um=at_um)
    return 2 * float(np.interp(-0.5 * light[top], -values, fine))
