"""How bright a laser line looks, and the customary figures of laser safety.

Facts to be told beside a warning, restated from summaries of the standards and from memory: they
certify nothing, and local rules and the laser safety officer come first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planewright.base.problems import RangeProblem

V_TABLE = "CIE 1924 photopic V(λ), 2° (the ȳ of 1931), 1 nm table of CIE 018"
LUMEN_PER_WATT = 683.002  # at the peak, for this table
GREEN_NM = 532.0
PUPIL_MM = 7.0  # a wide pupil, as the standards take it

_V_FROM_NM = 380
_ROWS = """
    3.9e-05 4.28264e-05 4.69146e-05 5.15896e-05 5.71764e-05 6.4e-05 7.234421e-05 8.221224e-05
    9.350816e-05 0.0001061361 0.00012 0.000134984 0.000151492 0.000170208 0.000191816 0.000217
    0.0002469067 0.00028124 0.00031852 0.0003572667 0.000396 0.0004337147 0.000473024 0.000517876
    0.0005722187 0.00064 0.00072456 0.0008255 0.00094116 0.00106988 0.00121 0.001362091
    0.001530752 0.001720368 0.001935323 0.00218 0.0024548 0.002764 0.0031178 0.0035264 0.004
    0.00454624 0.00515932 0.00582928 0.00654616 0.0073 0.008086507 0.00890872 0.00976768
    0.01066443 0.0116 0.01257317 0.01358272 0.01462968 0.01571509 0.01684 0.01800736 0.01921448
    0.02045392 0.02171824 0.023 0.02429461 0.02561024 0.02695857 0.02835125 0.0298 0.03131083
    0.03288368 0.03452112 0.03622571 0.038 0.03984667 0.041768 0.043766 0.04584267 0.048
    0.05024368 0.05257304 0.05498056 0.05745872 0.06 0.06260197 0.06527752 0.06804208 0.07091109
    0.0739 0.077016 0.0802664 0.0836668 0.0872328 0.09098 0.09491755 0.09904584 0.1033674
    0.1078846 0.1126 0.117532 0.1226744 0.1279928 0.1334528 0.13902 0.1446764 0.1504693 0.1564619
    0.1627177 0.1693 0.1762431 0.1835581 0.1912735 0.199418 0.20802 0.2171199 0.2267345 0.2368571
    0.2474812 0.2586 0.2701849 0.2822939 0.2950505 0.308578 0.323 0.3384021 0.3546858 0.3716986
    0.3892875 0.4073 0.4256299 0.4443096 0.4633944 0.4829395 0.503 0.5235693 0.544512 0.56569
    0.5869653 0.6082 0.6293456 0.6503068 0.6708752 0.6908424 0.71 0.7281852 0.7454636 0.7619694
    0.7778368 0.7932 0.8081104 0.8224962 0.8363068 0.8494916 0.862 0.8738108 0.8849624 0.8954936
    0.9054432 0.9148501 0.9237348 0.9320924 0.9399226 0.9472252 0.954 0.9602561 0.9660074
    0.9712606 0.9760225 0.9803 0.9840924 0.9874182 0.9903128 0.9928116 0.9949501 0.9967108
    0.9980983 0.999112 0.9997482 1 0.9998567 0.9993046 0.9983255 0.9968987 0.995 0.9926005
    0.9897426 0.9864444 0.9827241 0.9786 0.9740837 0.9691712 0.9638568 0.9581349 0.952 0.9454504
    0.9384992 0.9311628 0.9234576 0.9154 0.9070064 0.8982772 0.8892048 0.8797816 0.87 0.8598613
    0.849392 0.838622 0.8275813 0.8163 0.8047947 0.793082 0.781192 0.7691547 0.757 0.7447541
    0.7324224 0.7200036 0.7074965 0.6949 0.6822192 0.6694716 0.6566744 0.6438448 0.631 0.6181555
    0.6053144 0.5924756 0.5796379 0.5668 0.5539611 0.5411372 0.5283528 0.5156323 0.503 0.4904688
    0.4780304 0.4656776 0.4534032 0.4412 0.42908 0.417036 0.405032 0.393032 0.381 0.3689184
    0.3568272 0.3447768 0.3328176 0.321 0.3093381 0.2978504 0.2865936 0.2756245 0.265 0.2547632
    0.2448896 0.2353344 0.2260528 0.217 0.2081616 0.1995488 0.1911552 0.1829744 0.175 0.1672235
    0.1596464 0.1522776 0.1451259 0.1382 0.1315003 0.1250248 0.1187792 0.1127691 0.107 0.1014762
    0.09618864 0.09112296 0.08626485 0.0816 0.07712064 0.07282552 0.06871008 0.06476976 0.061
    0.05739621 0.05395504 0.05067376 0.04754965 0.04458 0.04175872 0.03908496 0.03656384
    0.03420048 0.032 0.02996261 0.02807664 0.02632936 0.02470805 0.0232 0.02180077 0.02050112
    0.01928108 0.01812069 0.017 0.01590379 0.01483718 0.01381068 0.01283478 0.01192 0.01106831
    0.01027339 0.009533311 0.008846157 0.00821 0.007623781 0.007085424 0.006591476 0.006138485
    0.005723 0.005343059 0.004995796 0.004676404 0.004380075 0.004102 0.003838453 0.003589099
    0.003354219 0.003134093 0.002929 0.002738139 0.002559876 0.002393244 0.002237275 0.002091
    0.001953587 0.00182458 0.00170358 0.001590187 0.001484 0.001384496 0.001291268 0.001204092
    0.001122744 0.001047 0.0009765896 0.0009111088 0.0008501332 0.0007932384 0.00074 0.0006900827
    0.00064331 0.000599496 0.0005584547 0.00052 0.0004839136 0.0004500528 0.0004183452
    0.0003887184 0.0003611 0.0003353835 0.0003114404 0.0002891656 0.0002684539 0.0002492
    0.0002313019 0.0002146856 0.0001992884 0.0001850475 0.0001719 0.0001597781 0.0001486044
    0.0001383016 0.0001287925 0.00012 0.0001118595 0.0001043224 9.73356e-05 9.084587e-05 8.48e-05
    7.914667e-05 7.3858e-05 6.8916e-05 6.430267e-05 6e-05 5.598187e-05 5.22256e-05 4.87184e-05
    4.544747e-05 4.24e-05 3.956104e-05 3.691512e-05 3.444868e-05 3.214816e-05 3e-05 2.799125e-05
    2.611356e-05 2.436024e-05 2.272461e-05 2.12e-05 1.977855e-05 1.845285e-05 1.721687e-05
    1.606459e-05 1.499e-05
