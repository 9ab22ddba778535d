"""Part of the intake page: a file of another tool comes in, a mapping is drafted and shown; the reader keeps it."""

import streamlit as st

from dashboard import published
from dashboard.screens import frame as shared
from dashboard.uploads import drafted, mapping_name, previewed, read_text
from dashboard.views.wording import listed, plain, shell_word
from pipelines.errors import LeewayError
from pipelines.intake.draft import Preview

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
    try:
        draft = published.kept(
            "draft", upload.file_id, table,
            build=lambda: drafted(upload.name, upload.getvalue(), published.corrections(), table=table),
        )  # fmt: skip
        text = st.text_area("Mapping", draft, height=320, key=f"mapping {table} {upload.file_id}")
        preview = published.kept(
            "preview", upload.file_id, text,
            build=lambda: previewed(upload.name, upload.getvalue(), published.corrections(), read_text(text)),
        )  # fmt: skip
    except LeewayError as error:
        st.warning(plain(str(error)))
        return
    _preview(preview)
    _keep(text, upload.name)


def _preview(preview: Preview) -> None:
    st.markdown("**What becomes of its columns**")
    shared.table(
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
    shared.table(preview.rows, hide_index=True, key="mapped_rows", alt="First rows as they would be loaded")


def _keep(text: str, source: str) -> None:
    name, place = mapping_name(source), str(published.store().path)
    st.markdown("Keep the mapping, and load the file with it:")
    st.code(f"leeway load {shell_word(source)} --mapping {name} --store {shell_word(place)}", language="bash")
    st.download_button("Download the mapping", text, file_name=name, on_click="ignore")
