import polars as pl
import pytest

from pipelines.history.reconstruct import reconstruct, reconstructed_and_learned

WEEKS = 20
HOURS = [100.0 + 10.0 * week for week in range(WEEKS)]


def restarting(*weeks):
    """The clock with the power lost before these weeks."""
    clock = HOURS.copy()
    for week in weeks:
        clock[week:] = [value - clock[week] + 4.0 for value in clock[week:]]
    return clock


@pytest.fixture
def epochs(evidence, weekly, learned, catalogue):
    """Epochs but the first ones of a fleet: for each vehicle the weeks at which its values are back, and more."""

    def make(fleet, work=(), **columns):
        snapshots = []
        for seed, (vehicle, (back, clock)) in enumerate(fleet.items(), start=1):
            snapshots += weekly(vehicle, clock, **learned(WEEKS, seed=seed, back=back), **columns)
        told = reconstruct(evidence(snapshots=snapshots, corrections=catalogue, work=list(work)))
        return told.epochs.filter(pl.col("reason") != "first_seen")

    return make


def test_every_vehicle_begins_an_epoch_when_it_is_first_seen(evidence, weekly, day):
    told = reconstruct(evidence(snapshots=weekly("a", HOURS) + weekly("b", HOURS))).epochs
    assert told.select("vehicle_id", "correction", "first_read_at", "reason").rows() == [
        ("a", None, day(0), "first_seen"),
        ("b", None, day(0), "first_seen"),
    ]


def test_a_steady_fleet_begins_nothing_anew(epochs):
    assert epochs({f"v{i}": ((), HOURS) for i in range(20)}).is_empty()


def test_corrections_back_at_neutral_together_are_an_epoch_that_nobody_recorded(epochs, day):
    (epoch,) = epochs({f"v{i}": ((12,) if i == 3 else (), HOURS) for i in range(8)}).to_dicts()
    assert (epoch["vehicle_id"], epoch["correction"], epoch["reason"]) == ("v3", None, "values")
    assert (epoch["first_read_at"], epoch["recorded"]) == (day(84), False)
    assert day(77) < epoch["started_at"] < day(84)


def test_one_correction_back_at_neutral_is_no_epoch(evidence, weekly, learned, catalogue):
    values = learned(WEEKS, seed=1)
    values["c3"][12] = 30.0
    told = reconstruct(evidence(snapshots=weekly("v", HOURS, **values), corrections=catalogue)).epochs
    assert told["reason"].to_list() == ["first_seen"]


def test_a_unit_slip_is_no_epoch(evidence, weekly, learned, catalogue):
    values = learned(WEEKS, seed=1)
    for series in values.values():
        series[12] /= 100.0
    told = reconstruct(evidence(snapshots=weekly("v", HOURS, **values), corrections=catalogue)).epochs
    assert told["reason"].to_list() == ["first_seen"]


@pytest.mark.parametrize("wipes", [True, False])
def test_whether_a_power_loss_wipes_is_learned_from_the_family(epochs, wipes):
    back = (9,) if wipes else ()
    fleet = {f"v{i}": (back, restarting(9)) for i in range(6)} | {f"w{i}": ((), HOURS) for i in range(6)}
    told = epochs(fleet)
    assert told["vehicle_id"].to_list() == ([f"v{i}" for i in range(6)] if wipes else [])
    assert set(told["reason"]) <= {"power_loss"}


def test_a_power_loss_whose_trace_is_gone_counts_where_the_family_has_the_habit(epochs):
    fleet = {f"v{i}": ((9,) if i else (), restarting(9)) for i in range(8)} | {f"w{i}": ((), HOURS) for i in range(8)}
    assert "v0" in epochs(fleet)["vehicle_id"].to_list()


def test_a_vehicle_by_itself_is_judged_by_what_others_of_its_family_taught(evidence, weekly, learned, catalogue):
    def of(*vehicles):
        rows = [weekly(f"v{i}", restarting(9), **learned(WEEKS, seed=i, back=(9,) if i else ())) for i in vehicles]
        return evidence(snapshots=[row for vehicle in rows for row in vehicle], corrections=catalogue)

    known = reconstructed_and_learned(of(*range(1, 8)))[1]
    told, after = reconstructed_and_learned(of(0), known)
    assert told.epochs["reason"].to_list() == ["first_seen", "power_loss"]
    assert reconstruct(of(0)).epochs["reason"].to_list() == ["first_seen"]
    assert after.families["rowan"] is known.families["rowan"]


def test_families_have_their_own_habits(evidence, weekly, learned, catalogue):
    snapshots, vehicles = [], []
    for i in range(12):
        family = "rowan" if i < 6 else "alder"
        vehicles.append({"vehicle_id": f"v{i:02d}", "engine_family": family})
        back = (9,) if family == "rowan" else ()
        snapshots += weekly(f"v{i:02d}", restarting(9), **learned(WEEKS, seed=i, back=back))
    told = reconstruct(evidence(snapshots=snapshots, vehicles=vehicles, corrections=catalogue)).epochs
    lost = told.filter(pl.col("reason") == "power_loss")
    assert lost["vehicle_id"].to_list() == [f"v{i:02d}" for i in range(6)]


def test_a_recorded_reset_is_an_epoch_of_all_corrections(epochs, day):
    work = [{"vehicle_id": "v", "done_at": day(60), "kind": "reset"}]
    (epoch,) = epochs({"v": ((9,), HOURS)}, work).to_dicts()
    assert (epoch["correction"], epoch["reason"], epoch["recorded"]) == (None, "reset", True)
    assert (epoch["started_at"], epoch["first_read_at"]) == (day(60), day(63))


