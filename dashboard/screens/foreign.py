"""Part of the intake page: a file of any tool comes in, is looked at, asked about, shown, and loaded when confirmed."""

from dataclasses import replace
from pathlib import PurePosixPath
from typing import Literal

import polars as pl
import streamlit as st

from dashboard import published, signed_in
from dashboard.screens import frame as shared
from dashboard.screens.allowed import button
from dashboard.screens.analyse_now import FOUND, analyse_now, what_was_found
from dashboard.screens.saving import download
from dashboard.uploads import Files, loaded, looked_at, mapping_name, previewed, read_text
from dashboard.views.wording import listed, plain, shell_word
from pipelines.errors import LeewayError
from pipelines.explain import answer_help
from pipelines.intake.anything import Look
from pipelines.intake.draft import Preview
from pipelines.intake.draft_keys import Question
from pipelines.intake.draft_lists import ONE_FAMILY
from pipelines.intake.mapping import mapping_text
from pipelines.undated import undated_lines

FOUND_OUT = "found out"
TABLES = (FOUND_OUT, "snapshots", "readings", "faults", "work", "vehicles")
HANDED: dict[str, Literal[True, "directory"]] = {"files": True, "a whole folder": "directory"}
MOST_NAMED = 5  # files in a sentence
ENDINGS = ["csv", "txt", "tsv", "gz", "parquet", "ndjson", "jsonl", "xlsx"]


def foreign_file() -> None:
    """Look at a file whose columns are not the contract's, ask what only its owner knows, and load it."""
    st.subheader("A file of another tool")
    st.markdown(
        "Hand over a spreadsheet, an export, or a reader's logs as they are, one file or many alike. Which column is "
        "which, and in which units, is found out and shown; nothing is loaded until you say so."
    )
    table = st.selectbox("Its rows become", TABLES, key="table", bind="query-params")
    kind = st.selectbox("What is handed over", tuple(HANDED), key="handed", bind="query-params")
    uploads = st.file_uploader("The files", type=ENDINGS, accept_multiple_files=HANDED[kind], key="foreign")
    if not uploads:
        return
    files = tuple(sorted((upload.name, upload.getvalue()) for upload in uploads))
    which = " ".join(upload.file_id for upload in uploads)
    if (came_in := f"came in {which}") in st.session_state:
        _loaded(st.session_state[came_in])
        return
    answers = st.session_state.setdefault(f"answers {which}", {})
    try:
        with st.spinner("Looking at it"):
            look, places = published.kept(
                "look", which, f"{table} {sorted(answers.items())}",
                build=lambda: looked_at(
                    files, published.corrections(), store=published.store().path, answers=answers,
                    table="" if table == FOUND_OUT else table,
                ),
            )  # fmt: skip
        if look.questions:
            _asked(look.questions[0], answers, which, look.mapping.table)
            return
        if look.undated is not None:
            _undated(look.undated, answers)
            return
        alike = tuple(files[place] for place in places)
        _which(files, alike)
        for line in look.said:
            st.markdown(f"- {plain(line)}")
        text = st.text_area(
            "Mapping", mapping_text(look.mapping), height=320, key=f"mapping {table} {which} {len(answers)}"
        )
        preview = published.kept(
            "preview", which, text, build=lambda: previewed(alike, published.corrections(), read_text(text))
        )
        _preview(preview)
        _load(alike, replace(look, mapping=read_text(text)), came_in)
        _keep(text, PurePosixPath(alike[0][0]).name)
    except LeewayError as error:
        st.warning(plain(str(error)))


def _which(files: Files, alike: Files) -> None:
    """Of several files: how many are read alike, answers to questions included, and which are left out."""
    if len(files) == 1:
        return
    st.markdown(f"{len(alike)} of {len(files)} files are read as {plain(alike[0][0])} is.")
    if unlike := [name for name, content in files if (name, content) not in alike]:
        shown = listed([plain(name) for name in unlike[:MOST_NAMED]])
        more = f" and {len(unlike) - MOST_NAMED} more" if len(unlike) > MOST_NAMED else ""
        st.warning(f"Unlike it, and left out: {shown}{more}. Hand them over by themselves.")


