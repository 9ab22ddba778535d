from pipelines.intake import load as loading
from pipelines.intake.load import load
from pipelines.intake.report import FEW_FILES


def test_many_small_files_are_summed_up_by_table_and_named_when_asked(store, tmp_path):
    for number in range(FEW_FILES + 10):
        value = "lean" if number in (3, 7) else number % 5
        text = f"vehicle_id,read_at,ltft_b1_idle\nv1,2031-01-06T08:{number:02d}:00Z,{value}\n"
        (tmp_path / f"snapshots-{number:02d}.csv").write_text(text)
    (tmp_path / "faults.csv").write_bytes(b"")
    report = load(store, [tmp_path])
    lines = report.lines()
    assert len(lines) < 10
    assert (
        f"snapshots: {FEW_FILES + 10} files, {FEW_FILES + 8} rows loaded, 0 replaced, 0 already known, 2 quarantined."
        in lines
    )
    assert any("faults.csv: not read." in line for line in lines)
    wrong = [line for line in lines if "not a number; 2 quarantined" in line]
    assert wrong == [
        f"snapshots, ltft_b1_idle: not a number; 2 quarantined (first: {tmp_path.name}/snapshots-03.csv, row 2: lean)"
    ]
    each = report.lines(verbose=True)
    assert sum(": 1 row: " in line for line in each) == FEW_FILES + 10
    assert f"{tmp_path.name}/snapshots-07.csv, ltft_b1_idle: not a number; 1 quarantined (first: row 2: lean)" in each


def test_progress_names_each_file_and_of_a_large_one_the_row_it_has_come_to(store, small_drop, monkeypatch):
    monkeypatch.setattr(loading, "BATCH_ROWS", 2)
    told = []
    load(store, [small_drop], progress=lambda *where: told.append(where))
    assert told == [
        ("vehicles.csv", 0, 2),
        ("snapshots.csv", 1, 2),
        ("snapshots.csv, to row 3", 1, 2),
        ("", 2, 2),
    ]
