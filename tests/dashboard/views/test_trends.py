"""The looks at one correction across the fleet: known answers, and intervals that hold what they promise."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from dashboard.views import factors
from dashboard.views.cohorts import cohorts, weighted_median_interval
from dashboard.views.joined import Choice
from dashboard.views.related import MOST_POINTS, rank_correlation, related
from dashboard.views.spread import BINS, RAW, STANDARDISED, spread
from dashboard.views.trends import MOST_MARKS, MOST_PANELS, most_moved, trend
from dashboard.views.wording import Reader
from pipelines.catalogue.tables import drop_tables

START = datetime(2031, 1, 6, tzinfo=UTC)
READER = Reader(as_of=START + timedelta(weeks=16))
TITLE = {"code": "ltft_b1_idle", "title": "Idle trim", "unit": "%"}


def readings(levels, weeks: int = 16, step_after: int = 8, step=()) -> pl.DataFrame:
    """Weekly readings at each vehicle's level, raised by 2 in the last weeks for those named in `step`."""
    rows = [
        {"vehicle_id": vehicle, "read_at": START + timedelta(weeks=week), "calibration": "A",
         "value": level + (2.0 if vehicle in step and week >= step_after else 0.0)}
        for vehicle, level in levels.items()
        for week in range(weeks)
    ]  # fmt: skip
    schema = {"vehicle_id": pl.Enum(sorted(levels)), "read_at": pl.Datetime("us", "UTC")}
    return pl.DataFrame(rows, schema_overrides=schema)


def places(vehicles, **columns) -> pl.DataFrame:
    """Places of vehicles; what is not given is one for all."""
    schema = drop_tables()["vehicles"].schema
    known = {"engine_family": "Rowan 2.0", **columns}
    frame = pl.DataFrame({"vehicle_id": list(vehicles)}).with_columns(
        pl.lit(value).alias(name) if isinstance(value, str | int | date) else pl.Series(name, value)
        for name, value in known.items()
    )
    rest = [pl.lit(None, dtype).alias(name) for name, dtype in schema.items() if name not in frame.columns]
    fuels = pl.DataFrame({"engine_family": ["Rowan 2.0"], "fuel": ["petrol"]})
    return factors.places_of(frame.with_columns(rest), fuels, READER.as_of)


def states(vehicles, state: str = "steady") -> pl.DataFrame:
    frame = pl.DataFrame({"vehicle_id": list(vehicles), "z": [float(place) for place in range(len(vehicles))]})
    return frame.with_columns(state=pl.lit(state))


def trend_of(levels, of, *, by=("depot",), choice=None, state=None, step=(), reader=READER):
    return trend(
        readings(levels, step=step), states(levels) if state is None else state, correction=TITLE, places=of, by=by,
        choice=choice or Choice(), reader=reader,
    )  # fmt: skip


LEVELS = {"V1": 1.0, "V2": 1.0, "V3": 1.0}
DEPOTS = places(LEVELS, depot=["Saltings", "Millrace", "Millrace"])


def test_the_group_that_moved_most_is_named_with_how_far():
    view = trend_of(LEVELS, DEPOTS, step=["V1"])
    assert view.sentence.replace("\u00a0", " ") == (
        "Idle trim: no vehicles of 3 stray today. Over the last eight weeks the median of Saltings (depot) rose by "
        "2 points against the eight weeks before, the most of all groups."
    )
    assert view.weekly.filter(pl.col("group") == "Saltings")["median"].to_list() == [1.0] * 8 + [3.0] * 8


def test_readings_after_as_of_are_not_looked_at():
    view = trend_of(LEVELS, DEPOTS, reader=Reader(as_of=START + timedelta(weeks=7)))
    assert view.weekly["week"].max() == START + timedelta(weeks=7)


def test_a_choice_of_depots_leaves_the_others_out():
    view = trend_of(LEVELS, DEPOTS, choice=Choice(depot=["Millrace"]))
    assert view.weekly["group"].unique().to_list() == ["Millrace"]
    assert trend_of(LEVELS, DEPOTS, choice=Choice(depot=["nowhere"])).empty_reason.startswith("No vehicle")


def test_vehicles_that_cannot_have_the_correction_are_left_out():
    of_engine = pl.concat([states(["V1", "V2"]), states(["V3"], "not_fitted")])
    view = trend_of(LEVELS, DEPOTS, state=of_engine)
    assert view.standing["vehicle_id"].to_list() == ["V2", "V1"]
    assert view.weekly.filter(pl.col("group") == "Millrace")["vehicles"].unique().to_list() == [1]


def test_two_factors_give_a_panel_a_place_of_the_first_and_a_colour_a_place_of_the_second():
    levels = {f"V{n:02}": float(n) for n in range(40)}
    of = places(
        levels, depot=[f"depot {n % 9}" for n in range(40)], duty=[("parcel", "regional")[n % 2] for n in range(40)]
    )
    view = trend_of(levels, of, by=("depot", "duty"), step=["V00", "V18", "V36"])
    panels = factors.in_order(view.weekly["panel"].to_list())
    assert len(panels) == MOST_PANELS
    assert panels[-1] == factors.OTHERS
    assert set(view.weekly["group"]) == {"parcel", "regional"}
    few = view.weekly.filter(pl.col("panel") == "depot 0", pl.col("group") == "parcel").row(0, named=True)
    assert (few["median"], few["vehicles"]) == (18.0, 3)  # V00, V18, V36
    assert "the median of depot 0 · parcel (depot and kind of use) rose by" in view.sentence
    assert view.standing["group"][0] == "depot 3 · regional"


