"""The button under every table and chart that saves it; a file is made when it is asked for, not before."""

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

import polars as pl
import streamlit as st

from dashboard import files, signed_in
from dashboard.charts import Drawn
from dashboard.charts.picture import picture
from dashboard.views.plain_columns import plain_columns
from dashboard.views.wording import plain

MIMES = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet", "png": "image/png", "svg": "image/svg+xml"}


def download(
    label: str, make: Callable[[], bytes], file_name: str, *, mime: str, right: str = "export", **how: Any
) -> None:
    """A button that hands over a file, made when it is asked for; to whom it is not for, it says so.

    Args:
        label: On the button.
        make: Gives the file's content.
        file_name: Of the file.
        mime: Its kind.
        right: What the reader must be allowed.
        how: Further arguments of `st.download_button`.
    """
    reader = signed_in.person()
    if reader.may(right):
        data = signed_in.for_reader(make, file_name)
        st.download_button(label, data=data, file_name=file_name, mime=mime, on_click="ignore", **how)  # noqa: TID251
    else:
        st.button(label, disabled=True, **{**how, "help": plain(reader.denied(right))})


def offer_table(rows: pl.DataFrame, name: str, columns: Mapping[str, Any]) -> None:
    """Offer a table of a page as CSV and as Parquet.

    Args:
        rows: As the page shows them.
        name: Of the table, unique on its page, and of the file.
        columns: How they are shown, by name.
    """
    percents = [column for column, how in columns.items() if "%%" in str((how.get("type_config") or {}).get("format"))]
    made = {"csv": files.as_csv, "parquet": files.as_parquet}
    _offer(
        name,
        "Save table",
        {ending: partial(_file, make, rows, percents) for ending, make in made.items()},
    )


def _file(make: Callable[[pl.DataFrame], bytes], rows: pl.DataFrame, percents: list[str]) -> bytes:
    return make(plain_columns(rows, percents=percents))


def offer_chart(chart: Drawn, name: str, *, title: str, zone: str) -> None:
    """Offer a chart of a page as PNG and as SVG.

    Args:
        chart: As the page shows it.
        name: Of the chart, unique on its page, and of the file.
        title: Stands over it in the file.
        zone: Time zone of its dates.
    """
    _offer(
        name,
        "Save chart",
        {ending: partial(picture, chart, ending, title=title, zone=zone) for ending in ("png", "svg")},
    )


def _offer(name: str, label: str, files: Mapping[str, Callable[[], bytes]]) -> None:
    with st.popover(label, type="tertiary", key=f"save {name}"):
        for ending, make in files.items():
            download(
                f"{label} as {'Parquet' if ending == 'parquet' else ending.upper()}",
                make,
                f"{name}.{ending}",
                mime=MIMES[ending],
                key=f"save {name} {ending}",
                type="tertiary",
            )
