"""The program as a whole: help, version, errors in one line, exit codes."""

import pytest
from typer.testing import CliRunner

import standcam
from standcam.cli import app as program
from standcam.errors import BadSettings

run = CliRunner()


def test_help_names_the_commands_and_exit_codes():
    result = run.invoke(program.app, ["--help"])
    assert result.exit_code == 0
    for word in ("count", "Exit codes", "emergence photos"):
        assert word in result.stdout
    assert run.invoke(program.app, ["-h"]).stdout == result.stdout


@pytest.mark.parametrize("command", program.COMMANDS)
def test_each_command_has_help(command):
    result = run.invoke(program.app, [command, "--help"])
    assert result.exit_code == 0 and "Usage" in result.stdout


def test_version():
    result = run.invoke(program.app, ["--version"])
    assert result.exit_code == 0 and result.stdout.strip() == f"standcam {standcam.__version__}"


@pytest.mark.parametrize(
    "arguments", [["nonsense"], ["count", "--nonsense", "x"], ["count"], ["count", "x", "--units", "ell"]]
)
def test_a_wrong_call_has_exit_code_2(arguments):
    assert run.invoke(program.app, arguments).exit_code == 2


def test_an_error_is_one_line_on_stderr(monkeypatch):
    def fails(*_):
        raise BadSettings("Survey file\nx.toml is wrong.", "Mend it.")

    monkeypatch.setattr("standcam.cli.options.gather_settings", fails)
    result = run.invoke(program.app, ["count", "x.jpg"])
    assert result.exit_code == 2
    assert result.stderr == "standcam: Survey file x.toml is wrong. Mend it.\n"
    assert result.stdout == ""


def test_stopping_says_so(monkeypatch):
    def stops(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("standcam.cli.options.gather_settings", stops)
    result = run.invoke(program.app, ["count", "x.jpg"])
    assert result.exit_code == 130 and "Stopped" in result.stderr
