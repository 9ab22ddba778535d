"""What an analysis says that it cost: sums over parts by stage, and ten times as much for ten times the fleet."""

from pipelines.parts.costs import Cost, Spent, cost_lines, measured

MEBIBYTE = 2**20


def test_costs_are_added_by_stage_and_ten_times_the_fleet_needs_ten_times_as_much():
    part = {"reading": Spent(2.0, 1.0, 30 * MEBIBYTE, 0), "drift": Spent(40.0, 30.0, 0, 10 * MEBIBYTE)}
    of_part = Cost(stages=part, peak=700 * MEBIBYTE, vehicles=50, readings=8 * MEBIBYTE, given=2 * MEBIBYTE)
    once = Cost(stages={"publishing": Spent(3.0, 2.0, 0, 40 * MEBIBYTE)}, peak=100 * MEBIBYTE)
    took, *table, more = cost_lines([of_part, of_part, once], 51.0)
    assert took.startswith("Took 51 s, 64 s of processor time in 2 parts of up to 50 vehicles; most memory where parts")
    assert [line.split() for line in table[1:]] == [
        ["reading", "4.0", "s", "2.0", "s", "60", "MiB", "0", "MiB"],
        ["drift", "80.0", "s", "60.0", "s", "0", "MiB", "20", "MiB"],
        ["publishing", "3.0", "s", "2.0", "s", "0", "MiB", "40", "MiB"],
        ["all", "87.0", "s", "64.0", "s", "60", "MiB", "60", "MiB"],
    ]
    assert len({len(line) for line in table}) == 1
    assert "1000 vehicles, would need, judged by this run: some 11 min" in more
    assert "here some 244 MiB of memory; 600 MiB read, 600 MiB written." in more


def test_what_a_stage_reads_and_writes_is_counted_where_the_system_counts_it(tmp_path):
    def work(told):
        told("writing")
        (tmp_path / "file").write_bytes(bytes(3 * MEBIBYTE))
        told("reading")
        return len((tmp_path / "file").read_bytes())

    size, cost = measured(work)
    assert list(cost.stages) == ["writing", "reading"]
    if cost.stages["reading"].read:
        assert size <= cost.stages["reading"].read < 1.1 * size
        assert size <= cost.stages["writing"].written < 1.1 * size
