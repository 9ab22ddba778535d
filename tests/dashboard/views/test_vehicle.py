from datetime import UTC, datetime

import polars as pl
import pytest

from dashboard.views import vehicle as views
from dashboard.views import why
from pipelines.causes.knowledge import causes

TIME = pl.Datetime("us", "UTC")


@pytest.fixture
def states(tables, corrections) -> pl.DataFrame:
    return views.states_of("V1", tables["correction_state"], corrections)


def summed_up(vehicle_id, tables, corrections, reader):
    return views.summary(
        vehicle_id,
        vehicle_state=tables["vehicle_state"],
        states=views.states_of(vehicle_id, tables["correction_state"], corrections),
        vehicle={"engine_family": "Rowan 2.0", "depot": "Saltings", "duty": None, "model_year": 2025},
        reader=reader,
    )


def test_a_vehicle_read_too_seldom_is_learning_with_how_far_it_has_come(tables, corrections, reader):
    few = tables["correction_state"].with_columns(state=pl.lit("relearning"))
    told = views.summary(
        "V1", vehicle_state=tables["vehicle_state"], states=views.states_of("V1", few, corrections), vehicle={},
        reader=reader, read={"ltft_b1_idle": 3, "iac_neutral": 40},
    )  # fmt: skip
    words = " ".join(told.sentences).replace("\N{NO-BREAK SPACE}", " ")
    assert "Learning, 3 of about 5 readings: 1 correction cannot be judged yet." in words
    assert "1 correction is relearning after they were set back." in words


def test_what_stands_near_its_limit_is_not_where_it_should_be(tables, corrections, reader):
    steady = tables["correction_state"].with_columns(
        state=pl.lit("steady"),
        leeway_pct=pl.when(pl.col("correction") == "ltft_b1_idle").then(20.0).otherwise(90.0),
    )
    told = views.summary(
        "V1", vehicle_state=tables["vehicle_state"], states=views.states_of("V1", steady, corrections), vehicle={},
        reader=reader,
    )  # fmt: skip
    words = " ".join(told.sentences)
    assert "idle does not move, yet has only 20 % of its leeway left" in words
    assert "Nothing strays: one correction is where it should be." in words


def test_the_straying_correction_stands_first(states):
    assert states["correction"].to_list() == ["ltft_b1_idle", "iac_neutral"]
    assert states["title"][0] == "Long-term fuel trim, bank 1, idle"


def test_of_what_strays_the_least_leeway_stands_first_whatever_the_state(tables, corrections):
    mine = pl.col("vehicle_id") == "V1"
    outside = pl.when(mine & (pl.col("correction") == "iac_neutral")).then(pl.lit("outside")).otherwise("state")
    states = views.states_of("V1", tables["correction_state"].with_columns(state=outside), corrections)
    assert states["leeway_pct"].is_sorted()
    assert states["state"].to_list() == ["drifting", "outside"]


def test_a_drifting_vehicle_opens_with_its_sentence(tables, corrections, reader):
    view = summed_up("V1", tables, corrections, reader)
    assert view.urgency == "▲ This week"
    assert view.sentences[0].replace("\u00a0", " ") == (
        "Long-term fuel trim, bank 1, idle has climbed 0.9 % a month since 12 March; "
        "at this rate it meets its limit between 3 and 19 June."
    )
    assert view.sentences[-1] == "1\u00a0fault code stands in its memory."
    assert view.subtitle == "Rowan 2.0 · Saltings · model year 2025"
    assert view.facts["Leeway left"] == "38 % (Long-term fuel trim, bank 1, idle)"
    assert view.leading == "ltft_b1_idle"


def test_the_reason_and_work_since_the_reading_come_before_what_was_read(tables, corrections, reader):
    worked = tables["vehicle_state"].with_columns(
        urgency_reason=pl.lit("A limit is near."), worked_on_at=pl.lit(datetime(2031, 5, 19, tzinfo=UTC))
    )
    said = summed_up("V1", {**tables, "vehicle_state": worked}, corrections, reader).sentences
    assert said[0] == "A limit is near."
    assert said[1].replace("\u00a0", " ").startswith("Worked on 19 May, not read since")


def test_a_steady_vehicle_says_that_nothing_strays(tables, corrections, reader):
    assert summed_up("V3", tables, corrections, reader).sentences[0] == (
        "Nothing strays: 2\u00a0corrections are where they should be."
    )


def test_a_vehicle_hardly_read_is_not_called_healthy(tables, corrections, reader):
    view = summed_up("V4", tables, corrections, reader)
    assert view.sentences == ["Too little was read of this vehicle to say anything."]
    assert view.facts["Leeway left"] == "not known"


