from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipelines.catalogue.tables import published_tables
from pipelines.errors import StoreError
from pipelines.handover import Analysis
from pipelines.intake.load import load
from pipelines.store.checking import breaches
from pipelines.store.publish import EXTRAS_KEPT, KEPT, forget, publish, publish_table
from pipelines.store.published import kept_as_ofs, read_published

FIRST = datetime(2031, 2, 14, 8, tzinfo=UTC)


def shares(*values: float) -> pl.DataFrame:
    names = [f"v{n}" for n in range(len(values))]
    return pl.DataFrame({"vehicle_id": names, "correction": "ltft_b1_idle", "share": list(values)})


@pytest.fixture
def loaded(store, small_drop):
    load(store, [small_drop])
    return store


def test_what_is_published_is_read_back_as_it_was_with_its_as_of(loaded):
    extra = pl.DataFrame({"vehicle_id": ["b", "a"], "at": [FIRST, None], "note": ["x", None]})
    publish(loaded, Analysis(as_of=FIRST, tables={"outlier_reason": shares(0.4, 0.6), "reasons": extra}))
    found = read_published(loaded, "outlier_reason")
    assert found.columns == ["as_of", *published_tables()["outlier_reason"].schema.names()]
    assert found["as_of"].to_list() == [FIRST, FIRST]
    assert_frame_equal(found.drop("as_of"), shares(0.4, 0.6))
    assert_frame_equal(read_published(loaded, "reasons").drop("as_of"), extra)
    assert breaches(loaded) == []


def test_publishing_again_as_of_the_same_time_takes_its_place(loaded):
    publish_table(loaded, "outlier_reason", shares(0.4, 0.6), FIRST)
    publish_table(loaded, "outlier_reason", shares(1.0), FIRST)
    assert read_published(loaded, "outlier_reason")["share"].to_list() == [1.0]


def test_an_earlier_as_of_stays_readable_and_the_newest_is_the_default(loaded):
    later = FIRST + timedelta(days=7)
    publish_table(loaded, "outlier_reason", shares(0.7), later)
    publish_table(loaded, "outlier_reason", shares(0.4), FIRST)
    assert read_published(loaded, "outlier_reason")["share"].to_list() == [0.7]
    assert read_published(loaded, "outlier_reason", as_of=FIRST)["share"].to_list() == [0.4]
    with pytest.raises(StoreError, match=r"not published as of 2031-01-01T00:00:00Z\. Kept are: 2031-02-14T08:00:00Z"):
        read_published(loaded, "outlier_reason", as_of=datetime(2031, 1, 1, tzinfo=UTC))


def test_as_many_as_promised_are_kept(loaded):
    times = [FIRST + timedelta(days=day) for day in range(KEPT + 2)]
    for time in times:
        publish(loaded, Analysis(as_of=time, tables={"outlier_reason": shares(1.0), "extra": shares(1.0)}))
    assert kept_as_ofs(loaded, "outlier_reason") == times[-KEPT:]
    assert kept_as_ofs(loaded, "extra") == times[-EXTRAS_KEPT:]


def test_analyses_of_older_dates_do_not_push_the_newest_out(loaded):
    for days in [0, *range(-40, -40 + KEPT + 2)]:
        tables = {"outlier_reason": shares(1.0), "extra": shares(1.0)}
        publish(loaded, Analysis(as_of=FIRST + timedelta(days=days), tables=tables))
        assert kept_as_ofs(loaded, "outlier_reason")[-1] == kept_as_ofs(loaded, "extra")[-1] == FIRST
        assert FIRST + timedelta(days=days) in kept_as_ofs(loaded, "outlier_reason")  # the one just published is kept
    assert len(kept_as_ofs(loaded, "outlier_reason")) == KEPT


def test_what_was_published_as_of_a_time_is_taken_away_in_all_its_tables(loaded):
    wrong = datetime(2099, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC)
    for as_of in (FIRST, wrong):
        publish(loaded, Analysis(as_of=as_of, tables={"outlier_reason": shares(1.0), "extra": shares(1.0)}))
    assert forget(loaded, wrong.replace(microsecond=0)) == ["extra", "outlier_reason"]
    assert kept_as_ofs(loaded, "outlier_reason") == kept_as_ofs(loaded, "extra") == [FIRST]
    assert breaches(loaded) == []
    with pytest.raises(StoreError, match=r"nothing is published as of 2099-12-31.* Kept are: 2031-02-14T08:00:00Z\."):
        forget(loaded, wrong)


def test_an_extra_table_may_change_its_columns_between_runs(loaded):
    publish_table(loaded, "extra", pl.DataFrame({"a": [1]}), FIRST)
    publish_table(loaded, "extra", pl.DataFrame({"a": [2], "b": ["x"]}), FIRST + timedelta(days=1))
    assert read_published(loaded, "extra", as_of=FIRST)["b"].to_list() == [None]
    publish_table(loaded, "extra", pl.DataFrame({"a": ["text now"]}), FIRST + timedelta(days=2))
    assert read_published(loaded, "extra")["a"].to_list() == ["text now"]
    assert breaches(loaded) == []


def test_a_frame_that_lacks_a_contract_column_publishes_nothing(loaded):
    version = loaded.version()
    with pytest.raises(StoreError, match="outlier_reason: lacks share"):
        publish_table(loaded, "outlier_reason", shares(1.0).drop("share"), FIRST)
    assert loaded.version() == version


def test_a_table_never_published_says_which_command_publishes_it(loaded):
    with pytest.raises(StoreError, match="Run: leeway plan"):
        read_published(loaded, "work_plan")
    with pytest.raises(StoreError, match="'nonsense' is not a published table"):
        read_published(loaded, "nonsense")
