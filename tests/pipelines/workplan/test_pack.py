from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from pipelines.workplan.assign import Option
from pipelines.workplan.pack import Bays

HOURS = 8.0


def job(number, hours, day=0):
    return Option(job=number, depot=0, day=day, saving=1.0, hours=hours, part="", from_stock=False)


@given(
    hours=st.lists(st.floats(0.25, 8.0), max_size=20),
    earliest=st.lists(st.floats(0.0, 6.0), min_size=20, max_size=20),
    bays=st.integers(1, 3),
    reserved=st.floats(0.0, 20.0),
)
def test_jobs_never_overlap_and_stay_within_the_day(hours, earliest, bays, reserved):
    depot = Bays(bays=bays, hours=HOURS, days=1)
    depot.reserve(0, reserved)
    placed = [depot.place(job(i, (h,)), earliest=earliest[i], latest=HOURS) for i, h in enumerate(hours)]
    by_bay = {}
    for one in filter(None, placed):
        assert one.start >= earliest[one.option.job]
        by_bay.setdefault(one.bay, []).append((one.start, one.start + one.option.hours[0]))
    for spans in by_bay.values():
        spans.sort()
        assert spans[-1][1] <= HOURS + 1e-6
        assert all(before[1] <= after[0] + 1e-6 for before, after in pairwise(spans))
    taken = sum(one.option.hours[0] for one in filter(None, placed))
    assert taken <= max(bays * HOURS - reserved, 0.0) + 1e-6


def test_a_job_of_two_days_keeps_its_bay_overnight():
    depot = Bays(bays=2, hours=HOURS, days=2)
    assert depot.place(job(0, (2.0,)), earliest=0.0, latest=HOURS).bay == 1
    long = depot.place(job(1, (8.0, 3.0)), earliest=0.0, latest=HOURS)
    assert (long.bay, long.start) == (2, 0.0)
    assert depot.place(job(2, (6.0,), day=1), earliest=0.0, latest=HOURS).bay == 1
    assert depot.place(job(3, (5.0,), day=1), earliest=0.0, latest=HOURS).start == 3.0


def test_a_job_waits_for_its_vehicle_and_is_done_before_it_must_be_back():
    depot = Bays(bays=1, hours=HOURS, days=1)
    assert depot.place(job(0, (2.0,)), earliest=3.0, latest=5.0).start == 3.0
    assert depot.place(job(1, (2.0,)), earliest=0.0, latest=6.0).start == 0.0
    assert depot.place(job(2, (2.0,)), earliest=0.0, latest=6.0) is None


def test_a_job_takes_the_gap_between_two_others_and_keeps_its_wish():
    depot = Bays(bays=1, hours=HOURS, days=1)
    depot.place(job(0, (2.0,)), earliest=0.0, latest=HOURS)
    depot.place(job(1, (2.0,)), earliest=5.0, latest=HOURS)
    assert depot.place(job(2, (4.0,)), earliest=0.0, latest=HOURS) is None
    assert depot.place(job(3, (1.0,)), earliest=0.0, latest=HOURS, wish=(1, 3.5)).start == 3.5
    assert depot.place(job(4, (1.5,)), earliest=0.0, latest=HOURS).start == 2.0
