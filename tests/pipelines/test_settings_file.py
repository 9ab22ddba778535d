"""One file says everything that is set: it is checked as a whole, explained, printed as it holds, and has a digest."""

import tomllib

import pytest
from click.testing import CliRunner

from pipelines.errors import SettingError
from pipelines.explain import explained
from pipelines.settings_command import settings
from pipelines.settings_file import ServiceSettings, sections, settings_of
from pipelines.workplan.costs import CostAssumptions

OWN = """
[analysis]
false_alarms_per_vehicle_year = 0.2
[costs]
labour_per_hour = 91
transfers = false
[inbox]
folders = ["/srv/drops", "C:\\\\drops \\"new\\""]
[plan]
days = 14
"""


def test_without_a_file_everything_stands_at_its_default(tmp_path):
    assert settings_of(tmp_path) == ServiceSettings()


def test_a_file_in_the_store_says_what_holds_and_the_rest_stands(tmp_path):
    (tmp_path / "settings.toml").write_text(OWN)
    set_here = settings_of(tmp_path)
    assert (set_here.analysis.false_alarms_per_vehicle_year, set_here.analysis.seed) == (0.2, 20310)
    assert (set_here.costs.labour_per_hour, set_here.costs.transfers, set_here.costs.part) == (91.0, False, 120.0)
    assert set_here.inbox.folders == ("/srv/drops", 'C:\\drops "new"')
    assert set_here.plan.days == 14


def test_the_file_that_the_variable_names_goes_before_the_store_s(tmp_path, monkeypatch):
    (tmp_path / "settings.toml").write_text(OWN)
    (tmp_path / "other.toml").write_text("[plan]\ndays = 7\n")
    monkeypatch.setenv("LEEWAY_SETTINGS", str(tmp_path / "other.toml"))
    set_here = settings_of(tmp_path)
    assert (set_here.plan.days, set_here.costs) == (7, CostAssumptions())
    monkeypatch.setenv("LEEWAY_SETTINGS", str(tmp_path / "gone.toml"))
    with pytest.raises(SettingError, match=r"gone\.toml: no readable TOML"):
        settings_of(tmp_path)


def test_what_is_printed_sets_the_same_and_marks_what_is_not_set(tmp_path):
    (tmp_path / "settings.toml").write_text(OWN)
    set_here = settings_of(tmp_path)
    printed = CliRunner().invoke(settings, ["--store", str(tmp_path)])
    assert printed.exit_code == 0
    (tmp_path / "settings.toml").write_text(printed.stdout)
    again = settings_of(tmp_path)
    assert (again.digest(), again.given) == (set_here.digest(), set_here.given)
    assert "days = 14  #" in printed.stdout
    assert "# days = 14" not in printed.stdout


def test_every_default_may_be_written_as_it_is_printed(tmp_path):
    lines = [line.removeprefix("# ") if " = " in line else line for line in ServiceSettings().as_text().splitlines()]
    (tmp_path / "settings.toml").write_text("\n".join(lines))
    set_here = settings_of(tmp_path)
    assert set_here.digest() == ServiceSettings().digest()
    assert set(tomllib.loads("\n".join(lines))) == set(sections())


def test_the_digest_changes_with_any_figure(tmp_path):
    (tmp_path / "settings.toml").write_text("[backup]\nweeks = 4\n")
    assert settings_of(tmp_path).digest() != ServiceSettings().digest()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[plans]\ndays = 3", "plans: no section of settings. Known: analysis, plan"),
        ("days = 3", "days: no section"),
        ("plan = 3", r"plan: is a section\. Write \[plan\]"),
        ("[plan]\nday = 3", r"\[plan\], day: unknown\. Known: days"),
        ("[plan]\ndays = 0", r"\[plan\], days: 0 is not a whole number from 1 to 366 \(days\)"),
        ("[plan]\ndays = true", "True is not a whole number"),
        ("[analysis]\nfalse_alarms_per_vehicle_year = 2", "2 is not a number from 0.05 to 0.5"),
        ("[inbox]\nfolders = 'drops'", "is not a list of texts"),
        ("[backup]\nfolder = 3", "3 is not a text"),
        ("[serve]\nopen_to_everyone = 'no'", "'no' is not true or false"),
        ("[plan", "no readable TOML"),
    ],
)
def test_a_file_that_cannot_be_right_is_refused_in_a_line(tmp_path, text, said):
    (tmp_path / "settings.toml").write_text(text)
    with pytest.raises(SettingError, match=said) as refused:
        settings_of(tmp_path)
    assert "\n" not in str(refused.value)


def test_every_setting_is_explained():
    told = "\n".join(explained("settings"))
    for name, kind in sections().items():
        assert f"[{name}]" in told
        for field in kind.__dataclass_fields__:
            assert f"  {field} = " in told
