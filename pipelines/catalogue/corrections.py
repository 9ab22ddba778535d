"""The catalogue of corrections: the built-in one, and a fleet's own merged over it, as frames; no store, no drop."""

from functools import cache
from importlib.resources import files

import polars as pl

from pipelines.catalogue.names import name_refusals
from pipelines.catalogue.tables import drop_tables


@cache
def built_in_corrections() -> pl.DataFrame:
    """The built-in catalogue, one row per code, columns of the contract's table `corrections`."""
    return _built_in("corrections")


@cache
def built_in_components() -> pl.DataFrame:
    """The built-in components, one row per component, columns of the contract's table `components`."""
    return _built_in("components")


@cache
def code_titles() -> dict[str, str]:
    """What trouble codes are called (SAE J2012, in our words), by their five letters; a manufacturer's have none."""
    table = pl.read_csv(files("pipelines.catalogue").joinpath("code_titles.csv").read_bytes())
    return dict(table.select("code", "title").iter_rows())


def own_code_titles(corrections: pl.DataFrame) -> dict[str, str]:
    """What codes are called that nobody titles but the catalogue of corrections which set them, by their five letters.

    Args:
        corrections: `title, fault_low, fault_high`.
    """
    return {
        code[:5]: f"{title}, {side} limit"
        for title, low, high in corrections.select("title", "fault_low", "fault_high").iter_rows()
        for side, codes in (("lower", low), ("upper", high))
        for code in (codes or "").split("|")
        if code and title
    }


@cache
def freeze_frame_words() -> dict[str, tuple[str, str]]:
    """What columns `ff_NAME` of a freeze frame are called and their unit, by NAME (SAE J1979 words)."""
    table = pl.read_csv(files("pipelines.catalogue").joinpath("freeze_frame.csv").read_bytes())
    return {name: (title, unit) for name, title, unit in table.iter_rows()}


def overridden(built_in: pl.DataFrame, own: pl.DataFrame) -> pl.DataFrame:
    """The built-in rows and a fleet's own, which take the place of rows of the same key (the first column); by key.

    Own rows whose name cannot be used (see `unusable`) are left out: a store may hold some of before they were refused.
    """
    key = built_in.columns[0]
    if own.is_empty():
        return built_in.sort(key)
    usable = own.filter(~pl.col(key).is_in(unusable(built_in, own)["name"].implode()))
    return pl.concat([built_in.join(usable, on=key, how="anti"), usable.select(built_in.columns)]).sort(key)


def unusable(built_in: pl.DataFrame, own: pl.DataFrame) -> pl.DataFrame:
    """Names of a fleet's own rows that cannot be used, with the reason: columns `name` and `reason`.

    A name may be one that no name can be, or differ by case alone from another; of own ones, the first by name stays.
    """
    key = built_in.columns[0]
    refused = name_refusals(own[key], codes=key == "code")
    spelling = {name.casefold(): name for name in built_in[key]}
    others = sorted(set(own[key].drop_nulls()).difference(refused["name"]))
    twins = [(name, known) for name in others if (known := spelling.setdefault(name.casefold(), name)) != name]
    told = [(name, f"differs by case alone from {known}") for name, known in twins]
    return pl.concat([refused, pl.DataFrame(told, schema=refused.schema, orient="row")])


def _built_in(table: str) -> pl.DataFrame:
    schema = drop_tables()[table].schema
    return pl.read_csv(
        files("pipelines.catalogue").joinpath(f"{table}.csv").read_bytes(), schema_overrides=schema
    ).select(schema.names())
