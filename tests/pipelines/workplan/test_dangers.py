"""What takes a vehicle off the road without a code: measured, complained of, found by a check; and what ends it."""

import datetime

import polars as pl
import pytest

from pipelines.catalogue.tables import entry_columns
from pipelines.causes.knowledge import checks
from pipelines.handover import SEEN_TO
from pipelines.workplan.dangers import danger_words, dangers, known, said_dangers

NOW = datetime.datetime(2031, 6, 1, 12, tzinfo=datetime.UTC)
NOBODY = pl.DataFrame(schema={"vehicle_id": pl.String, "signed_off_at": pl.Datetime("us", "UTC")})


def ago(days):
    return NOW - datetime.timedelta(days=days)


@pytest.fixture
def found(planned):
    """What keeps vehicle v off the road: reason, words, fate; of readings (days ago, coolant, ambient), work, notes."""

    def ask(*, read=((1, 88.0, 12.0),), work=(), notes=(), entries=(), signed=None):
        snapshots = [
            {"vehicle_id": "v", "read_at": ago(days), "coolant_c": coolant, "ambient_c": ambient}
            for days, coolant, ambient in read
        ]
        _, evidence = planned(
            {"v": (0, 0, 0)},
            snapshots=snapshots,
            work=[{"vehicle_id": "v", "done_at": ago(days), "kind": kind, **more} for days, kind, more in work],
            notes=[{"at": ago(days), "about": "v", "text": text} for days, text in notes],
        )
        if entries:
            schema = {**entry_columns().schema, **SEEN_TO}
            rows = [
                {"entry_id": f"{n}", "entered_at": ago(days), "vehicle_id": "v", "who": "a", **more}
                for n, (days, more) in enumerate(entries)
            ]
            object.__setattr__(evidence, "entries", pl.DataFrame(rows, schema=schema))
        off = NOBODY if signed is None else pl.DataFrame([["v", ago(signed)]], schema=NOBODY.schema, orient="row")
        return dangers(evidence, off).select("rule_reason", "rule_found", "fate").rows()

    return ask


USUAL = tuple((7 * week, 88.0, 12.0) for week in range(1, 6))


@pytest.mark.parametrize(
    ("coolant", "ambient", "reason"),
    [
        (88.0, 12.0, None),
        (110.0, 35.0, None),
        (121.0, 20.0, "the engine overheats"),
        (190.0, 20.0, None),  # no engine is so hot: another unit
        (-40.0, 12.0, "the coolant temperature signal is lost: overheating would go unseen"),
        (-40.0, None, "the coolant temperature signal is lost: overheating would go unseen"),
        (-36.0, -38.0, None),  # a night in the cold
        (-36.0, None, None),
    ],
)
def test_a_coolant_temperature_that_was_measured(found, coolant, ambient, reason):
    told = found(read=((0, coolant, ambient), *USUAL))
    assert [row[0] for row in told] == ([reason] if reason else [])
    if reason:
        assert told[0][1] == f"Coolant read {coolant:.0f} °C"


def test_the_next_reading_or_a_sign_off_ends_what_was_measured_and_another_unit_is_none(found):
    hot = (2, 121.0, 20.0)
    assert found(read=(hot, *USUAL))
    assert not found(read=((1, 90.0, 20.0), hot, *USUAL))
    assert not found(read=(hot, *USUAL), signed=1)
    assert found(read=(hot, *USUAL), signed=3)
    assert not found(read=((0, 125.0, 20.0), *((7 * week, 120.0, 12.0) for week in range(1, 6))))


@pytest.mark.parametrize("danger", danger_words()["danger"])
def test_every_phrase_names_its_danger_and_a_denial_takes_it_back(danger):
    row = danger_words().filter(danger=danger).row(0, named=True)
    for phrase in row["said"].split("|"):
        assert row["reason"] in said_dangers(f"Driver says: {phrase.upper()} since Monday")
        assert said_dangers(f"no {phrase}") == []
        assert said_dangers(f"Not now, {phrase}") != []  # what is denied is in the same part of the sentence


@pytest.mark.parametrize("text", [None, "", "warning lamp", "routine", "installs new tyres", "no smell of fuel"])
def test_what_names_no_danger(text):
    assert said_dangers(text) == []


def test_a_complaint_stands_until_its_work_and_a_reading_after(found):
    complaint = (5, "inspection", {"complaint": "Stalls at lights when hot"})
    ((reason, words, fate),) = found(work=[complaint])
    assert reason == "the engine may stall in traffic and not start again"
    assert (words, fate) == ("Complaint: “Stalls at lights when hot”", "stands")
    mended = (0.5, "repair", {})
    assert [row[2] for row in found(work=[complaint, mended])] == ["worked_on"]
    assert not found(work=[complaint, (3, "repair", {})])
    assert not found(work=[complaint], signed=1)
    assert not found(work=[(400, "inspection", {"complaint": "stalls"})])
    assert found(work=[(6, "repair", {}), complaint])  # work before it was said mends nothing


def test_notes_say_it_too(found):
    assert [row[0] for row in found(notes=[(1, "strong fuel smell in the cab")])] == [
        "a fuel leak is suspected: fire hazard"
    ]
    entry = {"kind": "note", "value": "Bremspedal hart"}
    assert "servo" in found(entries=[(1, entry)])[0][0]


def test_the_newest_result_of_a_check_counts(found):
    leaks, sound = ({"kind": "check", "subject": "look_intake_hoses", "value": value} for value in ("servo", "sound"))
    assert found(entries=[(2, leaks)])[0][1] == "Checked: the brake servo or its line leaks"
    assert not found(entries=[(2, leaks), (1, sound)])
    assert not found(entries=[(2, sound)])


def test_every_result_that_is_a_danger_is_one_of_a_check():
    for rule in known()["checked"]:
        assert rule["result"] in checks()[rule["check"]].results