def test_where_there_are_too_many_marks_weeks_are_drawn_together(monkeypatch):
    monkeypatch.setattr("dashboard.views.trends.MOST_MARKS", 10)
    view = trend_of(LEVELS, DEPOTS)
    assert view.step == 4  # 32 marks
    assert view.weekly.height <= 10
    assert trend_of(LEVELS, DEPOTS).weekly.height < MOST_MARKS


def test_places_are_known_of_ages_fuels_and_years_and_only_what_tells_vehicles_apart_is_offered():
    of = places(["V1", "V2", "V3"], in_service_on=[date(2030, 1, 1), date(2019, 1, 1), None], model_year=2019)
    assert of["age"].to_list() == ["0 to 1 years", "10 years and more", None]
    assert of["fuel"].to_list() == ["petrol"] * 3
    assert factors.offered(of, readings(LEVELS)) == ["engine_family", "calibration", "fuel", "model_year", "age"]
    assert factors.in_order(["10 years and more", "others", "5 to 9 years"]) == [
        "5 to 9 years", "10 years and more", "others",
    ]  # fmt: skip


def test_more_groups_than_colours_are_drawn_as_others():
    levels = {f"V{n}": 1.0 for n in range(9)}
    view = trend_of(levels, places(levels, depot=[f"depot {n}" for n in range(9)]))
    groups = view.weekly["group"].unique().to_list()
    assert len(groups) == factors.MOST_GROUPS
    assert "others" in groups


def test_corrections_are_ordered_by_how_many_vehicles_stray(corrections):
    counted = pl.DataFrame(
        {"correction": ["iac_neutral", "ltft_b1_idle"], "vehicles": [4, 4], "astray": [1, 2], "median_z": [0.0, 0.1]}
    )
    moved = most_moved(counted, corrections)
    assert moved.select("code", "astray", "share").rows() == [("ltft_b1_idle", 2, 0.5), ("iac_neutral", 1, 0.25)]


def spread_of(levels, of, *, measure=RAW, at=READER.as_of, by=("depot",), choice=None):
    return spread(
        readings(levels), states(levels), correction=TITLE, places=of, by=by, choice=choice or Choice(),
        measure=measure, at=at, reader=READER,
    )  # fmt: skip


def test_the_spread_of_a_group_is_that_of_its_vehicles_newest_readings():
    levels = {f"V{n:03}": float(n) for n in range(101)}
    view = spread_of(levels, places(levels, depot="Saltings"))
    assert view.groups.drop("group").row(0) == (101, 5.0, 10.0, 25.0, 50.0, 75.0, 90.0, 95.0)
    assert view.bins.height == BINS
    assert view.bins["share"].sum() == pytest.approx(1)
    assert view.bins["vehicles"].sum() == 101
    assert "the middle vehicle of 101 stands at 50 %" in view.sentence.replace("\u00a0", " ")


def test_against_its_family_two_families_that_read_differently_are_alike():
    levels = {f"V{n:03}": n % 10 + (100.0 if n < 50 else 0.0) for n in range(100)}
    of = places(levels, engine_family=["Rowan 2.0" if n < 50 else "Alder 1.6" for n in range(100)], depot="Saltings")
    raw, alike = (spread_of(levels, of, measure=measure, by=("engine_family",)) for measure in (RAW, STANDARDISED))
    assert raw.groups["median"].to_list() == [4.5, 104.5]
    assert alike.groups["median"].to_list() == [0.0, 0.0]
    picked = spread_of(levels, of, measure=STANDARDISED, choice=Choice(engine_family=["Rowan 2.0"]))
    assert picked.groups["vehicles"].to_list() == [50]


def test_a_day_before_anything_was_read_is_said():
    view = spread_of(LEVELS, DEPOTS, at=START - timedelta(days=1))
    assert view.sentence == "Idle trim was not read lately."
    assert view.empty_reason.startswith("No vehicle that matches")


def test_a_rank_correlation_is_that_of_the_ranks_and_its_interval_holds():
    rng = np.random.default_rng(7)
    holds = 0
    for _ in range(300):
        one = rng.normal(size=60)
        other = 0.5 * one + np.sqrt(0.75) * rng.normal(size=60)
        found = rank_correlation(pl.Series(np.exp(one)), pl.Series(other))
        assert found is not None
        holds += found[1] <= 6 / np.pi * np.arcsin(0.25) <= found[2]  # Spearman's of a normal pair at 0.5
    assert 0.91 < holds / 300 < 0.98
    assert rank_correlation(pl.Series(range(20)), pl.Series(range(20)))[0] == pytest.approx(1)
    assert rank_correlation(pl.Series(range(20)), pl.Series([1] * 20)) is None
    assert rank_correlation(pl.Series([1, 2]), pl.Series([1, 2])) is None


