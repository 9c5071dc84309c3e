"""Loss pooled across studies: random effects, by restricted maximum likelihood.

Each study says how much was lost over how much service. Here the losses are put on one footing,
the natural logarithm lost per stated service (10,000 km, or 12 months), and pooled, leaving room
for real differences between studies.

References
----------
.. [1] W. Viechtbauer, "Bias and efficiency of meta-analytic variance estimators in the
       random-effects model", Journal of Educational and Behavioral Statistics 30 (2005) 261-293:
       restricted likelihood of the variance between studies.
.. [2] J. Hartung and G. Knapp, "A refined method for the meta-analysis of controlled clinical
       trials with binary outcome", Statistics in Medicine 20 (2001) 3875-3889.
.. [3] G. Knapp and J. Hartung, "Improved tests for a random effects meta-regression with a single
       covariate", Statistics in Medicine 22 (2003) 2693-2710: the factor is not let below 1.
.. [4] J. P. T. Higgins and S. G. Thompson, "Quantifying heterogeneity in a meta-analysis",
       Statistics in Medicine 21 (2002) 1539-1558: Q and I squared.
.. [5] J. P. T. Higgins, S. G. Thompson and D. J. Spiegelhalter, "A re-evaluation of random-effects
       meta-analysis", Journal of the Royal Statistical Society A 172 (2009) 137-159, section 4.1:
       prediction interval with k - 2 degrees of freedom.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from reports.degradation.intervals import from_log

# Beyond these a loss or its error cannot be real, and exponentials would overflow.
LARGEST_LOG_LOSS = 500.0
SMALLEST_ERROR, LARGEST_ERROR = 1e-9, 1e4

STUDIES_FOR_PREDICTION = 3
FEW_STUDIES = 5


class CannotPool(ValueError):
    """A study cannot enter the pool; the message is a sentence that says why."""


@dataclass(frozen=True)
class StudyLoss:
    """What one study says was lost over one stated amount of service.

    Attributes
    ----------
    label : str
        Name of the study, for tables and messages.
    log_loss : float
        Natural logarithm of (before / after) per stated service; above 0 means lost.
    standard_error : float
        Of `log_loss`, above 0.
    """

    label: str
    log_loss: float
    standard_error: float

    def __post_init__(self) -> None:
        if not abs(self.log_loss) <= LARGEST_LOG_LOSS:
            raise CannotPool(
                f"{self.label}: a loss of {self.log_loss:g} on the log scale cannot be pooled."
            )
        if not SMALLEST_ERROR <= self.standard_error <= LARGEST_ERROR:
            raise CannotPool(
                f"{self.label}: a standard error of {self.standard_error:g} on the log scale "
                f"cannot be pooled; it must lie between {SMALLEST_ERROR:g} and {LARGEST_ERROR:g}."
            )


@dataclass(frozen=True)
class PooledLoss:
    """Studies pooled, or a sentence why not.

    Attributes
    ----------
    log_loss : float or None
        Mean loss over studies, natural log per stated service. None when `refusal` says why.
    low, high : float or None
        Hartung-Knapp interval of the mean [2]_.
    standard_error : float or None
        Hartung-Knapp standard error of the mean.
    variance_between : float or None
        Variance of the true losses between studies, by restricted maximum likelihood.
    q, q_degrees_of_freedom, q_p_value : float or None, int, float or None
        Cochran's test that all studies share one loss.
    inconsistency_share : float or None
        I squared as a fraction 0 to 1: the share of the spread that is not sampling error [4]_.
    prediction_low, prediction_high : float or None
        Where the true loss of one further study like these is expected [5]_; needs three.
    hartung_knapp_factor : float or None
        Multiplier of the variance of the mean, before it was kept from falling below 1.
    level : float
    weights : tuple of float
        Share of each study in the mean, adding up to 1, in the order given.
    labels : tuple of str
        Names of the studies, in the same order.
    refusal : str
    notes : tuple of str
    """

    log_loss: float | None
    low: float | None
    high: float | None
    standard_error: float | None
    variance_between: float | None
    q: float | None
    q_degrees_of_freedom: int
    q_p_value: float | None
    inconsistency_share: float | None
    prediction_low: float | None
    prediction_high: float | None
    hartung_knapp_factor: float | None
    level: float
    weights: tuple[float, ...]
    labels: tuple[str, ...]
    refusal: str
    notes: tuple[str, ...]

    @property
    def study_count(self) -> int:
        """Number of studies pooled."""
        return len(self.labels)

    @property
    def retention(self) -> float | None:
        """Fraction kept over the stated service, at the mean."""
        return None if self.log_loss is None else from_log(-self.log_loss)

    @property
    def retention_low(self) -> float | None:
        """Lower end of the fraction kept: the upper end of the loss."""
        return None if self.high is None else from_log(-self.high)

    @property
    def retention_high(self) -> float | None:
        """Upper end of the fraction kept: the lower end of the loss."""
        return None if self.low is None else from_log(-self.low)

    def words(self, *, per: str) -> str:
        """The pooled loss in one sentence; `per` is the stated service, such as 10,000 km."""
        kept, low, high = self.retention, self.retention_low, self.retention_high
        if kept is None or low is None or high is None:
            return self.refusal
        return (
            f"Over {self.study_count} studies about {_percent(kept)} was kept per {per}; "
            f"{100 * self.level:g} % interval {_percent(low)} to {_percent(high)}."
        )


def study_loss(
    label: str,
    *,
    retention: tuple[float | None, float, float],
    level: float,
    service: float,
    per: float,
    service_uncertainty: float = 0.0,
) -> StudyLoss:
    """Put one finding on the footing of a stated amount of service.

    Parameters
    ----------
    label : str
        Name of the study.
    retention : (float or None, float, float)
        Fraction kept, and the lower and upper end of its interval, all above 0; an end of 0 or
        infinity is open.
    level : float
        Level of that interval, between 0 and 1.
    service : float
        Service of the used arm, above 0, in any unit.
    per : float
        Stated service, above 0, in the same unit: 10,000 for a loss per 10,000 km.
    service_uncertainty : float
        Standard uncertainty of `service`, 0 or more, same unit.

    Returns
    -------
    StudyLoss

    Raises
    ------
    CannotPool
        The finding has no interval, an open end, or no service.
    ValueError
        A level or stated service out of range.

    Notes
    -----
    The loss per stated service is b = -ln(retention) per / service: a constant rate on the log
    scale is assumed between none and the service tested. Its standard error joins the interval's
    half width, divided by the normal quantile, with b times the relative uncertainty of the
    service. A small study's interval is wider than a normal one of the same scatter, and all of
    that width is kept, so small studies weigh less rather than more.
    """
    _check_level(level)
    if not (math.isfinite(per) and per > 0):
        raise ValueError(f"The stated service must be above 0, not {per}.")
    kept, low, high = retention
    if kept is None or not (low > 0 and math.isfinite(high)):
        raise CannotPool(f"{label}: the interval is open at one end, so it cannot be pooled.")
    if not 0 < low <= kept <= high:
        raise CannotPool(f"{label}: {kept:g} does not lie between {low:g} and {high:g}.")
    if not (math.isfinite(service) and service > 0):
        raise CannotPool(f"{label}: the service of the used items is not known.")
    if not (math.isfinite(service_uncertainty) and service_uncertainty >= 0):
        raise CannotPool(f"{label}: the uncertainty of the service must be 0 or more.")
    turns = per / service
    log_loss = -math.log(kept) * turns
    quantile = float(special.ndtri((1 + level) / 2))
    sampling = (math.log(high) - math.log(low)) / (2 * quantile) * turns
    error = math.hypot(sampling, log_loss * service_uncertainty / service)
    return StudyLoss(label=label, log_loss=log_loss, standard_error=error)


def pool_losses(
    studies: Sequence[StudyLoss], *, level: float = 0.95, guard: bool = True
) -> PooledLoss:
    """Pool losses of independent studies with random effects.

    Parameters
    ----------
    studies : sequence of StudyLoss
        All per the same stated service.
    level : float
        Between 0 and 1.
    guard : bool
        Keep the Hartung-Knapp factor from falling below 1 [3]_, so that studies which happen to
        agree closely do not give an interval narrower than their own errors allow.

    Returns
    -------
    PooledLoss
        With `refusal` when there are fewer than two studies.

    Raises
    ------
    ValueError
        A level out of range.

    Notes
    -----
    With y_i and v_i the loss and squared error of study i and w_i = 1 / (v_i + t), the variance t
    between studies maximises

        -1/2 sum ln(v_i + t) - 1/2 ln sum w_i - 1/2 sum w_i (y_i - m)^2,  m = sum w_i y_i / sum w_i,

    over t >= 0 [1]_. The interval is m +- t(k - 1) sqrt(q / sum w_i) with
    q = sum w_i (y_i - m)^2 / (k - 1) [2]_. The prediction interval is
    m +- t(k - 2) sqrt(t + se^2) [5]_. With two or three studies t itself is hardly known, which
    the wide t quantiles cover only in part.
    """
    _check_level(level)
    labels = tuple(study.label for study in studies)
    count = len(labels)
    if count < 2:
        found = "Only one study" if count == 1 else "No study"
        return _refused(f"{found} is there to pool; pooling needs at least two.", level, labels)

    y = np.array([study.log_loss for study in studies])
    v = np.array([study.standard_error for study in studies]) ** 2
    between = _variance_between(y, v)
    w = 1 / (v + between)
    mean = float(w @ y / w.sum())
    factor = float(w @ (y - mean) ** 2) / (count - 1)
    error = math.sqrt((max(1.0, factor) if guard else factor) / w.sum())
    reach = float(special.stdtrit(count - 1, (1 + level) / 2)) * error

    prediction: tuple[float | None, float | None] = (None, None)
    notes: list[str] = []
    if count >= STUDIES_FOR_PREDICTION:
        quantile = float(special.stdtrit(count - 2, (1 + level) / 2))
        further = quantile * math.sqrt(between + error**2)
        prediction = (mean - further, mean + further)
    else:
        notes.append("Two studies are too few to say where a further one would fall.")
    if count < FEW_STUDIES:
        notes.append(f"With {count} studies the spread between studies is hardly known.")

    q = _cochran_q(y, v)
    return PooledLoss(
        log_loss=mean,
        low=mean - reach,
        high=mean + reach,
        standard_error=error,
        variance_between=between,
        q=q,
        q_degrees_of_freedom=count - 1,
        q_p_value=float(special.chdtrc(count - 1, q)),
        inconsistency_share=max(0.0, 1 - (count - 1) / q) if q > 0 else 0.0,
        prediction_low=prediction[0],
        prediction_high=prediction[1],
        hartung_knapp_factor=factor,
        level=level,
        weights=tuple((w / w.sum()).tolist()),
        labels=labels,
        refusal="",
        notes=tuple(notes),
    )


def pool_losses_by_group(
    studies: Iterable[tuple[tuple[str, ...], StudyLoss]], *, level: float = 0.95
) -> dict[tuple[str, ...], PooledLoss]:
    """Pool each group of studies on its own, groups in sorted order.

    Parameters
    ----------
    studies : iterable of (tuple of str, StudyLoss)
        The group, for example property, kind of gear and stated service, beside each study.
    level : float
        Between 0 and 1.

    Returns
    -------
    dict of tuple of str to PooledLoss
        Groups with one study are there too, refused in words.
    """
    groups: dict[tuple[str, ...], list[StudyLoss]] = {}
    for group, study in studies:
        groups.setdefault(group, []).append(study)
    return {group: pool_losses(groups[group], level=level) for group in sorted(groups)}


def _percent(share: float) -> str:
    """Share in percent; a share too great to be a percentage anyone reads is said to be so."""
    return f"{100 * share:.0f} %" if share < 100 else "over 10,000 %"


def _check_level(level: float) -> None:
    if not 0 < level < 1:
        raise ValueError(f"The level must lie between 0 and 1, not {level}.")


def _refused(refusal: str, level: float, labels: tuple[str, ...]) -> PooledLoss:
    return PooledLoss(
        log_loss=None,
        low=None,
        high=None,
        standard_error=None,
        variance_between=None,
        q=None,
        q_degrees_of_freedom=0,
        q_p_value=None,
        inconsistency_share=None,
        prediction_low=None,
        prediction_high=None,
        hartung_knapp_factor=None,
        level=level,
        weights=(),
        labels=labels,
        refusal=refusal,
        notes=(),
    )


def _cochran_q(y: npt.NDArray[np.float64], v: npt.NDArray[np.float64]) -> float:
    w = 1 / v
    return float(w @ (y - w @ y / w.sum()) ** 2)


def _restricted_score(t: float, y: npt.NDArray[np.float64], v: npt.NDArray[np.float64]) -> float:
    """Derivative of twice the restricted log likelihood with respect to t."""
    w = 1 / (v + t)
    mean = w @ y / w.sum()
    return float(w**2 @ (y - mean) ** 2 - w.sum() + w @ w / w.sum())


def _variance_between(y: npt.NDArray[np.float64], v: npt.NDArray[np.float64]) -> float:
    """Restricted maximum likelihood estimate of the variance between studies, 0 or more.

    The likelihood may have more than one hump when errors differ much, so the highest point of a
    wide grid is taken first and then sharpened by the root of the score beside it.
    """
    scale = float(np.median(v))
    y = (y - y.mean()) / math.sqrt(scale)
    v = v / scale
    top = 10 * (float(np.ptp(y)) ** 2 + float(v.max()))
    grid = np.concatenate([[0.0], np.geomspace(1e-8 * min(1.0, float(v.min())), top, 600)])
    w = 1 / (v + grid[:, None])
    total = w.sum(axis=1)
    mean = w @ y / total
    twice = np.log(w).sum(axis=1) - np.log(total) - (w * (y - mean[:, None]) ** 2).sum(axis=1)
    best = int(np.argmax(twice))
    left, right = grid[max(best - 1, 0)], grid[min(best + 1, grid.size - 1)]
    at_left = _restricted_score(left, y, v)
    if at_left <= 0:
        # Falling from the left edge: the maximum is at no variance at all.
        return float(left) * scale
    if _restricted_score(right, y, v) >= 0:
        return float(grid[best]) * scale
    root = optimize.brentq(_restricted_score, left, right, args=(y, v), xtol=1e-14, rtol=1e-13)
    return float(root) * scale
