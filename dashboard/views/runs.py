"""How the service runs, in words and rows: what was done last, what failed and what to do, sizes, settings, the log."""

from dataclasses import dataclass, fields
from datetime import datetime

import polars as pl

from dashboard.views.wording import Reader, count, number
from pipelines.figures_set import meaning_of, toml_text, unit_of
from pipelines.settings_file import ServiceSettings, sections
from pipelines.upkeep.condition import Condition

DOES = {  # job -> what it does, in words
    "load": "takes up files of the watched folders",
    "analyse": "analyses what came in",
    "plan": "plans the work",
    "digest": "writes what is new",
    "backup": "backs the store up",
    "check": "reads the whole store and checks it",
}
HOURS, DAYS = 3600.0, 86400.0  # seconds


@dataclass(frozen=True, kw_only=True)
class RunsView:
    """The page.

    Attributes:
        sentence: Whether all is well.
        troubles: What is the matter, a line each.
        facts: What the service holds and how old that is: what, value.
        jobs: The newest run of each job.
        settings: Every setting with what holds.
    """

    sentence: str
    troubles: tuple[str, ...]
    facts: pl.DataFrame
    jobs: pl.DataFrame
    settings: pl.DataFrame


def how_it_runs(stands: Condition, settings: ServiceSettings, reader: Reader, *, now: datetime) -> RunsView:
    """What the page says.

    Args:
        stands: How the store stands.
        settings: What is set.
        reader: Who reads.
        now: The time.
    """
    if stands.troubles:
        sentence = f"{count(len(stands.troubles), 'thing')} {'is' if len(stands.troubles) == 1 else 'are'} the matter."
    elif stands.last:
        sentence = "All is well: every job that was due ended well."
    else:
        sentence = "Nothing looks after this store by itself yet: leeway tend does, when something runs it."
    return RunsView(
        sentence=sentence,
        troubles=stands.troubles,
        facts=_facts(stands, reader, now),
        jobs=_jobs(stands, reader),
        settings=_settings(settings),
    )


def _facts(stands: Condition, reader: Reader, now: datetime) -> pl.DataFrame:
    holds = stands.holds
    times = (
        ("Newest reading, fault or work", holds.read_at),
        ("Newest load", holds.loaded_at),
        ("Newest analysis made", holds.analysed_at),
        ("It is as of", holds.as_of),
        ("Newest backup of the rotation", stands.backed_up_at),
    )
    facts = [(what, f"{reader.moment(at)}, {_age(now, at)}" if at else "none") for what, at in times]
    facts += [
        ("Vehicles in the newest analysis", number(holds.vehicles)),
        ("Withheld batches that were open when it was made", number(holds.held_open)),
        ("Rows in quarantine", number(holds.quarantined)),
        ("Size of the store", _size(stands.store_bytes)),
        ("Free on its disk", _size(stands.free_bytes)),
    ]
    return pl.DataFrame(facts, schema=["what", "value"], orient="row")


def _jobs(stands: Condition, reader: Reader) -> pl.DataFrame:
    counts = {(job, well): runs for job, well, runs in stands.runs}
    rows = [
        {
            "job": run.job,
            "does": DOES[run.job],
            "began": reader.moment(run.began_at),
            "took_s": run.seconds,
            "ended": "well" if run.well else "runs, or was killed" if run.exit_code is None else "failed",
            "said": run.said.splitlines()[-1] if run.said else "",
            "well": counts.get((run.job, True), 0),
            "failed": counts.get((run.job, False), 0),
        }
        for run in stands.last
    ]
    schema = {
        "job": pl.String, "does": pl.String, "began": pl.String, "took_s": pl.Float64, "ended": pl.String,
        "said": pl.String, "well": pl.Int64, "failed": pl.Int64,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=schema)


def _settings(settings: ServiceSettings) -> pl.DataFrame:
    rows = [
        (
            section,
            each.name,
            toml_text(getattr(getattr(settings, section), each.name)),
            unit_of(each),
            "set" if each.name in settings.given.get(section, {}) else "default",
            meaning_of(each),
        )
        for section, kind in sections().items()
        for each in fields(kind)
    ]
    return pl.DataFrame(rows, schema=["section", "setting", "value", "unit", "from", "meaning"], orient="row")


def _age(now: datetime, at: datetime) -> str:
    seconds = (now - at).total_seconds()
    if seconds < 0:
        return "ahead of this machine's clock"
    if seconds < HOURS:
        return "less than an hour ago"
    if seconds < 2 * DAYS:
        return f"{count(round(seconds / HOURS), 'hour')} ago"
    return f"{count(round(seconds / DAYS), 'day')} ago"


def _size(size: float) -> str:
    return f"{number(size / 1e9)} GB" if size >= 1e9 else f"{number(size / 1e6)} MB"