def test_two_corrections_are_related_by_group_and_all_together():
    levels = {f"V{n:04}": float(n % 97) for n in range(MOST_POINTS + 1)}
    of = places(levels, depot=[("Saltings", "Millrace")[n % 2] for n in range(len(levels))])
    against = {vehicle: -level for vehicle, level in levels.items()}
    view = related(
        (readings(levels, 1), readings(against, 1)), (states(levels), states(levels)),
        corrections=(TITLE, {**TITLE, "title": "Load trim"}), places=of, by=("depot",), choice=Choice(), measure=RAW,
        at=START + timedelta(days=1), reader=READER,
    )  # fmt: skip
    assert view.groups["group"].to_list() == ["Millrace", "Saltings", "all together"]
    assert view.groups["rank_correlation"].to_list() == pytest.approx([-1, -1, -1])
    assert "Idle trim and Load trim go opposite ways" in view.sentence
    assert view.fields["vehicles"].sum() == MOST_POINTS + 1


def cohorts_of(levels, of, first, second, **asked):
    named = (pl.DataFrame({"vehicle_id": group}, schema={"vehicle_id": pl.String}) for group in (first, second))
    one, other = named
    return cohorts(
        readings(levels, **asked), states(levels), correction=TITLE, places=of, first=one, second=other, reader=READER
    )


def test_a_group_is_held_against_vehicles_of_its_family_and_depot():
    """Alder reads 50 above Rowan, and the first group is nearly all Alder: of like vehicles it stands 1 above."""
    levels, family, first = {}, [], []
    for n in range(80):
        alder, mine = n % 2 == 0, n % 8 in {0, 2, 4, 1}
        levels[f"V{n:02}"] = (50.0 if alder else 0.0) + (1.0 if mine else 0.0) + n / 1000
        family.append("Alder 1.6" if alder else "Rowan 2.0")
        first += [f"V{n:02}"] if mine else []
    second = [vehicle for vehicle in levels if vehicle not in first]
    view = cohorts_of(levels, places(levels, engine_family=family, depot="Saltings"), first, [*second, first[0]])
    row = view.periods.row(-1, named=True)
    assert row["difference"] == pytest.approx(1, abs=0.02)
    assert row["low"] <= row["difference"] <= row["high"]
    assert (row["first_vehicles"], row["second_vehicles"]) == (39, 40)
    assert "stands 1 % above the second" in view.sentence.replace("\u00a0", " ")
    assert "1 vehicle in both is left out." in view.basis.replace("\u00a0", " ")


def test_groups_without_a_family_in_common_or_with_few_vehicles_are_said_to_be():
    levels = {f"V{n}": 1.0 for n in range(8)}
    of = places(levels, engine_family=["Alder 1.6"] * 4 + ["Rowan 2.0"] * 4)
    apart = cohorts_of(levels, of, list(levels)[:4], list(levels)[4:])
    assert apart.empty_reason.startswith("In no 4 weeks")
    few = cohorts_of(levels, places(levels), list(levels)[:4], list(levels)[4:])
    assert few.sentence.endswith("too few vehicles for an interval.")


def test_the_interval_of_a_difference_holds_it_in_small_and_uneven_strata():
    rng = np.random.default_rng(11)
    vehicles = [f"V{n:03}" for n in range(90)]
    family = ["Alder 1.6" if n % 3 else "Rowan 2.0" for n in range(90)]
    depot = [f"depot {n % 7}" for n in range(90)]
    first = vehicles[:30]
    of = places(vehicles, engine_family=family, depot=depot)
    holds = 0
    for _ in range(30):
        values = rng.normal(size=90) + np.where(np.array(family) == "Alder 1.6", 10.0, 0.0)
        levels = dict(zip(vehicles, values, strict=True))
        row = cohorts_of(levels, of, first, vehicles[30:], weeks=1).periods.row(0, named=True)
        holds += row["low"] <= 0 <= row["high"]
    assert holds >= 26  # of 30 at 95 %: fewer than 26 in a hundred and fifty runs


def test_a_weighted_median_of_equal_weights_has_the_interval_of_order_statistics():
    values = np.arange(100.0)
    low, high = weighted_median_interval(values, np.ones(100))
    assert (low, high) == pytest.approx((39, 60), abs=1)
    assert weighted_median_interval(np.array([1.0, 2.0]), np.ones(2)) is None


def test_members_are_those_of_any_place_of_a_factor_and_of_all_factors_and_lists():
    of = places(["V1", "V2", "V3"], depot=["Saltings", "Millrace", "Saltings"], duty=["parcel", "parcel", "regional"])
    lists = {"spring": ["V2", "V3"]}
    asked = {
        ("depot: Saltings",): ["V1", "V3"],
        ("depot: Saltings", "depot: Millrace"): ["V1", "V2", "V3"],
        ("depot: Saltings", "kind of use: parcel"): ["V1"],
        ("list: spring", "depot: Saltings"): ["V3"],
    }
    for picked, found in asked.items():
        assert factors.members(of, picked, lists)["vehicle_id"].to_list() == found
