import polars as pl
import pytest

from dashboard.views.joined import Choice
from dashboard.views.peers import BOTH, DISTANCE, FOREST, NEITHER, PeersTables, peers

VEHICLES = pl.DataFrame(
    {"vehicle_id": ["V1", "V2", "V3", "V4"], "depot": ["Saltings", "Millrace", "Saltings", "Millrace"]}
).with_columns(engine_family=pl.lit("Rowan 2.0"), duty=pl.lit("van"))


@pytest.fixture
def judged(tables, corrections) -> PeersTables:
    return PeersTables(
        outlier_check=tables["outlier_check"],
        outlier_reason=tables["outlier_reason"],
        vehicles=VEHICLES,
        corrections=corrections,
    )


def shown(judged, share=0.01, **picked):
    return peers(judged, choice=Choice(**picked), false_outlier_share=share)


def scored(judged, forest, distance):
    check = judged.outlier_check.head(1).with_columns(
        outlier_score=pl.lit(forest), is_outlier=pl.lit(forest >= 0.99), distance_score=pl.lit(distance)
    )
    return PeersTables(**{**judged.__dict__, "outlier_check": check})


def test_outliers_are_counted_beside_those_that_chance_would_name(judged):
    said = shown(judged).sentence.replace("\u00a0", " ")
    assert said == (
        "1 of 3 vehicles is unlike its peers. By chance alone fewer than one would be called so. "
        "1 vehicle had too few readings to be compared."
    )


@pytest.mark.parametrize(
    ("forest", "distance", "told"),
    [(0.995, 0.995, BOTH), (0.995, 0.5, FOREST), (0.5, 0.99, DISTANCE), (0.5, 0.5, NEITHER), (0.995, None, FOREST)],
)
def test_forest_and_distance_are_held_against_the_same_share(judged, forest, distance, told):
    assert shown(scored(judged, forest, distance)).rows["agreement"].to_list() == [told]


def test_a_disagreement_is_told_with_what_each_of_the_two_sees(judged):
    assert "by the robust distance only" in shown(judged).disagreement
    assert shown(judged, depot=["Saltings"]).disagreement == "Forest and distance call the same vehicles outliers."


def test_each_vehicle_names_what_sets_it_apart(judged):
    said = shown(judged).rows["reasons"][0].replace("\u00a0", " ")
    assert said == "Long-term fuel trim, bank 1, idle (90 %) and Learned idle air, neutral (10 %)"


def test_without_the_setting_the_forest_alone_is_believed(judged):
    assert shown(scored(judged, 0.5, 0.999), share=None).rows["agreement"].to_list() == [NEITHER]


def test_an_analysis_of_before_has_nothing_to_show(judged):
    view = shown(PeersTables(**{**judged.__dict__, "outlier_check": pl.DataFrame()}))
    assert view.empty_reason