def _asked(question: Question, answers: dict[str, str], file_id: str, table: str) -> None:
    """One question at a time; the page runs again with the answer."""
    with st.form(f"question {file_id} {question.key}", border=True):
        st.markdown(f"**{plain(question.text)}**")
        for line in answer_help(question.key, table):
            st.caption(plain(line))
        meanings = dict(question.options)
        chosen = ""
        if meanings:
            words = {key: plain(_option(key, meanings)) for key in (*meanings, "")}
            chosen = st.radio("Answer", list(words), format_func=words.get, label_visibility="collapsed") or ""
        own = st.text_input("Your own answer" if meanings else "Answer")
        if st.form_submit_button("Answer") and (own or chosen):
            answers[question.key] = own.strip() or chosen
            st.rerun()


def _option(key: str, meanings: dict[str, str]) -> str:
    if not key:
        return "something else: write it below"
    return meanings[key] if key == meanings[key] else f"{meanings[key]} ({key})"


def _undated(found: pl.DataFrame, answers: dict[str, str]) -> None:
    """What the values alone say; nothing of it is loaded."""
    for line in undated_lines(found):
        st.markdown(f"- {plain(line)}")
    shared.table(
        found.drop("correction"), hide_index=True, key="undated", placeholder=shared.ABSENT,
        alt="One row a vehicle and correction: its value beside what healthy engines read",
        column_config={
            "vehicle_id": st.column_config.TextColumn("Vehicle"),
            "title": st.column_config.TextColumn("Correction", width="medium"),
            "unit": st.column_config.TextColumn("Unit"),
            "value": st.column_config.NumberColumn("Value", format="%.4g"),
            "readings": st.column_config.NumberColumn("Rows"),
            "first": st.column_config.NumberColumn("In the first row", format="%.4g"),
            "least": st.column_config.NumberColumn("Least", format="%.4g"),
            "most": st.column_config.NumberColumn("Most", format="%.4g"),
            "normal_low": st.column_config.NumberColumn("Healthy from", format="%.4g"),
            "normal_high": st.column_config.NumberColumn("Healthy to", format="%.4g"),
            "leeway_pct": st.column_config.NumberColumn("Leeway", format="%.0f %%"),
            "says": st.column_config.TextColumn("It is", width="medium"),
        },
    )  # fmt: skip
    if st.button("I know when it was read", key="dated"):
        answers.clear()
        st.rerun()


def _load(files: Files, look: Look, came_in: str) -> None:
    """Load the files as shown; the page runs again with what came of them, in the session under `came_in`."""
    family = st.text_input(
        "Engine family of vehicles that no file names yet", ONE_FAMILY, key="new_family",
        help="Vehicles of one engine family are compared with each other.",
    )  # fmt: skip
    if button("Load it" if len(files) == 1 else f"Load all {len(files)}", "load", type="primary", key="load_it"):
        signed_in.must("load")
        for name, _ in files:
            signed_in.did("loaded", name)
        with st.spinner("Loading"):
            lines = loaded(files, look, store=published.store().path, family=family.strip())
        st.session_state[came_in] = lines
        st.session_state.pop(FOUND, None)
        st.rerun()


def _loaded(lines: list[str]) -> None:
    """What came of a file that was loaded here, and what an analysis of it found."""
    for line in lines:
        st.markdown(f"- {plain(line)}")
    if not what_was_found():
        st.markdown("What it says shows after an analysis. Load more first, if there is more; here or in a terminal:")
        analyse_now()
        st.code(f"leeway analyse --store {shell_word(str(published.store().path))}", language="bash")


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
    download("Download the mapping", text.encode, name, mime="application/toml", right="load")