def test_chances_are_said_with_interval_code_and_basis(tables):
    view = views.forecast("V1", tables["fault_forecast"])
    assert [said.replace("\u00a0", " ") for said in view.sentences][1] == (
        "Within 30 days: 41 % (between 20 % and 62 %), most likely P0171."
    )
    assert view.basis == "First passage of 2 corrections."


def test_causes_bring_checks_lookalikes_and_cautions(tables):
    first, second, rest = views.causes_of("V1", tables["cause_ranking"], causes())
    assert first.name.endswith("bank 1")
    assert first.checks
    assert first.cautions[0][0] == causes()["exhaust_leak_upstream"].cautions[0].title
    assert any(causes()["unmetered_air"].title in other for other in first.lookalikes)
    assert (second.cause, rest.name) == ("unmetered_air", "None of the known causes")


def test_causes_too_unlikely_to_help_are_left_out(tables):
    assert len(views.causes_of("V1", tables["cause_ranking"], causes(), at_least=0.15)) == 2


def test_an_outlier_is_explained_by_the_corrections_that_make_it_one(tables, corrections):
    said = why.outlier_sentence("V1", tables["vehicle_state"], tables["outlier_reason"], corrections)
    assert "Long-term fuel trim, bank 1, idle (90\u00a0%)" in said
    assert "not enough to call it an outlier" in why.outlier_sentence(
        "V2", tables["vehicle_state"], tables["outlier_reason"], corrections
    )
    assert "Too little was read" in why.outlier_sentence(
        "V4", tables["vehicle_state"], tables["outlier_reason"], corrections
    )


PARTS = {
    "centre": 0.5,
    "season": 0.2,
    "offset": -0.1,
    "relearning": 0.0,
    "expected": 0.6,
    "level": 8.0,
    "evidence": 24.3,
    "threshold": 11.0,
}


def test_the_reasoning_adds_up_to_what_is_expected_and_names_the_threshold(states):
    path = pl.DataFrame({"value": [8.4], **{name: [value] for name, value in PARTS.items()}})
    table = dict(why.reasoning(path, states.row(0, named=True)).select("part", "figure").iter_rows())
    assert table["Family centre"] == "0.5\u00a0%"
    assert table["Season"] == "+0.2"
    assert table["Expected"] == "0.6\u00a0%"
    assert (table["Statistic"], table["Threshold"]) == ("24.3", "11")


def test_without_kept_expectations_there_is_no_reasoning(states):
    path = pl.DataFrame(
        {"value": [8.4], **{part: [None] for part in PARTS}}, schema_overrides=dict.fromkeys(PARTS, pl.Float64)
    )
    assert not why.reasoning(path, states.row(0, named=True)).height


def test_a_family_of_few_vehicles_is_said_to_be_judged_by_the_built_in_ranges(tables, corrections, reader):
    def said(peers):
        return " ".join(views.summary(
            "V1", vehicle_state=tables["vehicle_state"],
            states=views.states_of("V1", tables["correction_state"], corrections), vehicle={}, reader=reader,
            peers=peers,
        ).sentences).replace("\N{NO-BREAK SPACE}", " ")  # fmt: skip

    assert "1 vehicle of this engine family was read. Until 5 are, levels are judged by the built-in normal" in said(1)
    assert "Long-term fuel trim, bank 1, idle, \N{MINUS SIGN}10 to 10 %" in said(4)
    assert "built-in" not in said(5)


def test_nothing_to_do_is_said_with_care_while_all_is_being_learned(tables, corrections, reader):
    learning = tables["correction_state"].with_columns(state=pl.lit("relearning"))
    summary = views.summary(
        "V3", vehicle_state=tables["vehicle_state"].with_columns(urgency=pl.lit("none")),
        states=views.states_of("V3", learning, corrections), vehicle={}, reader=reader,
    )  # fmt: skip
    assert summary.meaning == "Nothing stands out so far; too little was read to tell a change."


def test_what_bore_an_alarm_out_is_named(states, corrections):
    row = states.filter("alarm").row(0, named=True)
    code = corrections["code"][0]
    kept = pl.DataFrame(
        {"vehicle_id": [row["vehicle_id"]], "correction": [row["correction"]], "read_at": [row["alarm_at"]],
         "evidence": [12.0], "others": [code]}
    )  # fmt: skip
    said = why.joined_sentence(row, kept, corrections)
    assert said.startswith("An alarm sooner than it would have been alone")
    assert said.endswith("moved with it.")
    assert why.joined_sentence(row | {"alarm": False}, kept, corrections) == ""
    assert (
        why.joined_sentence(row, kept.clear(), corrections)
        == why.joined_sentence(row, pl.DataFrame(), corrections)
        == ""
    )
    assert "beside it" in why.joined_sentence(row, kept.with_columns(others=pl.lit("")), corrections)
