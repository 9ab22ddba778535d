from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipelines.recurring.behind_findings import trend_of, vehicles_behind
from pipelines.recurring.closed import has_grown
from pipelines.recurring.compared import Compared, Ground
from pipelines.recurring.comparing import Subject, pair_at, places_of, things_of
from pipelines.recurring.issues import is_told
from pipelines.recurring.rollouts import Watched, rollout_watch, subject_of
from pipelines.recurring.sprt import chance_of_reaching, log_likelihood_ratio, needed_ratio

START = datetime(2030, 1, 1, tzinfo=UTC)
AS_OF = datetime(2030, 12, 31, tzinfo=UTC)


@pytest.mark.parametrize(
    ("most_expected", "least", "needed"),
    [(1.0, 1, 2.853937), (10.0, 1, 3.467952), (10.0, 4, 2.921561), (50.0, 4, 3.455521)],
)
def test_published_critical_values(most_expected, least, needed):
    assert needed_ratio(0.05, most_expected, least) == pytest.approx(needed, abs=1e-6)


def test_the_chance_of_a_false_warning_is_that_of_simulated_counts():
    draw = np.random.default_rng(5)
    reached = 0
    for _ in range(4000):
        times = np.cumsum(draw.exponential(size=60))
        ratios = [log_likelihood_ratio(n, t) for n, t in enumerate(times[times <= 20.0], 1) if n >= 3]
        reached += max(ratios, default=0.0) >= 3.0
    assert reached / 4000 == pytest.approx(chance_of_reaching(3.0, 20.0, 3), abs=3 * (0.06 * 0.94 / 4000) ** 0.5)


def ground(happened):
    """Forty vehicles for a year; half of them have a new calibration from August on."""
    rows = pl.DataFrame(
        [
            (f"van-{n:02}", START.replace(month=m), "B" if n < 20 and m >= 8 else "A", "rowan", "", "")
            for n in range(40)
            for m in range(1, 13)
        ],
        schema=["vehicle_id", "start", "calibration", "engine_family", "age_class", "season"],
        orient="row",
    ).with_columns(exposure=pl.lit(1.0), start=pl.col("start").cast(pl.Datetime("us", "UTC")))
    where = {(v, at.month): n for n, (v, at) in enumerate(rows.select("vehicle_id", "start").iter_rows())}
    named = (("ignition_weak", *each) if len(each) == 2 else each for each in happened)
    events = pl.DataFrame(
        [("cause", what, where[v, at.month], at, n) for n, (what, v, at) in enumerate(named)],
        schema={
            "kind": pl.String, "what": pl.String, "row": pl.Int64, "at": pl.Datetime("us", "UTC"), "episode": pl.Int64,
        },
        orient="row",
    )  # fmt: skip
    everywhere = np.ones(rows.height, dtype=bool)
    return Ground(
        name="vehicle-month",
        rows=rows,
        start=rows["start"],
        things=things_of(events, lambda _kind, _what: everywhere),
        places=[places_of(rows, "calibration", ["engine_family"], rows="vehicle-month")],
    )


def usual():
    return [(f"van-{20 + n:02}", START + timedelta(days=60 * n + 3)) for n in range(5)]


def watch(happened, as_of=AS_OF):
    return rollout_watch([Watched(ground=ground(happened), factor="calibration")], as_of=as_of)


def test_what_comes_oftener_with_a_new_calibration_warns_at_the_event_that_makes_it_clear():
    bad = [(f"van-{n:02}", datetime(2030, 8 + n // 3, 5 + n, tzinfo=UTC)) for n in range(9)]
    row = watch(usual() + bad).row(0, named=True)
    assert (row["level"], row["of"], row["what"], row["events"]) == ("B", "rowan", "ignition_weak", 9)
    assert row["expected"] == pytest.approx(100 * 6 / 380)
    assert row["warned_at"] == bad[2][1]  # three within a week of its coming, where one in two months is usual
    assert row["low"] > 1


def test_as_much_as_elsewhere_warns_of_nothing_and_what_is_old_is_not_watched():
    same = [(f"van-{n:02}", datetime(2030, 9 + n, 5, tzinfo=UTC)) for n in range(2)]
    assert watch(usual() + same)["warned_at"].to_list() == [None]
    assert watch(usual() + same, as_of=datetime(2031, 9, 1, tzinfo=UTC)).is_empty()


def test_the_vehicles_and_months_behind_a_warning_are_those_of_its_calibration():
    bad = [(f"van-{n:02}", datetime(2030, 8 + n // 3, 5 + n, tzinfo=UTC)) for n in range(9)]
    comparable = ground(usual() + bad)
    row = rollout_watch([Watched(ground=comparable, factor="calibration")], as_of=AS_OF).row(0, named=True)
    assert row["affected"] == 9
    nothing = pl.DataFrame()
    compared = Compared(months=nothing, stood=nothing, grounds=(comparable,), findings=())
    about = {"warned": [subject_of(row)]}
    behind = vehicles_behind(about, compared, lambda subject: subject.what)
    assert behind["vehicle_id"].to_list() == [f"van-{n:02}" for n in range(9)]
    months = trend_of(about, compared)
    assert (months["month"].min(), months["events"].sum(), months["months"].sum()) == (date(2030, 8, 1), 9, 100.0)
    elsewhere = {"warned": [replace(subject_of(row), of=("engine_family", "alder"))]}
    assert vehicles_behind(elsewhere, compared, lambda subject: subject.what).is_empty()
    assert not has_grown(subject_of(row), compared, bad[-1][1])  # nothing came since


def test_a_finding_lists_the_vehicles_that_it_counts_with_all_that_it_holds():
    bad = [(f"van-{n:02}", datetime(2030, 8 + n // 3, 5 + n, tzinfo=UTC)) for n in range(9)]
    too = [("knock_sensor_loose", f"van-{n:02}", at) for n, (_, at) in enumerate(bad) if n >= 3]
    one_more = ("knock_sensor_loose", "van-15", datetime(2030, 11, 2, tzinfo=UTC))
    comparable = ground([*usual(), *bad, *too, one_more])
    compared = Compared(months=pl.DataFrame(), stood=pl.DataFrame(), grounds=(comparable,), findings=())
    leading = Subject(factor="calibration", level="B", kind="cause", what="ignition_weak", rows="vehicle-month")
    about = {"told": [leading, replace(leading, what="knock_sensor_loose")]}
    behind = vehicles_behind(about, compared, lambda subject: subject.what)
    assert behind["vehicle_id"].to_list() == [vehicle for vehicle, _ in bad]
    assert behind["what"].to_list() == ["ignition_weak"] * 3 + ["ignition_weak; knock_sensor_loose"] * 6


def test_a_warning_of_what_a_finding_tells_by_another_factor_is_not_given():
    bad = [(f"van-{n:02}", datetime(2030, 8 + n // 3, 5 + n, tzinfo=UTC)) for n in range(9)]
    comparable = ground(usual() + bad)
    compared = Compared(months=pl.DataFrame(), stood=pl.DataFrame(), grounds=(comparable,), findings=())
    warned = subject_of(
        rollout_watch([Watched(ground=comparable, factor="calibration")], as_of=AS_OF).row(0, named=True)
    )
    at_a_depot = pair_at(comparable.thing(warned), comparable.compared(warned), "B")
    few = replace(at_a_depot, episodes=frozenset(list(at_a_depot.episodes)[:3]))
    assert is_told(warned, [few, replace(at_a_depot, factor="depot", level="Millrace")], compared)
    assert not is_told(warned, [few], compared)
    assert not is_told(warned, [replace(at_a_depot, rows="job")], compared)
