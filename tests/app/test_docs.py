"""What the documents say is what the program does."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import typer
from typer.testing import CliRunner

from app.cli import cli
from app.notebook.errors import PROBLEMS
from app.notebook.table import COLUMNS
from app.report import CSV_COLUMNS
from measure.notes import CAUTIONS, OTHER_REFUSALS, REFUSALS, TWIST_REASONS
from measure.weight_class import CHARTS

ROOT = Path(__file__).resolve().parents[2]
FORMATS = (ROOT / "docs" / "formats.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")


def _rows(heading: str) -> set[str]:
    """First column of the table under a heading of docs/formats.md."""
    section = FORMATS.split(f"### {heading}\n", 1)[1].split("\n#", 1)[0]
    return set(re.findall(r"^\| `([a-z_]+)` \|", section, re.MULTILINE))


def test_every_code_is_in_the_table_and_no_other() -> None:
    assert _rows("Refusals") == set(REFUSALS) | set(OTHER_REFUSALS)
    assert _rows("Cautions") == set(CAUTIONS)
    assert _rows("Why there is no number of turns") == set(TWIST_REASONS)


def test_every_code_in_the_measuring_is_known() -> None:
    # An error's code is the first thing it is given.
    made: set[str] = set()
    for file in (ROOT / "measure").glob("*.py"):
        source = file.read_text(encoding="utf-8")
        made |= set(re.findall(r"(?:MeasureError|PictureError)\(\s*\"([a-z_]+)\"", source))
    assert made
    assert made <= set(OTHER_REFUSALS) | set(REFUSALS)


def test_csv_columns_charts_and_options_are_described() -> None:
    for column in CSV_COLUMNS:
        assert f"`{column}`" in FORMATS
    for chart in CHARTS:
        assert f"`{chart}`" in FORMATS
    command = typer.main.get_command(cli).commands["measure"]  # type: ignore[attr-defined]
    options = {o for p in command.params for o in p.opts if o.startswith("--")} - {"--help"}
    assert len(options) >= 10
    for option in options:
        assert f"`{option}" in FORMATS, option


def test_notebook_errors_columns_and_options_are_described() -> None:
    assert _rows("Notebook errors") == set(PROBLEMS)
    for column in COLUMNS:
        assert f"`{column}`" in FORMATS
    commands = typer.main.get_command(cli).commands  # type: ignore[attr-defined]
    compare, plan, report, notebook, skein = (
        commands[name] for name in ("compare", "plan", "report", "notebook", "skein")
    )
    groups = (*notebook.commands.values(), *skein.commands.values())
    for command in (compare, plan, report, *groups):
        for option in {o for p in command.params for o in p.opts if o.startswith("--")}:
            assert f"`{option}" in FORMATS, option
    for name in notebook.commands:
        assert f"`slubwise notebook {name}" in FORMATS
    for name in skein.commands:
        assert f"`slubwise skein {name}" in FORMATS


def test_readme_has_two_commands_and_ci_runs_the_second() -> None:
    blocks = re.findall(r"^```\n(.*?)^```", README, re.MULTILINE | re.DOTALL)
    assert len(blocks) == 2
    demo, check = (block.strip() for block in blocks)
    assert "\n" not in demo
    assert "\n" not in check
    assert demo.startswith("python3 -m venv ")
    assert demo.endswith("slubwise demo")
    # The line that .ci/run picks, by its own way of picking.
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    (pick,) = re.findall(r"^command=\$\((.*)\)$", script, re.MULTILINE)
    picked = subprocess.run(
        ["bash", "-c", pick], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.strip()
    assert picked == check
    for tool in ("ruff check", "mypy", "pytest"):
        assert tool in check
    assert re.search(r'^xvfb-run -a .*bash .*-c "\$command"$', script, re.MULTILINE)


def test_commands_in_the_documents_are_understood() -> None:
    found: set[str] = set()
    for file in (ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")):
        text = file.read_text(encoding="utf-8")
        for line in re.findall(r"slubwise ((?:card|measure|demo|plan)\b[^`\n]*)", text):
            found.add(line.split(" #")[0].split(" >")[0].strip())
    assert len(found) > 8
    commands = typer.main.get_command(cli).commands  # type: ignore[attr-defined]
    for line in found:
        name, *rest = line.split()
        known = {o for p in commands[name].params for o in p.opts}
        for word in rest:
            if word.startswith("--"):
                assert word in known, line


def test_links_between_the_documents_lead_somewhere() -> None:
    for file in (ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")):
        text = file.read_text(encoding="utf-8")
        for target in re.findall(r"\]\(([^)#:]+)\)", text):
            assert (file.parent / target).exists(), f"{file.name}: {target}"


def test_every_command_has_help() -> None:
    for command in ("card", "measure", "demo"):
        result = CliRunner().invoke(cli, [command, "--help"])
        assert result.exit_code == 0
        assert "Usage" in result.stdout
    told = CliRunner().invoke(cli, ["measure", "--help"]).stdout
    for chart in CHARTS:
        assert chart in told
