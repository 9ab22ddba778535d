"""Who has which calibration, what updates moved and cured, and replaced modules, as a page says it; frames in."""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from dashboard.views.wording import count, number

CLEAR = 0.25  # healthy scatters from which a shift is worth a line (judgement)
EFFECTS = {
    "cures": "● seems to be the cure",
    "worsens": "▲ more trouble with it",
    "no difference shown": "◇ no difference shown",
}


@dataclass(frozen=True, kw_only=True)
class CalibrationsView:
    """The part of the page about calibrations and modules.

    Attributes:
        sentence: How many vehicles are behind.
        register: One row a family and calibration.
        behind: The list for a campaign.
        shifts: What updates moved clearly, most first.
        effects: Trouble with an update over that before it, those that show something first.
        modules: Replaced modules, newest first.
        empty_reason: Why nothing is known.
    """

    sentence: str
    register: pl.DataFrame
    behind: pl.DataFrame
    shifts: pl.DataFrame
    effects: pl.DataFrame
    modules: pl.DataFrame
    empty_reason: str = ""


NOTHING = "No reading says which calibration a module has. Drops with the column calibration bring it in."
NEEDED = ("calibration_register", "calibration_behind", "calibration_shift", "calibration_effect", "module_change")


def calibrations(tables: Mapping[str, pl.DataFrame], names: Mapping[str, str]) -> CalibrationsView:
    """What is known of calibrations.

    Args:
        tables: NEEDED, of one as_of; without columns where a release before this one published.
        names: What corrections, components and causes are called.
    """
    register, behind = tables["calibration_register"], tables["calibration_behind"]
    if not register.width or not register.height:
        nothing = pl.DataFrame()
        return CalibrationsView(
            sentence="", register=nothing, behind=nothing, shifts=nothing, effects=nothing,
            modules=_modules(tables["module_change"]), empty_reason=NOTHING,
        )  # fmt: skip
    return CalibrationsView(
        sentence=_sentence(register, behind),
        register=register.with_columns(newest=pl.when("newest").then(pl.lit("newest")).otherwise(pl.lit(""))),
        behind=behind,
        shifts=_shifts(tables["calibration_shift"], names),
        effects=_effects(tables["calibration_effect"], names),
        modules=_modules(tables["module_change"]),
    )


def _sentence(register: pl.DataFrame, behind: pl.DataFrame) -> str:
    vehicles = int(register["vehicles"].sum())
    if not behind.height:
        return f"All {count(vehicles, 'vehicle')} whose calibration is known have the newest of their family."
    verb = "has" if behind.height == 1 else "have"
    return (
        f"{behind.height:,} of {count(vehicles, 'vehicle')} {verb} an older calibration than the newest of the family."
    )


def _shifts(shifts: pl.DataFrame, names: Mapping[str, str]) -> pl.DataFrame:
    """Shifts whose limits leave 0 out and that are worth a line."""
    clear = shifts.filter((pl.col("low") * pl.col("high") > 0) & (pl.col("scatters").abs() >= CLEAR))
    return clear.with_columns(
        update=pl.concat_str("calibration_from", pl.lit(" to "), "calibration_to"),
        correction=pl.col("correction").replace(dict(names)),
    ).select("update", "correction", "shift", "low", "high", "scatters", "vehicles")


def _effects(effects: pl.DataFrame, names: Mapping[str, str]) -> pl.DataFrame:
    rows = [
        {
            "calibration": row["calibration"],
            "what": names.get(row["what"], row["what"]),
            "effect": EFFECTS[row["effect"]],
            "times": _times(row),
            "events": row["events"],
            "events_before": row["events_before"],
        }
        for row in effects.sort(pl.col("effect") == "no difference shown", maintain_order=True).iter_rows(named=True)
    ]
    return pl.DataFrame(rows)


def shows(effects: pl.DataFrame) -> pl.Series:
    """Which rows of the view's effects show a difference."""
    return effects["effect"] != EFFECTS["no difference shown"]


def _times(row: Mapping[str, float | None]) -> str:
    """The rate over that before the update, with its limits."""
    ratio, low, high = row["rate_ratio"], row["low"], row["high"]
    first = "none before" if ratio is None else number(ratio)
    return f"{first} (between {number(low)} and {'any number' if high is None else number(high)})"


def _modules(modules: pl.DataFrame) -> pl.DataFrame:
    if not modules.width:
        return modules
    left = pl.col("learning")
    learned = (
        pl.when(left.is_null())
        .then(pl.lit("replaced again since"))
        .when(left == 0)
        .then(pl.lit("complete"))
        .otherwise(pl.format("{} of {} still learned anew", left, "learned"))
    )
    whose = pl.when(pl.col("from_vehicle").is_not_null()).then(pl.format("of vehicle {}", "from_vehicle"))
    newest = pl.when(pl.col("newest")).then(pl.lit("newest")).when(~pl.col("newest")).then(pl.lit("older"))
    return modules.select(
        "vehicle_id",
        "changed_at",
        "old_module",
        "new_module",
        origin=pl.coalesce(
            whose, pl.when("recorded").then(pl.lit("by a row of work")), pl.lit("no row of work tells of it")
        ),
        began_with="began_with",
        calibration=pl.concat_str("calibration", pl.lit(", "), newest, ignore_nulls=False).fill_null(
            pl.col("calibration")
        ),
        relearning=learned,
    )
