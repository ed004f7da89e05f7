"""The README is complete: every reason, setting, command, column and exit code; what it shows exists."""

from __future__ import annotations

import json
import re
import shlex

import pytest

from sporecount.cli import run
from sporecount.cli.commands import make_app
from sporecount.cli.main import INTERRUPTED, NOTHING_USABLE
from sporecount.files.reader_tables import (
    FIELD_READ_COLUMNS,
    LOAD_COLUMNS,
    READING_COLUMNS,
    SAMPLE_READ_COLUMNS,
)
from sporecount.files.tables import FIELD_COLUMNS, OBJECT_COLUMNS, SAMPLE_COLUMNS
from sporecount.reasons import FLAGS, REASONS
from sporecount.session.spiking import SPIKE_COLUMNS
from sporecount.settings import describe_settings
from tests.readme_tables import README, with_tables

ROOT = README.parent
TEXT = README.read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
FINDINGS = (ROOT / "sporecount/steps/classify/training/FINDINGS.md").read_text("utf-8")
SAMPLE = ROOT / "sample_images"


def commands() -> list[str]:
    import typer

    return sorted(typer.main.get_command(make_app()).commands)


def shown_commands(text: str) -> list[list[str]]:
    """Calls of the program in the code blocks of a text."""
    blocks = re.findall(r"```sh\n(.*?)```", text, re.DOTALL)
    parts = [part for block in blocks for line in block.splitlines() for part in line.split("&&")]
    calls = [shlex.split(part, comments=True) for part in parts]
    return [call[1:] for call in calls if call and call[0].endswith("sporecount")]


def section(title: str) -> str:
    return re.split(r"\n#+ ", TEXT.split(f"## {title}\n", 1)[1])[0]


def test_tables_made_from_the_package_are_up_to_date():
    assert with_tables(TEXT) == TEXT, "run: python -m tests.readme_tables"


@pytest.mark.parametrize("code", REASONS)
def test_every_reason_is_explained(code):
    assert f"`{code}`" in section("The flag and its reasons")


@pytest.mark.parametrize("flag", FLAGS)
def test_every_flag_is_explained(flag):
    assert f"`{flag}`:" in section("The flag and its reasons")


@pytest.mark.parametrize("name", [knob["name"] for knob in describe_settings()])
def test_every_setting_is_explained(name):
    assert f"`{name}`" in section("Settings")


@pytest.mark.parametrize(
    ("table", "columns"),
    [
        ("samples.csv", SAMPLE_COLUMNS),
        ("fields.csv", FIELD_COLUMNS),
        ("objects.csv", OBJECT_COLUMNS),
        ("loads.csv", LOAD_COLUMNS),
        ("samples_read.csv", SAMPLE_READ_COLUMNS),
        ("fields_read.csv", FIELD_READ_COLUMNS),
        ("readings.csv", READING_COLUMNS),
        ("spike.csv", SPIKE_COLUMNS),
    ],
    ids=["samples", "fields", "objects", "loads", "samples_read", "fields_read", "readings", "spike"],
)
def test_every_column_is_explained(table, columns):
    text = TEXT.split(f"`{table}`, one row", 1)[1].split("\n\n")[1]
    named = re.findall(r"`(\w+)`", "\n".join(row.split("|")[1] for row in text.splitlines()[2:]))
    assert named == list(columns)


def test_every_command_is_listed():
    listed = re.findall(r"^\| `sporecount (\w+)", section("Three uses") + TEXT, re.MULTILINE)
    assert sorted(set(listed)) == commands()


def test_every_exit_code_is_explained():
    for code in (0, 1, NOTHING_USABLE, INTERRUPTED):
        assert f"`{code}`" in TEXT.split("Exit codes:", 1)[1].split("\n\n")[0]


@pytest.mark.parametrize("call", shown_commands(TEXT), ids=" ".join)
def test_commands_shown_exist_with_their_options(call, capsys):
    assert run([call[0], "--help"]) == 0
    text = capsys.readouterr().out
    for word in call[1:]:
        assert not word.startswith("--") or word in text


def test_there_are_two_commands_of_one_line_each():
    lines = [line for line in section("Two commands").splitlines() if line.startswith("python3 -m venv")]
    assert len(lines) == 2
    assert "sporecount count sample_images" in lines[0]
    assert lines[1].endswith("-m pytest")


@pytest.mark.parametrize("text", [TEXT, DEVELOPERS, FINDINGS], ids=["README", "DEVELOPERS", "FINDINGS"])
def test_files_named_are_there(text):
    links = re.findall(r"\]\(([^)#]+)\)", text)
    links += re.findall(r"`((?:sporecount|tests|notebooks|pictures|sample_images)/[\w./]+\.\w+)`", text)
    made = {"sample_images/sporecount/report.html"}  # by the command above it
    missing = [
        link
        for link in links
        if link not in made and not link.startswith("http") and not (ROOT / link).exists()
    ]
    assert not missing


@pytest.mark.parametrize("text", [TEXT, DEVELOPERS, FINDINGS], ids=["README", "DEVELOPERS", "FINDINGS"])
def test_no_figure_is_left_open(text):
    """As `{NAME}`, where a measurement was to be filled in."""
    assert not re.search(r"\{[A-Z]+\d*\}", text)


def test_cautions_are_there():
    """What the software must carry where a reader may hurt an animal or a person."""
    text = section("Cautions")
    for words in (
        "not a diagnosis",
        "permit",
        "local rules",
        "gloves",
        "ammonia",
        "blank print",
        "folded, hardened",
    ):
        assert words in text


def test_limits_are_said():
    text = section("What it cannot tell")
    assert "Nothing here was measured on real prints" in text
    assert 'never "free of the parasite"' in text


def test_sample_photos_are_called_simulated_and_invented():
    for path in (SAMPLE / "README.md", README):
        text = path.read_text("utf-8")
        assert "simulated" in text.lower()
        assert "invented" in text
    assert json.loads((SAMPLE / "truth.json").read_text())["simulated"] is True


def test_notebooks_are_small_and_have_pictures():
    paths = sorted((ROOT / "notebooks").glob("*.ipynb"))
    assert [path.stem for path in paths] == ["first_session", "honesty", "how_a_count_is_made"]
    for path in paths:
        assert path.stat().st_size < 500_000
        cells = json.loads(path.read_text("utf-8"))["cells"]
        pictures = [
            out
            for cell in cells
            for out in cell.get("outputs", [])
            if "image" in str(out.get("data", {}).keys())
        ]
        assert pictures, path


def test_sample_folder_is_small():
    files = [path for path in SAMPLE.iterdir() if path.is_file()]
    assert sum(path.stat().st_size for path in files) < 20_000_000