"""
_V = np.array([float(row) for row in _ROWS.split()])
_V.setflags(write=False)


def luminous_efficiency(wavelength_nm: ArrayLike) -> NDArray[np.float64]:
    """Return how bright light looks for its power, over the green that looks brightest.

    Parameters
    ----------
    wavelength_nm : array_like
        Wavelength, nm, 380 to 780.

    Returns
    -------
    ndarray
        V(λ) of `V_TABLE`, 1 at 555 nm; on a straight line between its rows of 1 nm. Later tables
        make violet look brighter, by seven times at 405 nm.

    Raises
    ------
    RangeProblem
        If a wavelength lies outside the table.
    """
    nm = np.asarray(wavelength_nm, dtype=np.float64)
    last = _V_FROM_NM + len(_V) - 1
    if not np.all((nm >= _V_FROM_NM) & (nm <= last)):
        raise RangeProblem(
            "The eye's table does not reach this wavelength.",
            got=f"{np.min(nm):g} to {np.max(nm):g} nm",
            expected=f"{_V_FROM_NM} to {last} nm",
            do="give nanometres: 488, not 0.488; light outside is taken for invisible",
        )
    return np.asarray(np.interp(nm, np.arange(_V_FROM_NM, last + 1), _V))


def times_dimmer(wavelength_nm: float, *, than_nm: float = GREEN_NM) -> float:
    """Return how many times dimmer a line looks than another of the same power.

    Parameters
    ----------
    wavelength_nm : float
        The line, nm.
    than_nm : float
        The line it is held against, nm; 555 for the brightest-looking.

    Returns
    -------
    float
        Over 1 if it looks dimmer.
    """
    return float(luminous_efficiency(than_nm) / luminous_efficiency(wavelength_nm))


def looks_like_mw(power_mw: float, wavelength_nm: float, *, as_nm: float = GREEN_NM) -> float:
    """Return the power of another line that looks as bright, mW."""
    if not power_mw >= 0:
        raise RangeProblem("A power cannot be negative.", got=f"{power_mw:g} mW")
    return power_mw / times_dimmer(wavelength_nm, than_nm=as_nm)


@dataclass(frozen=True)
class LaserClass:
    """Where a power stands among the customary classes of continuous visible lasers.

    Parameters
    ----------
    name : str
        ``"1"``, ``"2"``, ``"3R"``, ``"3B"`` or ``"4"``.
    up_to_mw : float
        Customary upper limit of the class, mW; infinite for class 4.
    says : str
        One sentence for a person.
    """

    name: str
    up_to_mw: float
    says: str


def customary_class(power_mw: float, wavelength_nm: float) -> LaserClass:
    """Return the class that a bare continuous visible beam of this power customarily falls in.

    Parameters
    ----------
    power_mw : float
        Power of the beam, mW.
    wavelength_nm : float
        Wavelength, nm, 400 to 700.

    Returns
    -------
    LaserClass
        A figure to orient by: a class is given to a product by its maker, not to a bench.

    Raises
    ------
    RangeProblem
        If the light is not visible, where other limits hold.
    """
    _check_visible(wavelength_nm)
    if not power_mw >= 0:
        raise RangeProblem("A power cannot be negative.", got=f"{power_mw:g} mW")
    limits = (
        ("1", class_1_limit_mw(wavelength_nm), "customarily taken as safe to look at"),
        ("2", 1.0, "the blink reflex is trusted, which it is not for violet or for long looks"),
        ("3R", 5.0, "looking into the beam is customarily called a low risk, not none"),
        ("3B", 500.0, "looking into the beam or its mirror image injures the eye"),
        ("4", math.inf, "even scattered light can injure the eye, and the beam burns"),
    )
    name, most, why = next(entry for entry in limits if power_mw <= entry[1])
    says = f"{power_mw:g} mW at {wavelength_nm:g} nm is customarily class {name}: {why}."
    return LaserClass(name, most, says)


def class_1_limit_mw(wavelength_nm: float) -> float:
    """Return the customary limit of class 1 for long exposure, mW (from memory)."""
    _check_visible(wavelength_nm)
    return float(min(3.9e-2 * blue_factor(wavelength_nm), 0.39))


def blue_factor(wavelength_nm: float) -> float:
    """Return the factor C3 by which longer wavelengths harm the retina's chemistry less.

    Parameters
    ----------
    wavelength_nm : float
        Wavelength, nm, 400 to 600.

    Returns
    -------
    float
        1 up to 450 nm, then ``10^(0.02 (λ − 450))``.
    """
    _check_visible(wavelength_nm)
    return float(10.0 ** (0.02 * max(0.0, min(wavelength_nm, 600.0) - 450.0)))


def eye_limit_w_m2(seconds: float) -> float:
    """Return the customary limit for a small source, 400 to 700 nm, over a time (from memory).

    Parameters
    ----------
    seconds : float
        Exposure, s, 18 µs to 10 s.

    Returns
    -------
    float
        W/m² at the cornea: ``18 t^0.75 / t``.
    """
    if not 18e-6 <= seconds <= 10:
        raise RangeProblem(
            "This limit holds for short looks only.", got=f"{seconds:g} s", expected="18 µs to 10 s"
        )
    return float(18.0 * seconds**0.75 / seconds)


def through_pupil_mw(irradiance_w_m2: float) -> float:
    """Return the power of even light through a pupil of 7 mm, mW."""
    return irradiance_w_m2 * math.pi * (PUPIL_MM * 1e-3) ** 2 / 4.0 * 1e3


def hazard_distance_m(
    power_mw: float,
    *,
    beam_diameter_mm: float,
    divergence_mrad: float,
    seconds: float = 0.25,
    spread_in_one_axis: bool = False,
) -> float:
    """Return the distance within which a spreading beam is over the customary limit for the eye.

    Parameters
    ----------
    power_mw : float
        Power, mW.
    beam_diameter_mm : float
        Diameter of the beam where it starts, mm.
    divergence_mrad : float
        Full angle by which it spreads, mrad.
    seconds : float
        Exposure, s.
    spread_in_one_axis : bool
        True behind a cylinder: the beam keeps its width in the other axis, and the distance is
        longer.

    Returns
    -------
    float
        Metres; 0 where the beam is under the limit from its start.
    """
    if not (power_mw > 0 and beam_diameter_mm > 0 and divergence_mrad > 0):
        raise RangeProblem(
            "Power, diameter and divergence must be positive.",
            got=f"{power_mw:g} mW, {beam_diameter_mm:g} mm, {divergence_mrad:g} mrad",
        )
    area_mm2 = 4.0 * power_mw * 1e-3 / (math.pi * eye_limit_w_m2(seconds)) * 1e6
    width = area_mm2 / beam_diameter_mm if spread_in_one_axis else math.sqrt(area_mm2)
    return max(0.0, (width - beam_diameter_mm) / divergence_mrad)


def cautions(
    power_mw: float, wavelength_nm: float, *, frequency_doubled: bool = False
) -> tuple[str, ...]:
    """Return what to tell a person who is about to switch this laser on.

    Parameters
    ----------
    power_mw : float
        Power of the laser, mW.
    wavelength_nm : float
        Wavelength, nm, 400 to 700.
    frequency_doubled : bool
        True for a green module that makes its line from an infrared one.

    Returns
    -------
    tuple of str
        Sentences, the first ones specific to this laser.
    """
    dimmer = times_dimmer(wavelength_nm)
    told = [customary_class(power_mw, wavelength_nm).says]
    if dimmer > 1.5:
        same = looks_like_mw(power_mw, wavelength_nm)
        told.append(
            f"It looks {dimmer:.3g} times dimmer than green of {GREEN_NM:g} nm of the same power: "
            f"as bright as {same:.3g} mW of it ({V_TABLE}). How bright it looks says nothing of "
            "its danger."
        )
    if wavelength_nm <= 450 and power_mw > class_1_limit_mw(wavelength_nm):
        told.append("The blink reflex does not protect from violet light: the eye hardly sees it.")
    if frequency_doubled:
        told.append(
            "Frequency-doubled green modules can leak more infrared (808 and 1064 nm) than they "
            "give green (found in NIST Technical Note 1668): block the infrared."
        )
    told += [
        f"Goggles must state their density for {wavelength_nm:g} nm itself.",
        "Never align by eye through a lens: use a camera or a card.",
        "These are customary figures with their assumptions and certify nothing.",
        "Local rules and the laser safety officer come first.",
    ]
    return tuple(told)


def _check_visible(wavelength_nm: float) -> None:
    if not 400 <= wavelength_nm <= 700:
        raise RangeProblem(
            "The customary figures here hold for visible light only.",
            got=f"{wavelength_nm:g} nm",
            expected="400 to 700 nm",
            do="ask the laser safety officer for limits outside the visible",
        )
