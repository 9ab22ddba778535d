"""Two ways to learn one interval's hazard from features, both monotone where physics says so."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit
from sklearn.ensemble import HistGradientBoostingClassifier

from pipelines.forecast.scores import SMALLEST
from pipelines.handover import Float64s, Int64s


@dataclass(frozen=True, kw_only=True)
class LogisticHazard:
    """Weights on standardised features.

    Attributes:
        centre: Mean of each feature, [F].
        scale: Spread of each feature, [F].
        weights: Intercept first, [F + 1].
    """

    centre: Float64s
    scale: Float64s
    weights: Float64s

    def predict(self, features: Float64s) -> Float64s:
        """Probability within the interval, [n]."""
        at = self.weights[0] + np.clip((features - self.centre) / self.scale, -8, 8) @ self.weights[1:]
        probability: Float64s = expit(at)
        return np.clip(probability, SMALLEST, 1 - SMALLEST)


@dataclass(frozen=True, kw_only=True)
class BoostedHazard:
    """Gradient boosted trees with monotone splits."""

    model: HistGradientBoostingClassifier

    def predict(self, features: Float64s) -> Float64s:
        """Probability within the interval, [n]."""
        probability: Float64s = self.model.predict_proba(features)[:, 1]
        return np.clip(probability, SMALLEST, 1 - SMALLEST)


def learn_logistic(
    features: Float64s, fault: Float64s, weight: Float64s, *, rising: Int64s, faults: float, belief: float = 1.0
) -> LogisticHazard:
    """Ridge logistic regression with weights of at least 0 on rising features.

    Args:
        features: [n, F].
        fault: 0 or 1, [n].
        weight: Of each row, [n].
        rising: 1: the weight may not be below 0, [F].
        faults: Distinct faults behind the rows; the prior is weighed against them.
        belief: Of the prior that a weight is 0: 1 / its variance.
    """
    centre = np.average(features, axis=0, weights=weight)
    spread = np.sqrt(np.average((features - centre) ** 2, axis=0, weights=weight))
    scale = np.where(spread > 1e-9, spread, 1.0)
    design = np.column_stack([np.ones(len(features)), np.clip((features - centre) / scale, -8, 8)])
    hits = (weight * fault).sum()
    scaled = weight * faults / max(hits, 1e-12)
    ridge = np.concatenate([[0.0], np.full(features.shape[1], belief)])

    def loss(weights: Float64s) -> tuple[float, Float64s]:
        at = design @ weights
        value = (scaled * (np.logaddexp(0, at) - fault * at)).sum() + 0.5 * (ridge * weights**2).sum()
        return float(value), design.T @ (scaled * (expit(at) - fault)) + ridge * weights

    rate = np.clip(np.average(fault, weights=weight), SMALLEST, 1 - SMALLEST)
    start = np.concatenate([[np.log(rate / (1 - rate))], np.zeros(features.shape[1])])
    bounds = [(None, None)] + [(0.0, None) if up else (None, None) for up in rising]
    fitted = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds)
    return LogisticHazard(centre=centre, scale=scale, weights=fitted.x)


def learn_boosted(features: Float64s, fault: Float64s, weight: Float64s, *, rising: Int64s, seed: int) -> BoostedHazard:
    """Shallow boosted trees; few, slow and strongly shrunk, because a fleet has hundreds of faults, not thousands."""
    model = HistGradientBoostingClassifier(
        learning_rate=0.1, max_iter=60, max_leaf_nodes=6, min_samples_leaf=25, l2_regularization=3.0,
        monotonic_cst=rising.tolist(), early_stopping=False, max_bins=32, random_state=seed,
    )  # fmt: skip
    return BoostedHazard(model=model.fit(features, fault, sample_weight=weight / weight.mean()))
