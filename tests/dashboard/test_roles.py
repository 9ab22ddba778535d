"""Roles and their rights: every entry has its right, every right its roles; the file of roles is right or refused."""

import pytest

from dashboard.roles import ANYBODY, DeniedError, Person, person_of, rights, roles
from dashboard.views.address import PAGE_RIGHTS, PAGES
from pipelines.entries.kinds import answers
from pipelines.errors import SettingError

FILE = """
[[person]]
address = "Anna@fleet.example"
roles = ["technician"]
depots = ["North"]
[[person]]
group = "planners"
roles = ["planner", "analyst"]
depots = ["South"]
[[person]]
address = "boss@fleet.example"
roles = ["owner"]
"""


def given(folder, text: str, **claims) -> Person:
    (folder / "roles.toml").write_text(text)
    return person_of(folder, **({"name": "A", "address": "anna@fleet.example", "groups": []} | claims))


def test_every_kind_of_entry_and_every_page_has_a_right_and_every_right_a_role():
    assert set(answers()) <= set(rights())
    assert set(PAGE_RIGHTS) <= set(PAGES)
    assert set(PAGE_RIGHTS.values()) <= set(rights())
    assert all(right.roles for right in rights().values())
    assert set(roles()) == {"viewer", "technician", "planner", "workshop", "analyst", "keeper", "owner"}


def test_an_owner_may_everything_and_where_nobody_signs_in_everybody_owns_it():
    owner = Person(address="b", roles=frozenset({"owner"}))
    assert all(owner.may(right) and ANYBODY.may(right) for right in rights())


@pytest.mark.parametrize(
    ("role", "may", "may_not"),
    [
        ("viewer", {"see"}, {"check", "visit", "query", "export", "held", "load", "plan", "note"}),
        ("technician", {"see", "check", "reading", "note"}, {"visit", "query", "held", "load", "plan", "safe"}),
        ("planner", {"see", "visit", "plan", "papers"}, {"check", "query", "held", "load"}),
        ("workshop", {"see", "check", "visit", "safe", "finding"}, {"query", "held", "load", "plan"}),
        ("analyst", {"see", "query", "export"}, {"check", "visit", "held", "load", "plan"}),
        ("keeper", {"see", "held", "load", "runs"}, {"check", "visit", "query", "plan"}),
    ],
)
def test_a_role_may_what_it_is_for_and_nothing_else(role, may, may_not):
    person = Person(address="a", roles=frozenset({role}))
    assert {right for right in rights() if person.may(right)} >= may
    assert not {right for right in may_not if person.may(right)}
    for right in may_not:
        with pytest.raises(DeniedError, match=f"a is {role}"):
            person.must(right)


def test_roles_come_by_address_whatever_its_case_and_by_group_and_add_up(tmp_path):
    anna = given(tmp_path, FILE)
    assert (anna.roles, anna.depots) == ({"technician"}, {"North"})
    both = given(tmp_path, FILE, groups=["planners"])
    assert (both.roles, both.depots) == ({"technician", "planner", "analyst"}, {"North", "South"})
    boss = given(tmp_path, FILE, address="boss@fleet.example", groups=["planners"])
    assert (boss.may("load"), boss.depots) == (True, None)


def test_whoever_the_file_does_not_name_has_no_role_and_sees_no_depot(tmp_path):
    stranger = given(tmp_path, FILE, address="x@fleet.example", groups=["drivers"])
    assert (stranger.may("see"), stranger.depots) == (False, frozenset())


def test_an_empty_address_is_nobody_s(tmp_path):
    assert not given(tmp_path, FILE, address="").roles


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "gives nobody a role"),
        ("person = 3", "gives nobody a role"),
        ("[[person]]\nroles = ['viewer']", "names neither an address nor a group"),
        ("[[person]]\naddress = 'a'\ngroup = 'b'\nroles = []", "or both"),
        ("[[person]]\naddress = 'a'\nroles = ['boss']", "'boss' is no role. Roles are: viewer"),
        ("[[person]]\naddress = 'a'\nroles = 'viewer'", r"are lists of texts\. Write them in \[ \]"),
        ("[[person]]\naddress = 'a'\nrole = ['viewer']", "other words than address"),
        ("[[person]]\naddress = ''\nroles = ['owner']", "neither an address"),
        ("[[person", "no readable TOML"),
    ],
)
def test_a_file_of_roles_that_cannot_be_right_is_refused_in_a_line(tmp_path, text, said):
    with pytest.raises(SettingError, match=said) as refused:
        given(tmp_path, text)
    assert "\n" not in str(refused.value)


def test_without_a_file_nobody_has_a_role(tmp_path):
    with pytest.raises(SettingError, match="not there, so nobody has a role"):
        person_of(tmp_path, name="", address="a", groups=[])
