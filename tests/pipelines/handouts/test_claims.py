"""What a dealer is shown for work under warranty: readings before and after, codes, calibrations and work."""

import io
import zipfile
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from pipelines.catalogue.tables import drop_tables, published_tables
from pipelines.handouts.claims import claims_of
from pipelines.handouts.folder import packed_papers, write_papers
from pipelines.handouts.gather import Papers
from pipelines.handover import Evidence

NOW = datetime(2031, 6, 30, 12, tzinfo=UTC)
REPAIRED = NOW - timedelta(days=21)
HOSTILE = '=1+1 #set page(fill: red) \u202e ş ≥ Ж "x" $y$'


def rows_of(table, rows):
    return pl.DataFrame([{name: row.get(name) for name in table.schema} for row in rows], schema=table.schema)


@pytest.fixture
def told():
    """Packs of two vehicles that read weekly: V1 was repaired three weeks ago, at V2 nothing was done."""

    def make(visits=(), *, warranty_until=date(2032, 1, 1), warranty_km=None, repaired=True):
        given = {
            "corrections": [
                {"code": "trim", "title": HOSTILE, "unit": "%", "low_limit": -25.0, "high_limit": 25.0},
                {"code": "calm", "title": "Calm", "unit": "%", "low_limit": -25.0, "high_limit": 25.0},
            ],
            "vehicles": [
                {
                    "vehicle_id": v, "vin": "0WCB00009WF000063", "engine_family": "rowan", "depot": "Saltings",
                    "warranty_until": warranty_until, "warranty_km": warranty_km,
                }
                for v in ("V1", "V2")
            ],
            "snapshots": [
                {
                    "vehicle_id": v, "read_at": NOW - timedelta(days=7 * week), "odometer_km": 50_000.0 - 100 * week,
                    "calibration": "C2" if week < 4 else "C1", "module": "M1",
                }
                for v in ("V1", "V2")
                for week in range(10)
            ],
            "faults": [{"vehicle_id": "V1", "read_at": NOW - timedelta(days=28), "code": "P0171", "confirmed": True}],
            "work": [
                {
                    "vehicle_id": "V1", "done_at": REPAIRED, "kind": "replacement", "component": "fuel_pump",
                    "note": HOSTILE,
                }
            ] if repaired else [],
        }  # fmt: skip
        frames = {name: rows_of(table, given.get(name, [])) for name, table in drop_tables().items()}
        del frames["readings"]
        late = pl.col("read_at") > REPAIRED
        frames["snapshots"] = frames["snapshots"].sort("vehicle_id", "read_at").with_columns(
            trim=pl.when(late).then(0.5).otherwise(18.0).cast(pl.Float32), calm=pl.lit(0.1, pl.Float32)
        )  # fmt: skip
        evidence = Evidence(as_of=NOW, **frames)
        state = {"state": "steady", "expected": 0.0, "band_low": -3.0, "band_high": 3.0, "value": 0.5}
        published = {
            "correction_state": rows_of(
                published_tables()["correction_state"],
                [{"vehicle_id": v, "correction": code, **state} for v in ("V1", "V2") for code in ("trim", "calm")],
            ),
            "cause_ranking": rows_of(
                published_tables()["cause_ranking"],
                [{"vehicle_id": "V1", "cause": "fuel_delivery_weak", "rank": 1, "evidence": HOSTILE}],
            ),
        }
        return claims_of(dict(visits), published, evidence)

    return make


def test_a_repair_under_warranty_is_shown_with_what_was_read_before_and_after(told):
    (claim,) = told()
    (correction,) = claim.form["corrections"]
    assert [text.split(": ")[1] for text in correction["before"]] == ["18"] * 6
    assert [text.split(": ")[1] for text in correction["after"]] == ["0.5"] * 3
    readings = claim.sheets["Readings"]
    assert readings.filter(pl.col("trim") > 10)["when"].unique().to_list() == ["before"]
    assert readings.filter(pl.col("trim") < 10)["when"].unique().to_list() == ["after"]
    assert claim.sheets["Codes"]["code"].to_list() == ["P0171"]
    assert claim.sheets["Codes"]["title"][0] == "System too lean, bank 1"
    assert claim.sheets["Work"]["component"].to_list() == ["fuel_pump"]
    assert claim.sheets["Calibrations"]["calibration"].to_list() == ["C1", "C2"]


def test_a_visit_in_the_dealers_lane_has_its_pack_before_the_work(told):
    (claim,) = told({"V2": "Dealer, under warranty: Inspect: Fuel pump"}, repaired=False)
    assert (claim.vehicle, claim.form["worked"]) == ("V2", "")
    assert claim.sheets["Readings"]["when"].unique().to_list() == ["before"]


def test_what_no_warranty_covers_has_no_pack(told):
    assert told(warranty_until=date(2031, 1, 1)) == []
    assert told(warranty_until=None, warranty_km=10_000.0) == []
    assert len(told(warranty_until=None, warranty_km=60_000.0)) == 1


def test_packs_open_again_and_hold_text_as_text(told, tmp_path):
    empty = {name: published_tables()[name].empty() for name in ("work_plan", "plan_left_out")}
    parts = pl.DataFrame(schema={"needed": pl.Int64, "on_hand": pl.Int64})
    papers = Papers(
        as_of=NOW, plan=empty["work_plan"], left_out=empty["plan_left_out"], parts=parts, cards=[], claims=told()
    )
    written = {path.name for path in write_papers(papers, tmp_path)}
    assert {"claim-V1.pdf", "claim-V1.xlsx"} <= written
    content = (tmp_path / "claim-V1.pdf").read_bytes()
    assert content.startswith(b"%PDF-")
    assert b"/URI" not in content
    sheets = pl.read_excel((tmp_path / "claim-V1.xlsx").read_bytes(), sheet_id=0)
    assert list(sheets) == ["Vehicle", "Corrections", "Readings", "Codes", "Work", "Calibrations"]
    assert sheets["Work"]["note"][0].startswith("=1+1")  # a text, not a formula
    with zipfile.ZipFile(io.BytesIO(packed_papers(papers, claims_alone=True))) as archive:
        assert archive.namelist() == ["claim-V1.pdf", "claim-V1.xlsx"]