def test_a_part_replaced_without_the_reset_opens_no_epoch_but_is_noted(evidence, weekly, learned, catalogue, day):
    work = [{"vehicle_id": "v", "done_at": day(60), "kind": "replacement", "component": "pump", "reset_done": False}]
    values = learned(WEEKS, seed=1)
    for code in ("c0", "c1"):  # the pump's corrections had strayed far, and unwind to their old level
        values[code] = [value + (8.0 if week < 9 else 0.0) for week, value in enumerate(values[code])]
    told = reconstruct(evidence(snapshots=weekly("v", HOURS, **values), corrections=catalogue, work=work))
    assert told.epochs["reason"].to_list() == ["first_seen"]
    assert told.notices.select("vehicle_id", "at", "kind").rows() == [("v", day(60), "not_reset")]


def test_a_part_said_to_be_replaced_without_the_reset_is_an_epoch_where_the_values_show_one(epochs, day):
    work = [{"vehicle_id": "v0", "done_at": day(60), "kind": "replacement", "component": "pump", "reset_done": False}]
    fleet = {f"v{i}": ((9,) if i == 0 else (), HOURS) for i in range(8)}
    (epoch,) = epochs(fleet, work).to_dicts()
    assert (epoch["vehicle_id"], epoch["reason"]) == ("v0", "values")


def test_resets_of_a_component_stay_with_its_corrections_where_the_others_never_follow(epochs, day):
    fleet = {f"v{i}": ((), HOURS) for i in range(8)}
    work = [
        {"vehicle_id": f"v{i}", "done_at": day(60), "kind": "replacement", "component": "pump", "reset_done": True}
        for i in range(6)
    ]
    told = epochs(fleet, work)
    assert set(told["correction"]) == {"c0", "c1"}
    assert set(told["reason"]) == {"replaced"}


@pytest.mark.parametrize(
    ("column", "reason"), [("calibration", "calibration"), ("module", "module")]
)  # fmt: skip
def test_a_new_calibration_or_module_is_an_epoch_of_all(epochs, day, column, reason):
    texts = ["old"] * 8 + [None] + ["new"] * 11
    (epoch,) = epochs({"v": ((), HOURS)}, **{column: texts}).to_dicts()
    assert (epoch["correction"], epoch["reason"], epoch["first_read_at"]) == (None, reason, day(63))


def test_a_recorded_programming_gives_the_calibration_its_time(epochs, day):
    work = [{"vehicle_id": "v", "done_at": day(60), "kind": "programming"}]
    (epoch,) = epochs({"v": ((), HOURS)}, work, calibration=["old"] * 9 + ["new"] * 11).to_dicts()
    assert (epoch["started_at"], epoch["reason"], epoch["recorded"]) == (day(60), "calibration", True)


@pytest.mark.parametrize("dated", [55.0, 64.0])
def test_work_that_is_dated_wrongly_is_moved_to_the_reading_that_shows_it(epochs, day, dated):
    work = [{"vehicle_id": "v", "done_at": day(dated), "kind": "programming"}]
    (epoch,) = epochs({"v": ((), HOURS)}, work, calibration=["old"] * 9 + ["new"] * 11).to_dicts()
    assert (epoch["first_read_at"], epoch["recorded"]) == (day(63), True)
    assert day(56) < epoch["started_at"] < day(63)


def test_work_after_the_newest_reading_has_begun_nothing_that_was_read(epochs, day):
    work = [{"vehicle_id": "v", "done_at": day(200), "kind": "reset"}]
    assert epochs({"v": ((), HOURS)}, work).is_empty()


@pytest.mark.parametrize("wipes", [True, False])
def test_counters_that_begin_anew_are_cleared_codes_and_an_epoch_where_clearing_resets(epochs, day, wipes):
    counter = [5 * (week if week < 9 else week - 9) for week in range(WEEKS)]
    fleet = {f"v{i}": ((9,) if wipes else (), HOURS) for i in range(6)}
    told = epochs(fleet, warmups_since_clear=counter)
    expected = [(f"v{i}", "codes_cleared", day(63), False) for i in range(6)] if wipes else []
    assert told.select("vehicle_id", "reason", "first_read_at", "recorded").rows() == expected


def test_codes_cleared_beside_some_resets_are_epochs_only_where_the_values_show_one(epochs):
    counter = [5 * (week if week < 9 else week - 9) for week in range(WEEKS)]
    fleet = {f"v{i:02d}": ((9,) if i < 10 else (), HOURS) for i in range(16)}
    told = epochs(fleet, warmups_since_clear=counter)
    assert told["vehicle_id"].to_list() == [f"v{i:02d}" for i in range(10)]


def test_a_reset_seen_days_later_is_found_by_what_is_not_relearned_yet(learned, weekly, evidence, catalogue):
    values = learned(WEEKS, seed=1)
    slow = [{**row, "learn_hours": 20.0} for row in catalogue]
    for code, series in values.items():
        level = 10.0 * int(code[1])
        for week in range(9, WEEKS):  # the values come back by three fifths of what is missing a week
            series[week] = round(series[week] - (series[week] - level) * 0.4 ** (week - 8), 1)
    told = reconstruct(evidence(snapshots=weekly("v", HOURS, **values), corrections=slow)).epochs
    assert told["reason"].to_list() == ["first_seen", "values"]
