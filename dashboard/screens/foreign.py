"""Part of the intake page: a file of another tool comes in, a mapping is drafted, its outcome shown, and kept."""

from pathlib import Path

import streamlit as st

from dashboard import published
from dashboard.screens import frame as shared
from dashboard.uploads import kept_upload, read_text, write_mapping
from dashboard.views.wording import listed, plain
from pipelines.errors import LeewayError
from pipelines.intake.draft import Preview, draft_mapping, preview_mapping
from pipelines.intake.mapping import mapping_text

TABLES = ("snapshots", "readings", "faults", "work", "vehicles")
ENDINGS = ["csv", "txt", "tsv", "gz", "parquet", "ndjson", "jsonl", "xlsx"]


def foreign_file() -> None:
    """Draft a mapping for a file whose columns are not the contract's."""
    st.subheader("A file of another tool")
    st.markdown(
        "Hand over a file as it is. A mapping says which of its columns is which, in which units; it is drafted here, "
        "and nothing is loaded until you load the file with it."
    )
    table = st.selectbox("Its rows become", TABLES, key="table", bind="query-params")
    upload = st.file_uploader("The file", type=ENDINGS, key="foreign")
    if upload is None:
        return
    path = published.kept("upload", upload.file_id, build=lambda: kept_upload(upload.name, upload.getvalue()))
    try:
        draft = mapping_text(draft_mapping(path, published.corrections(), table=table))
        text = st.text_area("Mapping", draft, height=320, key=f"mapping {table} {upload.file_id}")
        preview = preview_mapping(path, read_text(text), published.corrections())
    except LeewayError as error:
        st.warning(plain(str(error)))
        return
    _preview(preview)
    _keep(text, path)


def _preview(preview: Preview) -> None:
    st.markdown("**What becomes of its columns**")
    st.dataframe(
        preview.columns,
        hide_index=True,
        key="mapped_columns",
        alt="Each mapped column with an example, its unit, and what it becomes",
        placeholder=shared.ABSENT,
        column_config={
            "to": st.column_config.TextColumn("Becomes"),
            "source": st.column_config.TextColumn("Column of the file", width="medium"),
            "example": st.column_config.TextColumn("First cell"),
            "unit": st.column_config.TextColumn("Unit in the file"),
            "becomes": st.column_config.TextColumn("Read as"),
            "store_unit": st.column_config.TextColumn("Unit in the store"),
        },
    )
    if preview.unmapped:
        st.caption(f"Nothing is made of {plain(listed(preview.unmapped))}.")
    st.markdown("**Its first rows, as they would be loaded**")
    st.dataframe(preview.rows, hide_index=True, key="mapped_rows", alt="First rows as they would be loaded")


def _keep(text: str, path: Path) -> None:
    place = published.store().path
    with st.container(horizontal=True):
        st.download_button("Download the mapping", text, file_name=f"{path.stem}.mapping.toml", on_click="ignore")
        if not st.button("Write it beside the store"):
            return
    try:
        written = write_mapping(text, place.absolute().parent, path.name)
    except LeewayError as error:
        st.warning(plain(str(error)))
        return
    st.success(f"Written to {plain(str(written))}. Load the file with it:")
    st.code(f"leeway load {path.name} --mapping {written} --store {place}", language="bash")
