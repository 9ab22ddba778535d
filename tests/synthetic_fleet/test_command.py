import tomllib

from click.testing import CliRunner

from synthetic_fleet.command import simulate


def test_the_command_writes_a_fleet_and_says_where(tmp_path):
    run = CliRunner().invoke(simulate, ["--vehicles", "3", "--weeks", "5", "--out", str(tmp_path / "f"), "--clean"])
    assert run.exit_code == 0
    assert "drops by month" in run.output
    assert (tmp_path / "f" / "2030-01" / "families.csv").is_file()


def test_the_command_starts_on_the_day_it_is_told(tmp_path):
    asked = ["--vehicles", "2", "--weeks", "3", "--start", "2032-05-03", "--out", str(tmp_path / "f")]
    assert CliRunner().invoke(simulate, asked).exit_code == 0
    assert (tmp_path / "f" / "2032-05").is_dir()


def test_a_bad_scenario_ends_with_one_line(tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text("noisee = 1", encoding="utf-8")
    run = CliRunner().invoke(simulate, ["--out", str(tmp_path / "f"), "--scenario", str(path)])
    assert run.exit_code == 1
    assert run.output.startswith(f"Error: {path}, noisee: unknown entry")
    assert run.output.count("\n") == 1


def test_without_a_folder_the_command_says_so():
    run = CliRunner().invoke(simulate, [])
    assert run.exit_code == 2
    assert "--out: no folder given" in run.output


def test_the_scenario_is_shown_as_toml():
    run = CliRunner().invoke(simulate, ["--show"])
    assert "causes" in tomllib.loads(run.output)
