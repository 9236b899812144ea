"""Weighted linear fits whose uncertainty comes from what they leave over."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

Floats = NDArray[np.float64]

_MAD = 1.4826


@dataclass(frozen=True)
class LinearFit:
    """Solution of a weighted linear least-squares problem.

    Parameters
    ----------
    value : array of shape (P,)
        Parameters.
    covariance : array of shape (P, P)
        Their covariance, scaled by the scatter about the fit.
    residual : array of shape (N,)
        Data less fit.
    weight : array of shape (N,)
        Weights at the end; 0 for what was left out as outlying.
    scatter : float
        Standard deviation of a datum of weight one.
    bread : array of shape (P, P)
        Inverse of the normal matrix, for covariances of another kind.
    """

    value: Floats
    covariance: Floats
    residual: Floats
    weight: Floats
    scatter: float
    bread: Floats


def linear_fit(design: Floats, data: Floats, weight: Floats | None = None) -> LinearFit:
    """Fit ``design @ value`` to data by weighted least squares.

    Parameters
    ----------
    design : array of shape (N, P)
        Columns are the functions.
    data : array of shape (N,)
        What is fitted.
    weight : array of shape (N,) or None
        Inverse variances up to a common factor; 1 where None.

    Returns
    -------
    LinearFit
        With the covariance scaled by the scatter; infinite where N does not exceed P.
    """
    weight = np.ones(len(data)) if weight is None else np.asarray(weight, dtype=np.float64)
    scale = np.linalg.norm(design, axis=0)
    scale[scale == 0] = 1.0
    scaled = design / scale
    root = np.sqrt(weight)[:, None]
    q, r = np.linalg.qr(scaled * root)
    value = np.linalg.lstsq(r, q.T @ (data * root[:, 0]), rcond=None)[0]
    inverse = np.linalg.pinv(r)
    bread = (inverse @ inverse.T) / np.outer(scale, scale)
    value = value / scale
    residual = data - design @ value
    freedom = int(np.count_nonzero(weight)) - design.shape[1]
    variance = float((weight * residual**2).sum()) / freedom if freedom > 0 else np.inf
    return LinearFit(value, bread * variance, residual, weight, float(np.sqrt(variance)), bread)


def robust_fit(
    design: Floats,
    data: Floats,
    weight: Floats | None = None,
    *,
    reach: float = 4.685,
    rounds: int = 12,
) -> LinearFit:
    """Fit by least squares in which far outliers lose their weight.

    Parameters
    ----------
    design : array of shape (N, P)
        Columns are the functions.
    data : array of shape (N,)
        What is fitted.
    weight : array of shape (N,) or None
        Inverse variances up to a common factor.
    reach : float
        Robust standard deviations at which a datum has no weight left. 4.685 is 95 % efficient
        on independent Gaussian scatter; errors that are alike in groups want more.
    rounds : int
        Most iterations.

    Returns
    -------
    LinearFit
        With Tukey's biweight [1]_. Covariance, scatter and bread are those of an M-estimate [2]_:
        to take a weighted fit's own would tell too small an uncertainty.

    References
    ----------
    .. [1] P. W. Holland and R. E. Welsch, Communications in Statistics A6, 813 (1977).
    .. [2] P. J. Huber, Robust Statistics (1981), section 7.6.
    """
    base = np.ones(len(data)) if weight is None else np.asarray(weight, dtype=np.float64)
    fit = linear_fit(design, data, base)
    spread = 0.0
    for _ in range(rounds):
        far = np.abs(fit.residual) * np.sqrt(base)
        spread = _MAD * float(np.median(far[base > 0]))
        if spread <= 0:
            break
        kept = np.clip(1.0 - (far / (reach * spread)) ** 2, 0.0, None) ** 2
        before = fit.value
        fit = linear_fit(design, data, base * kept)
        if np.allclose(before, fit.value, rtol=1e-10, atol=0.0):
            break
    return _as_estimate(fit, design, base, reach) if spread > 0 else fit


def _as_estimate(fit: LinearFit, design: Floats, base: Floats, reach: float) -> LinearFit:
    """Return a biweight fit with the covariance that an M-estimate has."""
    far = fit.residual * np.sqrt(base)
    spread = _MAD * float(np.median(np.abs(far[base > 0])))
    square = np.minimum((far / (reach * spread)) ** 2, 1.0) if spread > 0 else 0.0 * far
    slope = (1.0 - square) * (1.0 - 5.0 * square)  # of the biweight's influence
    counted = int(np.count_nonzero(base))
    freedom, mean = counted - design.shape[1], float(slope[base > 0].mean())
    if freedom <= 0 or mean < 0.2:
        return fit
    scatter = float(np.sqrt((base * (1.0 - square) ** 4 * fit.residual**2).sum() / freedom)) / mean
    scale = np.linalg.norm(design, axis=0)
    scale[scale == 0] = 1.0
    scaled = design / scale
    plain = np.linalg.pinv(scaled.T @ (scaled * base[:, None])) / np.outer(scale, scale)
    bread = np.linalg.pinv(scaled.T @ (scaled * (base * slope)[:, None])) / np.outer(scale, scale)
    return replace(fit, covariance=plain * scatter**2, scatter=scatter, bread=bread)


def clustered(fit: LinearFit, design: Floats, cluster: NDArray[np.intp]) -> Floats:
    """Return the covariance of a fit whose errors are alike within clusters.

    Parameters
    ----------
    fit : LinearFit
        The fit.
    design : array of shape (N, P)
        Its functions.
    cluster : array of shape (N,), int
        Number of the cluster that each datum belongs to.

    Returns
    -------
    array of shape (P, P)
        The sandwich estimate with the usual correction for few clusters.

    References
    ----------
    .. [1] K.-Y. Liang and S. L. Zeger, Biometrika 73, 13 (1986).
    """
    score = design * (fit.weight * fit.residual)[:, None]
    number = np.unique(cluster, return_inverse=True)[1]
    groups = int(number.max()) + 1
    sums = np.stack([np.bincount(number, column, minlength=groups) for column in score.T], axis=1)
    meat = sums.T @ sums * groups / max(1, groups - 1)
    return np.asarray(fit.bread @ meat @ fit.bread)


def student_factor(freedom: float) -> float:
    """Return by how much a standard deviation from few data must grow.

    Parameters
    ----------
    freedom : float
        Degrees of freedom behind the standard deviation.

    Returns
    -------
    float
        Factor that makes two standard deviations hold 95.45 %; 1 for many, 2.26 for three.

    References
    ----------
    .. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement, table G.2.
    """
    return float(student.ppf(0.97725, max(1.0, freedom))) / 2.0
