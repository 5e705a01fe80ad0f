"""The primary interval: the effect of the arm with the switch unit as the unit of replication.

In go the pass table's response and design; out comes the arm's coefficient with a t interval on
containment degrees of freedom. Every fixed effect but the arm is projected out once, and what is
left is rotated into the small space that runs span (`effect.reduction`), where the covariance is

    V = s0 I + s1 C_other + s2 C_unit

with s0 the pass variance, s1 that of the other grouping (runs within switch units, or days over
them) and s2 that of the switch units. Passes outside that space only tell s0. REML is Fisher
scoring in (s0, s1, s2) on this reduced problem, for one response or many at once, so that the
calibration study runs the very code that prints the result.

Where the switch units vary less than their passes and runs imply, a bounded fit ends at s2 = 0 and
its width no longer follows the units. There the between-unit covariance is scaled by phi < 1
instead, which is a negative component proportional to each unit's own sampling variance:

    V = Vo - (1 - phi) Q (Q'Vo^-1 Q)^-1 Q',   Vo = s0 I + s1 C_other,  Q spanning the units,

positive definite for every phi > 0, with phi the weighted between-unit mean square under Vo, in
closed form. In a balanced study both branches are the t interval of the switch-unit means.

Where the switch unit is the run, days lie over the units. Q then spans the units within their days,
a day takes from the degrees of freedom the share of the arm's variation that lies within days, and
the standard error is widened for the estimated weight of within-day against between-day evidence.
Derivation: docs/method.md.

References
----------
Kenward M.G., Roger J.H. (1997), Biometrics 53, 983-997 (the widening, in its one-coefficient form).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roadlog.effect.reduction import Reduced
from roadlog.errors import FitError

Floats = NDArray[np.floating[Any]]

_MAX_ITERATIONS = 200
_NEAR = 0.1  # squared step in standard errors from which observed information serves
_ARRIVED = 1e-13  # squared step in standard errors
_ARRIVED_STALLED = 1e-8  # the same, once working precision allows no lower value


@dataclass(frozen=True)
class PrimaryFit:
    """Estimates for B responses.

    `tau`, `se` (B,) on the response's scale; `s` (B, 3) variances of pass, other, unit at weight
    1; `phi` (B,) between-unit scale (1 where s2 > 0); `df` one number; `criterion` (B,) -2 log
    restricted likelihood up to a constant; `converged` (B,) whether the optimum was checked.
    """

    tau: Floats
    se: Floats
    s: Floats
    phi: Floats
    df: int
    criterion: Floats
    converged: NDArray[np.bool_]

    def bounds(self, level: float = 0.95) -> tuple[Floats, Floats]:
        """Lower and upper bounds (B,); NaN where the degrees of freedom are under 2."""
        from scipy.special import stdtrit

        if self.df < 2:
            nothing = np.full_like(self.tau, np.nan)
            return nothing, nothing
        half = stdtrit(self.df, 0.5 + level / 2) * self.se
        return self.tau - half, self.tau + half


def fit_primary(reduced: Reduced, y: ArrayLike) -> PrimaryFit:
    """Fit the arm's coefficient for one response (n,) or a batch (n, B).

    Raises
    ------
    FitError
        If nothing is left to tell the pass-to-pass variance.

    >>> import numpy as np
    >>> from roadlog.effect.reduction import reduce_design
    >>> rng = np.random.default_rng(2)
    >>> unit = np.repeat(np.arange(6), 10)
    >>> arm = (unit % 2).astype(float)
    >>> y = 0.05 * arm + rng.normal(0, 0.01, 60)
    >>> fit = fit_primary(reduce_design(np.ones((60, 1)), arm, unit, None), y)
    >>> fit.df, bool(0.03 < fit.tau[0] < 0.07)
    (4, True)
    """
    if reduced.n_outside < 1:
        raise FitError(
            "there are too few passes for this model: drop covariates or add runs or segments"
        )
    w, sse = reduced.project(y)
    total = np.einsum("bi,bi->b", w, w) + sse
    scale = np.sqrt(np.maximum(total, 1e-300) / len(reduced.fixed_basis))
    w = w / scale[:, None]
    sse = sse / scale**2
    if (sse <= 1e-18).any():
        raise FitError("the fixed effects explain the passes exactly: nothing is left to vary")
    s, value, converged = _scoring(reduced, reduced.arm, w, sse)
    tau, se, phi = _effect(reduced, w, s)
    return PrimaryFit(
        tau=tau * scale,
        se=se * scale,
        s=s * scale[:, None] ** 2,
        phi=phi,
        df=reduced.df,
        criterion=value + (reduced.n_outside + len(reduced.arm) - 1) * 2 * np.log(scale),
        converged=converged,
    )


def _effect(reduced: Reduced, w: Floats, s: Floats) -> tuple[Floats, Floats, Floats]:
    """Generalised least squares for the arm, with the between-unit scale where s2 is zero."""
    inverse = np.linalg.inv(covariance(reduced, s))
    va = inverse @ reduced.arm
    information = va @ reduced.arm
    tau = np.einsum("bi,bi->b", va, w) / information
    variance = 1 / information
    phi = np.ones(len(s))
    at_zero = s[:, 2] <= 0
    q = reduced.unit_basis
    if at_zero.any() and q.shape[1] > 1:
        vq = inverse[at_zero] @ q
        residual = w[at_zero] - tau[at_zero, None] * reduced.arm
        gram = q.T @ vq
        r = np.einsum("biq,bi->bq", vq, residual)
        a = np.einsum("biq,i->bq", vq, reduced.arm)
        between = np.einsum("bq,bq->b", r, np.linalg.solve(gram, r[:, :, None])[:, :, 0])
        arm_share = (
            np.einsum("bq,bq->b", a, np.linalg.solve(gram, a[:, :, None])[:, :, 0])
            / information[at_zero]
        )
        phi[at_zero] = between / (q.shape[1] - arm_share)
        variance[at_zero] *= 1 - (1 - phi[at_zero]) * arm_share
    if reduced.other_over_units:
        variance = variance * _weight_uncertainty(reduced, s, inverse, va, information)
    return tau, np.sqrt(variance), phi


def _weight_uncertainty(
    reduced: Reduced, s: Floats, inverse: Floats, va: Floats, information: Floats
) -> Floats:
    """Kenward and Roger's inflation (B,) of the arm's variance for estimated variances."""
    p = inverse - va[:, :, None] * va[:, None, :] / information[:, None, None]
    dva = {i: va @ c for i, c in _patterns(reduced).items()}
    slope = np.zeros((len(s), 3))
    second = np.zeros((len(s), 3, 3))
    for i, d in dva.items():
        slope[:, i] = np.einsum("bi,bi->b", va, d)
        v_d = np.einsum("bij,bj->bi", inverse, d)
        for j, e in dva.items():
            second[:, i, j] = np.einsum("bi,bi->b", v_d, e)
    expected = _expected(reduced, p, s)
    at_zero = s <= 0
    for i in range(3):
        expected[at_zero[:, i], i, :] = expected[at_zero[:, i], :, i] = 0.0
        expected[at_zero[:, i], i, i] = 1.0
    free = ~at_zero
    bracket = second - slope[:, :, None] * slope[:, None, :] / information[:, None, None]
    bracket = bracket * free[:, :, None] * free[:, None, :]
    return np.asarray(
        1 + 4 * np.einsum("bij,bij->b", np.linalg.inv(expected), bracket) / information
    )


def null_variances(reduced: Reduced, w: Floats, sse: float) -> Floats:
    """REML variances (3,) of one projected response (m,) under the hypothesis of no effect."""
    s, _, _ = _scoring(reduced, None, w[None, :], np.array([sse]))
    return np.asarray(s[0])


def _scoring(
    reduced: Reduced, arm: Floats | None, w: Floats, sse: Floats
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Variances (B, 3), criterion (B,) and whether each row converged.

    With few passes to spare the criterion can have two minima, so a second start is tried.
    """
    start = np.zeros((len(w), 3))
    start[:, 0] = sse / reduced.n_outside
    found = _descend(reduced, arm, w, sse, start)
    if reduced.n_outside >= len(reduced.arm):
        return found
    start[:, 2] = start[:, 0]
    if reduced.c_other is not None:
        start[:, 1] = start[:, 0]
    again = _descend(reduced, arm, w, sse, start)
    lower = again[2] & (~found[2] | (again[1] < found[1]))
    for old, new in zip(found, again, strict=True):
        old[lower] = new[lower]
    return found


