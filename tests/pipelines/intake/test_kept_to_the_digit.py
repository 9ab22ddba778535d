"""What was typed is kept to the last digit through every format, whatever signs the file's texts use. About 3 s."""

import json
from datetime import UTC, datetime, time

import polars as pl
import pytest
import xlsxwriter
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.errors import DropError
from pipelines.intake.files import foreign_files
from pipelines.intake.load import load
from pipelines.intake.mapped import foreign_cells, made_of, units_of
from pipelines.intake.mapping import LongForm, MappedColumn, Mapping
from pipelines.store.published import vehicle_snapshots

NUMBERS = st.one_of(
    st.decimals(min_value=-999, max_value=999, places=3, allow_nan=False).map(float),
    st.floats(min_value=-1e6, max_value=1e6, allow_nan=False).map(lambda x: round(float(f"{x:.9g}"), 9)),
    st.integers(min_value=-999_999, max_value=999_999).map(float),
)
COLUMNS = (
    MappedColumn(to="vehicle_id", source="v"), MappedColumn(to="read_at", source="t"),
    MappedColumn(to="ltft_b1_idle", source="x"),
)  # fmt: skip


def read_back(path, decimal: str, columns=COLUMNS, **said) -> pl.DataFrame:
    mapping = Mapping(table="snapshots", decimal=decimal, columns=columns, **said)
    [file] = foreign_files([path], "snapshots")
    cells, comma = foreign_cells(file, mapping)
    units = units_of("snapshots", built_in_corrections())
    return made_of(cells, file, mapping, units=units, decimal_comma=comma, time_zone="UTC")


@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(numbers=st.lists(NUMBERS, min_size=1, max_size=8), decimal=st.sampled_from(["", ",", "."]))
def test_a_number_typed_as_a_number_is_kept_whatever_sign_the_mapping_says(tmp_path, numbers, decimal):
    days = [f"2026-01-{day:02}" for day in range(1, len(numbers) + 1)]
    rows = {"v": ["a"] * len(numbers), "t": days, "x": numbers}
    pl.DataFrame(rows).write_parquet(tmp_path / "f.parquet")
    pl.DataFrame(rows).write_ndjson(tmp_path / "f.ndjson")
    with xlsxwriter.Workbook(tmp_path / "f.xlsx") as book:
        sheet = book.add_worksheet()
        for column, (name, cells) in enumerate(rows.items()):
            sheet.write_column(0, column, [name, *cells])
    for ending in ("parquet", "ndjson", "xlsx"):
        made = read_back(tmp_path / f"f.{ending}", decimal)["ltft_b1_idle"].cast(pl.Float64)
        assert made.to_list() == numbers, ending
    texts = [repr(number).replace(".", decimal or ".") for number in numbers]
    lines = [f'a;{day};"{text}"' for day, text in zip(days, texts, strict=True)]
    (tmp_path / "f.csv").write_text("\n".join(["v;t;x", *lines]) + "\n", encoding="utf-8")
    kept = read_back(tmp_path / "f.csv", decimal)["ltft_b1_idle"].cast(pl.Float64).to_list()
    assert kept == [float(repr(number)) for number in numbers]


def in_all_formats(tmp_path, rows: dict[str, list], decimal: str) -> tuple[str, ...]:
    """The same rows in each format, typed where it has types; names of the files."""
    pl.DataFrame(rows).write_parquet(tmp_path / "f.parquet")
    pl.DataFrame(rows).write_ndjson(tmp_path / "f.ndjson")
    with xlsxwriter.Workbook(tmp_path / "f.xlsx") as book:
        sheet = book.add_worksheet()
        for column, (name, cells) in enumerate(rows.items()):
            sheet.write_column(0, column, [name, *cells])
    written = [
        ";".join(repr(cell).replace(".", decimal or ".") if isinstance(cell, float) else str(cell) for cell in row)
        for row in zip(*rows.values(), strict=True)
    ]
    (tmp_path / "f.csv").write_text("\n".join([";".join(rows), *written]) + "\n", encoding="utf-8")
    return "f.parquet", "f.ndjson", "f.xlsx", "f.csv"


@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(numbers=st.lists(NUMBERS, min_size=1, max_size=6), decimal=st.sampled_from(["", ",", "."]))
def test_one_value_a_row_is_kept_to_the_last_digit_in_every_format(tmp_path, numbers, decimal):
    days = [f"2026-01-{day:02}" for day in range(1, len(numbers) + 1)]
    rows = {"v": ["a"] * len(numbers), "t": days, "what": ["Trim"] * len(numbers), "x": numbers}
    for name in in_all_formats(tmp_path, rows, decimal):
        mapping = Mapping(
            table="snapshots", decimal=decimal, long=LongForm(name="what", value="x", by=("v", "t")),
            columns=(*COLUMNS[:2], MappedColumn(to="ltft_b1_idle", source="Trim")),
        )  # fmt: skip
        [file] = foreign_files([tmp_path / name], "snapshots")
        cells, comma = foreign_cells(file, mapping)
        units = units_of("snapshots", built_in_corrections())
        made = made_of(cells, file, mapping, units=units, decimal_comma=comma, time_zone="UTC")
        assert made["ltft_b1_idle"].cast(pl.Float64).to_list() == numbers, name


