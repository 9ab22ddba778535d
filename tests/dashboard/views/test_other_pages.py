from datetime import UTC, datetime, timedelta

import polars as pl

from dashboard.views.address import shared
from dashboard.views.drops import drops
from dashboard.views.recurring import issue_sentence, recurring
from dashboard.views.repairs import repairs
from dashboard.views.trust import trust, unchecked_warning
from dashboard.views.wording import Reader

NAMES = {"exhaust_leak_upstream": "Exhaust leak upstream", "idle_valve": "Idle air valve"}
START = datetime(2031, 1, 6, tzinfo=UTC)
TIME = pl.Datetime("us", "UTC")


def test_recurring_issues_are_said_with_interval_and_comparison(tables, reader):
    view = recurring(tables["recurring_issue"], names=NAMES)
    assert view.sentence.startswith("1\u00a0thing comes back")
    assert issue_sentence(view.issues.row(0, named=True), reader).replace("\u00a0", " ") == (
        "3 times the rate of the rest of the fleet (between 1.6 and 5.1): 1.2 in 100 vehicle-months against 0.4 in the "
        "whole fleet, 7 vehicles, first seen 1 September 2030."
    )
    assert view.issues["label"].to_list() == ["Saltings: Exhaust leak upstream"]


def test_an_issue_that_the_rest_never_had_gives_no_ratio_but_the_least_it_may_be(tables, reader):
    issue = tables["recurring_issue"].row(0, named=True) | {"rate_ratio": None, "low": 11.2, "high": None}
    said = issue_sentence(issue, reader).replace("\u00a0", " ")
    assert said.startswith("Not once in the rest of the fleet; at least 11 times as often is sure enough: 1.2 in 100")


def test_repairs_are_counted_and_filtered_by_verdict(tables):
    view = repairs(tables["repair_outcome"], verdicts=["not_reset"], names=NAMES)
    assert view.sentence.replace("\u00a0", " ") == (
        "Of 2 repairs that can be judged, 1 held, 0 came back and 1 was not followed by a reset of the learned values."
    )
    assert view.rows["verdict"].to_list() == ["▲ Not reset"]
    assert view.rows["component"].to_list() == ["Idle air valve"]


def test_an_issue_that_may_be_chance_is_not_counted_as_found_and_says_so(tables, reader):
    doubtful = tables["recurring_issue"].with_columns(issue_id=pl.lit("b"), q_value=pl.lit(0.12))
    both = pl.concat([tables["recurring_issue"], doubtful])
    view = recurring(both, names=NAMES)
    assert view.sentence.startswith("1\u00a0thing comes back")
    assert view.sentence.endswith("1 more may be chance and is marked so.")
    found, marked = (issue_sentence(row, reader) for row in view.issues.iter_rows(named=True))
    assert "may be chance" not in found
    assert marked.endswith("This may be chance: watch it before acting on it.")
    alone = recurring(doubtful, names=NAMES)
    assert alone.sentence.startswith("Nothing comes back more often")


def test_nothing_recurring_and_no_repair_are_said(tables):
    view = recurring(tables["recurring_issue"].clear(), names=NAMES)
    assert view.sentence == "Nothing keeps coming back."
    assert "vehicle-months" in view.empty_reason
    none = repairs(tables["repair_outcome"].clear(), verdicts=[], names=NAMES)
    assert "No repair is on record" in none.empty_reason


CHECK = pl.DataFrame(
    [
        {"horizon_days": 30, "measure": measure, "value": value, "low": low, "high": high, "reference": None}
        for measure, value, low, high in (
            ("observed_over_expected", 0.97, 0.9, 1.05),
            ("rows", 1200.0, 1200.0, 1200.0),
            ("dates", 4.0, 4.0, 4.0),
            ("faults", 60.0, 60.0, 60.0),
            ("caught_among_first_k", 0.62, 0.5, 0.7),
            ("first_k", 20.0, 20.0, 20.0),
            ("lead_time_days", 17.0, 2.0, 28.0),
            ("brier_skill_above_leeway", 0.08, 0.01, 0.12),
            ("auc", 0.9, 0.85, 0.94),
        )
    ],
    schema_overrides={"reference": pl.Float64},
)
CURVE = pl.DataFrame(
    {
        "horizon_days": [30, 30],
        "bin": [0, 5],
        "forecast": [0.01, 0.3],
        "observed": [0.011, 0.28],
        "low": [0.0, 0.2],
        "high": [0.02, 0.36],
        "vehicles": [900, 100],
        "faults": [10, 28],
    }
)
WATCH = pl.DataFrame(
    {
        "horizon_days": [30, 30],
        "forecast_at": [START, START + timedelta(days=28)],
        "rows": [300, 300],
        "expected": [5.0, 6.0],
        "observed": [5.0, 15.0],
        "low": [1.0, 2.0],
        "high": [9.0, 10.0],
        "inside": [True, False],
    },
    schema_overrides={"forecast_at": TIME},
)


