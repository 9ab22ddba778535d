"""Every page and every write as every role: what is not for a role is refused and said, whatever way it is asked."""

from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from dashboard import asked, entered, published, signed_in
from dashboard.roles import DeniedError, Person, rights, roles
from dashboard.views.address import PAGE_RIGHTS, PAGES
from pipelines.entries.entry import Entry
from pipelines.entries.kinds import answers
from pipelines.store.entries import read_entries

APP = Path(__file__).parents[3] / "dashboard" / "app.py"


@pytest.fixture
def as_(monkeypatch):
    """Makes whoever reads one of a role."""

    def become(role: str, depots: frozenset[str] | None = None) -> Person:
        person = Person(name=role, address=f"{role}@x.example", roles=frozenset({role}), depots=depots)
        monkeypatch.setattr(signed_in, "person", lambda: person)
        st.cache_resource.clear()
        return person

    return become


@dataclass(frozen=True)
class Written:
    """What somebody typed."""

    made: Entry
    name: str = "Somebody"
    problem: str = ""

    def entry(self, who: str) -> Entry:
        return Entry(**{**vars(self.made), "who": who})


def of_kind(kind: str, vehicle: str) -> Entry:
    value = next(iter(answers()[kind]))
    return Entry(kind=kind, who="", vehicle_id=vehicle, value=None if value in {"", "*"} else value)


@pytest.mark.parametrize("role", roles())
def test_a_page_opens_for_those_whom_it_is_for_and_tells_all_others(store, as_, role):
    assert store.exists()
    person = as_(role)
    for page in PAGE_RIGHTS if role != "viewer" else PAGES:
        app = AppTest.from_file(str(APP), default_timeout=60).run()
        app.switch_page(f"screens/{page}.py").run()
        assert not app.exception
        denied = [
            each.value.replace("\\", "")
            for each in app.warning
            if "Whoever keeps roles" in each.value.replace("\\", "")
        ]
        assert bool(denied) == (page in PAGE_RIGHTS and not person.may(PAGE_RIGHTS[page])), (page, denied)


@pytest.mark.parametrize("role", roles())
def test_every_entry_is_taken_from_those_who_may_and_refused_to_all_others(store, as_, role):
    person = as_(role)
    for kind in answers():
        said = entered.enter(f"form {kind}", Written(of_kind(kind, "V1")))
        refused = rights()[kind].words in said.casefold() and f"{role}@x.example" in said
        assert refused == (not person.may(kind)), (kind, said)
    if not any(person.may(kind) for kind in answers()):
        assert read_entries(store).is_empty()


@pytest.mark.parametrize("role", roles())
def test_queries_plans_and_files_are_refused_where_they_are_made_not_only_where_they_are_shown(store, as_, role):
    assert store.exists()
    person = as_(role)
    if not person.may("plan"):
        with pytest.raises(DeniedError, match="Making the plan again"):
            published.plan_again()
    if not person.may("query"):
        with pytest.raises(DeniedError, match="Asking in SQL"):
            asked.asked("FROM vehicle_state", published.kept_as_ofs()[0])


def test_whoever_is_limited_to_depots_enters_nothing_about_others_and_withdraws_nothing_of_theirs(store, as_):
    as_("owner")
    note = Entry(kind="note", who="", vehicle_id="V2", value="seen")
    assert not entered.enter("form", Written(note))
    theirs = read_entries(store)["entry_id"][0]
    as_("owner", frozenset({"Saltings"}))
    assert "'V2' is not of Saltings" in entered.enter("form 2", Written(note))
    assert "'fleet' is not of Saltings" in entered.enter(
        "form 3", Written(Entry(kind="note", who="", subject="fleet", value="x"))
    )
    assert "no entry that is seen here" in entered.enter("form 4", Written(Entry(kind=None, who="", withdraws=theirs)))
    assert not entered.enter("form 5", Written(Entry(kind="note", who="", vehicle_id="V1", value="mine")))
    assert read_entries(store).height == 2
    assert entered.now().everything["vehicle_id"].to_list() == ["V1"]


@pytest.mark.usefixtures("store")
def test_whoever_is_limited_to_depots_sees_kept_views_and_lists_of_their_vehicles_alone(as_):
    as_("owner")
    kept = {
        "all": Entry(kind="list", who="", value="all", detail='{"vehicles": "V1\\nV2"}'),
        "mine": Entry(kind="list", who="", value="mine", detail='{"vehicles": "V1\\nV3"}'),
        "view": Entry(kind="view", who="", value="view", detail='{"address": "look=In+time"}'),
    }
    for name, entry in kept.items():
        assert not entered.enter(name, Written(entry))
    as_("owner", frozenset({"Saltings"}))
    assert set(entered.now().everything["value"]) == {"mine", "view"}


def test_no_page_of_whoever_is_limited_to_a_depot_names_another_s_vehicle(store, as_):
    assert store.exists()
    as_("owner", frozenset({"Saltings"}))
    for page in PAGES:
        app = AppTest.from_file(str(APP), default_timeout=60).run()
        app.switch_page(f"screens/{page}.py").run()
        assert not app.exception, page
        texts = [each.value for each in [*app.markdown, *app.caption, *app.title, *app.info, *app.warning]]
        texts += [str(option) for box in [*app.selectbox, *app.multiselect] for option in box.options]
        texts += [pl.from_pandas(each.value).write_csv() for each in app.dataframe]
        shown = "\n".join(texts)
        assert "V2" not in shown, page
        assert "V4" not in shown, page