@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    milliseconds=st.lists(st.integers(0, 90_000_000), min_size=1, max_size=6, unique=True),
    decimal=st.sampled_from(["", ",", "."]),
)
@example(milliseconds=[43_200_001, 0], decimal="")  # seconds that begin anew after half a day pass no midnight
def test_seconds_since_a_start_and_since_1970_are_kept_to_the_millisecond(tmp_path, milliseconds, decimal):
    start = 1_767_225_600_000  # 2026-01-01T00:00:00Z
    rows = {
        "v": ["a"] * len(milliseconds), "since": [ms / 1000 for ms in milliseconds],
        "epoch": [(start + ms) / 1000 for ms in milliseconds], "ms": [start + ms for ms in milliseconds],
    }  # fmt: skip
    wanted = [datetime.fromtimestamp((start + ms) / 1000, tz=UTC).isoformat("T", "milliseconds") for ms in milliseconds]
    for name in in_all_formats(tmp_path, rows, decimal):
        for source, form in (("since", "elapsed"), ("epoch", "epoch"), ("ms", "epoch_ms")):
            columns = (COLUMNS[0], MappedColumn(to="read_at", source=source, form=form))
            constants = {"read_at": "2026-01-01"} if form == "elapsed" else {}
            made = read_back(tmp_path / name, decimal, columns, constants=constants)["read_at"]
            times = made if made.dtype != pl.String else made.str.to_datetime(time_zone="UTC")
            assert times.dt.strftime("%Y-%m-%dT%H:%M:%S%.3f+00:00").to_list() == wanted, (name, form)


def test_cells_of_a_sheet_are_what_they_show(tmp_path):
    with xlsxwriter.Workbook(tmp_path / "vans.xlsx") as book:
        sheet = book.add_worksheet()
        forms = ["", "dd.mm.yyyy", "hh:mm", "0.0%", '#,##0 "mi"', ""]
        styles = [book.add_format({"num_format": form or "General"}) for form in forms]
        sheet.write_row(0, 0, ["van", "day", "at", "trim", "run", "far"])
        for row, (trim, far) in enumerate([(0.055, 0.055), (-0.0039, 1.055), (0.1, "1,055")], start=1):
            sheet.write(row, 0, 12)
            sheet.write(row, 1, 46056 + row, styles[1])
            sheet.write_datetime(row, 2, time(8, 15), styles[2])
            sheet.write(row, 3, trim, styles[3])
            sheet.write(row, 4, 1000, styles[4])
            sheet.write(row, 5, far)
    columns = (
        MappedColumn(to="vehicle_id", source="van"), MappedColumn(to="read_at", source="day", also=("at",)),
        MappedColumn(to="ltft_b1_idle", source="trim"), MappedColumn(to="odometer_km", source="run"),
        MappedColumn(to="ltft_b1_low", source="far"),
    )  # fmt: skip
    made = read_back(tmp_path / "vans.xlsx", ",", columns)
    assert made["ltft_b1_idle"].cast(pl.Float64).to_list() == [5.5, -0.39, 10.0]
    assert made["odometer_km"].cast(pl.Float64).to_list() == [1609.344] * 3
    assert made["ltft_b1_low"].cast(pl.Float64).to_list() == [0.055, 1.055, 1.055]
    assert made["read_at"][0] == "2026-02-04 08:15:00"


def test_a_per_cent_cell_of_a_drop_is_what_it_shows(store, tmp_path):
    with xlsxwriter.Workbook(tmp_path / "snapshots.xlsx") as book:
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, ["vehicle_id", "read_at", "ltft_b1_idle"])
        sheet.write_row(1, 0, ["v1", "2026-02-03T08:00:00Z"])
        sheet.write(1, 2, 0.055, book.add_format({"num_format": "0.00%"}))
    load(store, [tmp_path])
    assert vehicle_snapshots(store, "v1")["ltft_b1_idle"].to_list() == [5.5]


@pytest.mark.parametrize("rows", [3, 6000])
@pytest.mark.parametrize("header_ends", [";", ""])
def test_a_separator_that_ends_a_row_begins_no_cell(store, tmp_path, rows, header_ends):
    lines = [f"v{n};2026-01-01T08:00:00Z;{n},5;" for n in range(rows)]
    (tmp_path / "snapshots.csv").write_text(f"vehicle_id;read_at;odometer_km{header_ends}\n" + "\n".join(lines) + "\n")
    [report] = load(store, [tmp_path]).files
    assert (report.loaded, report.quarantined, report.extra) == (rows, 0, ())
    assert vehicle_snapshots(store, "v2")["odometer_km"].to_list() == [2.5]


def test_rows_of_a_log_that_fall_on_one_key_are_not_taken_for_replacements(store, tmp_path):
    lines = [json.dumps({"v": "a", "t": "2026-01-01", "x": n}) for n in range(128)]
    (tmp_path / "log.ndjson").write_text("\n".join(lines) + "\n")
    report = load(store, [tmp_path / "log.ndjson"], mapping=Mapping(table="snapshots", columns=COLUMNS))
    assert report.exit_code == 2
    assert "127 of its 128 rows would take another row's place" in str(report.files[0].unreadable)
    with pytest.raises(DropError, match="makes ltft_b9"):
        read_back(tmp_path / "log.ndjson", "", (*COLUMNS[:2], MappedColumn(to="ltft_b9", source="x")))