def test_a_manager_reads_what_came_true_of_what_was_said(reader):
    view = trust(CHECK, CURVE, WATCH, horizon_days=30, reader=reader)
    assert view.curve_sentences[0].replace("\u00a0", " ") == (
        "Of 100 vehicles given 30 %, 28 had a fault within 30 days (between 20 and 36); from 100 vehicles."
    )
    said = [each.replace("\u00a0", " ") for each in view.sentences]
    assert said == [
        "Held against what came: 1,200 forecasts made at 4 past dates, 60 faults.",
        "For every 100 faults forecast, 97 came (between 90 and 105).",
        (
            "Seeing the 20 vehicles with the highest chance, which is what the workshop can do in that time, would "
            "have caught 62 % of the faults, 17 days ahead in the middle case."
        ),
        "It tells more than the leeway alone.",
    ]
    assert view.measures["name"][0] == "Faults that came, for one forecast"


def test_a_forecast_that_loses_its_hold_is_said_to(reader):
    both = pl.concat([WATCH, WATCH.with_columns(forecast_at=pl.col("forecast_at").dt.offset_by("1d"), observed=0.0)])
    said = trust(CHECK, CURVE, both, horizon_days=30, reader=reader).watch_sentence.replace("\u00a0", " ")
    assert said.startswith("More faults came than chance allows after 3 February; fewer faults came than chance allows")
    assert "may be losing its hold" in said


def test_a_forecast_never_checked_is_labelled_everywhere(reader):
    view = trust(CHECK.clear(), pl.DataFrame(), pl.DataFrame(), horizon_days=30, reader=reader)
    assert "no backtest was run" in view.empty_reason
    assert "unchecked" in unchecked_warning(CHECK.clear())
    assert unchecked_warning(CHECK) == ""


def test_few_faults_are_said_to_prove_little(reader):
    few = CHECK.with_columns(value=pl.when(pl.col("measure") == "faults").then(3.0).otherwise("value"))
    assert "prove little" in trust(few, CURVE, WATCH, horizon_days=30, reader=reader).sentences[0]


def test_addresses_carry_what_was_picked():
    reader = Reader(as_of=datetime(2031, 5, 20, 12, tzinfo=UTC), miles=True)
    carried = shared(reader, newest=False)
    assert carried == {"unit": "miles", "as_of": "2031-05-20 12:00:00 UTC"}
    assert shared(Reader(as_of=reader.as_of), newest=True) == {}


def test_nothing_loaded_says_how_to_load():
    reports = pl.DataFrame(schema=dict.fromkeys(REPORTS, pl.String) | {"loaded": pl.Int64})
    aside = pl.DataFrame(schema=dict.fromkeys(ASIDE, pl.String))
    assert "leeway load" in drops(reports, aside).empty_reason


REPORTS = [
    "loaded_at",
    "drop_name",
    "file",
    "table_name",
    "row_count",
    "loaded",
    "replaced",
    "repeated",
    "quarantined",
    "flagged",
    "extra_columns",
    "unreadable",
    "withdrawn_at",
]
ASIDE = ["drop_name", "file", "row_number", "column_name", "reason", "detail", "original"]


def test_rows_set_aside_are_counted_by_reason():
    came = [10, 5, 7]  # the second file was withdrawn, the third is the list that was made of the readings' vehicles
    listed = {"drop_name": ["x", "x", "mappings"], "file": ["x", "x", "vehicles.csv"]}
    stands = {"loaded": came, "withdrawn_at": [None, "x", None], **listed}
    reports = pl.DataFrame({name: ["x"] * 3 for name in REPORTS} | stands)
    aside = pl.DataFrame(
        {name: ["a", "b"] for name in ASIDE}
        | {"reason": ["not a time"] * 2, "file": ["s.csv"] * 2, "column_name": ["read_at"] * 2}
    )
    view = drops(reports, aside)
    assert view.sentence.replace("\u00a0", " ").startswith("10 rows came in from 1 file; 2 rows were set aside")
    assert view.reasons.rows() == [("s.csv", "read_at", "not a time", 2)]
