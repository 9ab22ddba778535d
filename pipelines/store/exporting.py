"""Writes frames to files that people open, whole or not at all, so that a spreadsheet runs nothing in them."""

from pathlib import Path

import polars as pl

from pipelines.errors import SettingError

DANGEROUS = "^(\\s*[=+\\-@|%\t\r\uff1d\uff0b\uff0d\uff20])"  # text that a spreadsheet may run as a formula
NUMBER = r"^\s*[-+]?\d+([.,]\d+)?([eE][-+]?\d+)?\s*$"


def write_frame(frame: pl.DataFrame, target: Path) -> None:
    """Write a frame to `target`, in the format of its ending.

    Raises:
        SettingError: another ending, or the place cannot be written.
    """
    endings = {".parquet", ".csv", ".xlsx"}
    if target.suffix.lower() not in endings:
        raise SettingError(f"{target}: ends in none of {' '.join(sorted(endings))}. Choose one of them.")
    partial = target.with_name(f".{target.name}.partial{target.suffix.lower()}")
    try:
        if target.suffix.lower() == ".parquet":
            frame.write_parquet(partial)
        elif target.suffix.lower() == ".csv":
            protected(frame).write_csv(partial, datetime_format="%Y-%m-%dT%H:%M:%S%.fZ")
        else:
            _plain(frame).write_excel(partial, autofit=False)
        partial.replace(target)
    except OSError as error:
        raise SettingError(f"{target}: cannot be written ({error.strerror or error}). Choose another place.") from error
    finally:
        partial.unlink(missing_ok=True)


def protected(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame with `'` before text that a spreadsheet may run; numbers kept as text stay as they are."""
    texts = [pl.col(name) for name, dtype in frame.schema.items() if dtype == pl.String]
    return frame.with_columns(
        pl.when(text.str.contains(DANGEROUS) & ~text.str.contains(NUMBER))
        .then(pl.concat_str(pl.lit("'"), text))
        .otherwise(text)
        .alias(text.meta.output_name())
        for text in texts
    )


def _plain(frame: pl.DataFrame) -> pl.DataFrame:
    """Times without their zone (a sheet knows none; they are UTC), lists as text."""
    times = [n for n, d in frame.schema.items() if isinstance(d, pl.Datetime) and d.time_zone]
    return frame.with_columns(pl.col(times).dt.replace_time_zone(None))