def _descend(
    reduced: Reduced, arm: Floats | None, w: Floats, sse: Floats, start: Floats
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Projected scoring with step halving; each row of the batch stops when it is done."""
    batch = len(w)
    free = np.array([True, reduced.c_other is not None, True])
    s = start.copy()
    value = np.empty(batch)
    converged = np.zeros(batch, dtype=bool)
    stalled = np.zeros(batch, dtype=bool)
    active = np.arange(batch)
    value[active], gradient, expected, observed = _criterion(reduced, arm, w, sse, s)
    for _ in range(_MAX_ITERATIONS):
        decrement, step = _step(s[active], gradient, expected, observed, free)
        done = decrement < np.where(stalled[active], _ARRIVED_STALLED, _ARRIVED)
        converged[active[done]] = True
        keep = ~done
        active, step = active[keep], step[keep]
        if len(active) == 0:
            break
        trial = _project(s[active] + step)
        f, gradient, expected, observed = _criterion(reduced, arm, w[active], sse[active], trial)
        for _ in range(40):
            worse = ~(f <= value[active] + 1e-10 * np.maximum(np.abs(value[active]), 1.0))
            if not worse.any():
                break
            step[worse] *= 0.5
            again = active[worse]
            trial[worse] = _project(s[again] + step[worse])
            f[worse], gradient[worse], expected[worse], observed[worse] = _criterion(
                reduced, arm, w[again], sse[again], trial[worse]
            )
        stalled[active] = f >= value[active] - 1e-13 * np.abs(value[active])
        s[active], value[active] = trial, f
    return s, value, converged


def _step(
    s: Floats, gradient: Floats, expected: Floats, observed: Floats, free: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Decrement (B,) and step (B, 3).

    A row steps by expected information while far off, by observed once near. Components at zero
    that the step would push below are held there.
    """
    step, decrement, held = _newton(s, gradient, expected, free)
    near = decrement < _NEAR
    positive = np.linalg.eigvalsh(_restricted(observed, held))[:, 0] > 0
    use = near & positive
    if use.any():
        step[use], decrement[use], _ = _newton(s[use], gradient[use], observed[use], free)
    return decrement, step


def _newton(
    s: Floats, gradient: Floats, information: Floats, free: NDArray[np.bool_]
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Newton step (B, 3), its decrement (B,), and which components were held."""
    held = (s <= 0) & (gradient >= 0) | ~free
    for _ in range(3):
        slope = np.where(held, 0.0, gradient)
        step = -np.linalg.solve(_restricted(information, held), slope[:, :, None])[:, :, 0]
        leaving = (s <= 0) & (step < 0) & ~held
        if not leaving.any():
            break
        held = held | leaving
    return step, -np.einsum("bi,bi->b", slope, step), held


def _restricted(information: Floats, held: NDArray[np.bool_]) -> Floats:
    """Information with held components replaced by ones, and a trace of a ridge."""
    h = information.copy()
    for i in range(3):
        h[held[:, i], i, :] = h[held[:, i], :, i] = 0.0
        h[held[:, i], i, i] = 1.0
    diagonal = np.abs(h[:, range(3), range(3)])
    h[:, range(3), range(3)] += 1e-13 * diagonal + 1e-300
    return h


def _project(s: Floats) -> Floats:
    out = np.maximum(s, 0.0)
    out[:, 0] = np.maximum(s[:, 0], 1e-12)
    tiny = out[:, 1:] < 1e-9 * out[:, :1]
    out[:, 1:][tiny] = 0.0
    return out


def covariance(reduced: Reduced, s: Floats) -> Floats:
    """V (B, m, m) of the reduced problem at variances s (B, 3)."""
    m = len(reduced.arm)
    v = s[:, 2, None, None] * (reduced.units @ reduced.units.T)
    if reduced.c_other is not None:
        v = v + s[:, 1, None, None] * reduced.c_other
    v[:, range(m), range(m)] += s[:, :1]
    return np.asarray(v)


def _patterns(reduced: Reduced) -> dict[int, Floats]:
    """Covariance pattern (m, m) of each variance that the model has, by its position in s."""
    found: dict[int, Floats] = {0: np.eye(len(reduced.arm))}
    if reduced.c_other is not None:
        found[1] = reduced.c_other
    found[2] = reduced.units @ reduced.units.T
    return found


def _criterion(
    reduced: Reduced, arm: Floats | None, w: Floats, sse: Floats, s: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """-2 log restricted likelihood, gradient (B, 3), expected and observed information."""
    v = covariance(reduced, s)
    inverse = np.linalg.inv(v)
    _, log_det = np.linalg.slogdet(v)
    p = inverse
    if arm is not None:
        va = inverse @ arm
        information_arm = va @ arm
        log_det = log_det + np.log(information_arm)
        p = inverse - va[:, :, None] * va[:, None, :] / information_arm[:, None, None]
    pw = np.einsum("bij,bj->bi", p, w)
    n, s0 = reduced.n_outside, s[:, 0]
    value = n * np.log(s0) + sse / s0 + log_det + np.einsum("bi,bi->b", w, pw)
    gradient = np.zeros((len(s), 3))
    quadratic = np.zeros((len(s), 3, 3))
    patterns = _patterns(reduced)
    dw = {i: pw @ c for i, c in patterns.items()}
    for i, c in patterns.items():
        gradient[:, i] = np.einsum("bij,ji->b", p, c) - np.einsum("bi,bi->b", pw, dw[i])
        p_dw = np.einsum("bij,bj->bi", p, dw[i])
        for j in patterns:
            quadratic[:, i, j] = np.einsum("bi,bi->b", p_dw, dw[j])
    gradient[:, 0] += n / s0 - sse / s0**2
    quadratic[:, 0, 0] += sse / s0**3
    expected = _expected(reduced, p, s)
    return value, gradient, expected, 2 * quadratic - expected


def _expected(reduced: Reduced, p: Floats, s: Floats) -> Floats:
    """Expected information (B, 3, 3) of the variances: tr(P C_i P C_j)."""
    products = {i: p @ c for i, c in _patterns(reduced).items()}
    expected = np.zeros((len(s), 3, 3))
    expected[:, 1, 1] = 1.0
    for i, pi in products.items():
        for j, pj in products.items():
            if j <= i:
                expected[:, i, j] = expected[:, j, i] = np.einsum("bij,bji->b", pi, pj)
    expected[:, 0, 0] += reduced.n_outside / s[:, 0] ** 2
    return expected
