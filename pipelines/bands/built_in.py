"""The built-in normal ranges, which hold a family until enough of its vehicles are read; arrays in and out.

One vehicle alone cannot show what is normal: what it reads would be, wherever that is. So a small family's centre lies
no farther from the catalogue's neutral value than healthy families' do, and its levels scatter no more than theirs.
"""

import csv
from functools import cache
from importlib.resources import files

import numpy as np

from pipelines.handover import Float64s, Panel

ENOUGH_PEERS = 5  # vehicles whose median says where a family lies, whatever two of them read; judgement
# Of the normal range on one side of neutral, one half is how far families' centres lie apart, the other what vehicles'
# levels add, as two of their sds: judgement.
OF_CENTRE, SDS = 0.5, 4.0
PRIOR_VEHICLES = 3.0  # that a prior of the spread of levels is worth; judgement


@cache
def _shares() -> tuple[tuple[str, float], ...]:
    """Beginnings of codes and the share of the way to a limit that is normal, the longest beginning first."""
    lines = files("pipelines.bands").joinpath("built_in_ranges.csv").read_text(encoding="utf-8").splitlines()
    rows = [(row["code_begins"], float(row["share"])) for row in csv.DictReader(lines)]
    return tuple(sorted(rows, key=lambda row: -len(row[0])))


def normal_share(code: str) -> float:
    """Share of the way from neutral to a limit within which healthy engines of any family read."""
    return next(share for begins, share in _shares() if code.startswith(begins))


def normal_range(code: str, neutral: float, low_limit: float, high_limit: float) -> tuple[float, float]:
    """The built-in normal range of a correction, in its unit."""
    share = normal_share(code)
    return neutral - share * (neutral - low_limit), neutral + share * (high_limit - neutral)


def near_neutral(panel: Panel, centre: Float64s, vehicles: int) -> Float64s:
    """[C, K] centres of a family, where it is small no farther from neutral than healthy families lie.

    Args:
        panel: The family's codes and limits; one without neutral value or limits stays as it is.
        centre: [C, K].
        vehicles: How many of the family were read.
    """
    if vehicles >= ENOUGH_PEERS:
        return centre
    low, high = _ways(panel)
    neutral = panel.neutral
    least, most = neutral - OF_CENTRE * low, neutral + OF_CENTRE * high
    return np.fmin(np.fmax(centre, least[:, None]), most[:, None])


def as_healthy(panel: Panel, spread_sd: Float64s, vehicles: int) -> Float64s:
    """[C] sd of vehicles' levels, where the family is small drawn to what healthy families have, and never above it.

    Few vehicles that happen to read alike do not show that a level beside theirs is no healthy one.
    """
    if vehicles >= ENOUGH_PEERS:
        return spread_sd
    low, high = _ways(panel)
    low, high = np.where(panel.measured_low, low, np.nan), np.where(panel.measured_high, high, np.nan)
    usual = np.fmax(low, high) / SDS
    own = np.fmin(spread_sd, usual)
    drawn: Float64s = np.sqrt((vehicles * own**2 + PRIOR_VEHICLES * usual**2) / (vehicles + PRIOR_VEHICLES))
    return np.where(np.isfinite(usual), drawn, own)


def _ways(panel: Panel) -> tuple[Float64s, Float64s]:
    """[C], [C] width of the normal range below and above neutral; NaN: not known, or whatever the limits allow."""
    share = np.array([normal_share(code) for code in panel.codes])
    share = np.where(share < 1, share, np.nan)
    return share * (panel.neutral - panel.low_limit), share * (panel.high_limit - panel.neutral)
