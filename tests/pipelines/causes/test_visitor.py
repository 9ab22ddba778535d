import numpy as np
import polars as pl
import pytest

from pipelines.causes.ranking import NONE
from pipelines.causes.visitor import FEWEST_PEERS, Fleet, family_now, visitor
from pipelines.errors import LeewayError

CODES = ("ltft_b1_idle", "ltft_b1_low", "ltft_b1_high", "ltft_b2_idle", "iac_neutral", "fuel_press")


@pytest.fixture
def fleet(evidence):
    """Evidence, and what eight peers should read: levels around 0 that differ by 0.5, bands of three sigmas of 1."""
    known = evidence(tuple(f"van-{n}" for n in range(8)))
    rng = np.random.default_rng(3)
    rows = [
        {"vehicle_id": f"van-{n}", "correction": code, "expected": level, "band_low": level - 3, "band_high": level + 3}
        for n in range(8)
        for code, level in zip(CODES, rng.normal(0, 0.5, len(CODES)), strict=True)
    ]
    tables = {name: getattr(known, name) for name in ("corrections", "families", "vehicles", "work")}
    return Fleet(**tables), pl.DataFrame(rows)


def test_what_is_usual_is_the_middle_of_what_peers_should_read(fleet):
    known, state = fleet
    usual = family_now(state, known.vehicles, "hawthorn")
    assert usual["correction"].to_list() == sorted(CODES)
    assert usual["usual"].abs().max() < 1
    assert usual["sigma"].is_between(1.0, 1.6).all()
    assert family_now(
        state.filter(pl.col("vehicle_id") < f"van-{FEWEST_PEERS - 1}"), known.vehicles, "hawthorn"
    ).is_empty()
    assert family_now(state, known.vehicles, "another").is_empty()


def test_one_reading_gives_a_ranking_and_says_what_it_cannot_tell(fleet):
    known, state = fleet
    usual = family_now(state, known.vehicles, "hawthorn")
    lean = dict.fromkeys(CODES, 0.0) | {
        "ltft_b1_idle": 12.0,
        "ltft_b2_idle": 12.0,
        "ltft_b1_low": 5.0,
        "iac_neutral": -7.0,
    }
    told = visitor({**lean, "egr_flow": 1.0}, ["P0171-00"], "hawthorn", usual, known)
    first = told.ranking.row(0, named=True)
    assert (first["cause"], first["rank"]) == ("unmetered_air", 1)
    assert "Code P0171 fits it." in first["evidence"]
    assert told.ranking["probability"].sum() == pytest.approx(1.0)
    assert told.against["correction"][0] in {"ltft_b1_idle", "ltft_b2_idle"}
    assert "since when" in told.unsaid[0]
    assert "egr_flow" in told.unsaid[1]
    calm = visitor(dict.fromkeys(CODES, 0.0), [], "hawthorn", usual, known)
    assert calm.ranking.row(0, named=True)["cause"] == NONE


def test_a_family_that_nobody_read_is_said_in_a_line(fleet):
    known, state = fleet
    nothing = family_now(state.clear(), known.vehicles, "hawthorn")
    with pytest.raises(LeewayError, match="read more vehicles of the family"):
        visitor({"ltft_b1_idle": 1.0}, [], "hawthorn", nothing, known)
