"""The command line: exit codes, what goes where, 80 columns, a quick start. All photos are drawn."""

import csv
import io
import json
import os
import re
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
import typer
from rich.cells import cell_len

from sporecount.cli import run
from sporecount.cli.commands import make_app
from sporecount.cli.options import parse_settings
from sporecount.cli.show import failure_lines, one_line, say, summary_lines
from sporecount.errors import SettingsError
from sporecount.records import FailedPhoto
from sporecount.settings import CountSettings
from tests.files.test_tables import a_print
from tests.session_folder import all_files, drawn_photo, jpeg, write_photo

ROOT = Path(__file__).parents[1]
SCALE = ["--um-per-px", "1", "--objective", "10"]


def every_command() -> list[list[str]]:
    """All commands with their subcommands."""
    commands = []
    for name, one in typer.main.get_command(make_app()).commands.items():
        commands += [[name], *([name, sub] for sub in getattr(one, "commands", ()))]
    return commands


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("SPORECOUNT_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("COLUMNS", "80")


def process(*arguments: str, **environment: str) -> subprocess.CompletedProcess:
    """Run the program as a user does."""
    return subprocess.run(
        [sys.executable, "-m", "sporecount.cli", *arguments],
        cwd=ROOT,
        env=os.environ | environment,
        capture_output=True,
        timeout=120,
    )


def ran(capsys, *arguments: str) -> tuple[int, str, str]:
    """Run the program in this process."""
    code = run(list(arguments))
    said = capsys.readouterr()
    return code, said.out, said.err


def wide_lines(text: str) -> list[str]:
    return [line for line in text.splitlines() if cell_len(line) > 80]


def test_help_starts_light():
    """The heavy libraries wait until they are needed; numpy too."""
    script = (
        "import sys; from sporecount.cli import run; assert run(['--help']) == 0\n"
        "heavy = {'cv2', 'skimage', 'scipy', 'numpy', 'PIL', 'onnxruntime', 'matplotlib', 'rich'}\n"
        "print('LOADED', sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True)
    assert "LOADED []" in done.stdout, done.stdout + done.stderr


@pytest.mark.parametrize("command", [[], *every_command()], ids=" ".join)
def test_help_fits_80_columns_and_every_terminal(capsys, command):
    code, out, err = ran(capsys, *command, "--help")
    assert code == 0, err
    assert out.startswith("Usage: sporecount")
    assert not wide_lines(out)
    assert out.isascii()


@pytest.mark.parametrize("command", every_command(), ids=" ".join)
def test_help_names_no_type_of_the_language(capsys, command):
    """A keeper knows FOLDER and PHOTO, not <path> or <list[Path]>; braces would be typed along."""
    assert not re.findall(r"<[a-z]\S*>|[{}]", ran(capsys, *command, "--help")[1])


def test_the_list_of_commands_says_each_in_full(capsys):
    assert "..." not in ran(capsys, "--help")[1].split("Commands:")[1]


def test_a_value_that_is_no_number_is_refused_in_plain_words(capsys):
    code, _, err = ran(capsys, "simulate", "x", "--objective", "ten")
    assert code == 2
    assert "'--objective'" in err
    assert "valid" in err
    assert "unable to parse" not in err


def test_version(capsys):
    assert ran(capsys, "--version")[:2] == (0, "sporecount 0.1.0\n")


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        ([], "a command is needed"),
        (["weigh"], "No such command 'weigh'"),
        (["count"], "Missing argument"),
        (["count", "x", "--workers", "-1"], "--workers"),
        (["count", "x", "--workers", "two"], "--workers"),
        (["count", "/nowhere/at/all"], "no such folder"),
        (["count", ".", "--spore-length", "8"], "'8' is no band"),
        (["count", ".", "--spore-length", "16-8"], "must be below"),
        (["count", ".", "--set", "colour=3"], "'colour=3' is no setting"),
        (["count", ".", "--set", "count_form=0.4"], "'count_form=0.4' is no setting; count_from is"),
        (["count", ".", "--set", "count_from"], "count_from needs a value"),
        (["count", ".", "--set", "count_from=2"], "must be between"),
        (["count", ".", "--set", "count_from=0.1"], "must lie between doubt_low"),
        (["count", ".", "--set", "count_from=0.9"], "must lie between doubt_low"),
        (["count", ".", "--adapter", "nobody's"], "no adapter profile of this name"),
        (["calibrate", "/nowhere.jpg"], "cannot be read"),
        (["calibrate", "/nowhere.jpg", "--check"], "no profile to check"),
        (["calibrate", "a.jpg", "--adapter", "../evil"], "this name cannot be used for an adapter"),
        (["adapters", "show", "nobody's"], "no adapter profile of this name"),
        (["adapters", "remove", "nobody's"], "no adapter profile of this name"),
    ],
)
def test_bad_calls_end_with_2_and_words(capsys, tmp_path, monkeypatch, arguments, match):
    write_photo(tmp_path / "a.jpg", 1)
    monkeypatch.chdir(tmp_path)
    code, out, err = ran(capsys, *arguments)
    assert (code, out) == (2, "")
    assert match in err
    assert "Traceback" not in err


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """Two good photos and one cut short, with names that terminals dislike."""
    folder = tmp_path_factory.mktemp("shed")
    write_photo(folder / "🦋 [red]_1.jpg", 1)
    write_photo(folder / "-dash.jpg", 2)
    (folder / "two\nlines.jpg").write_bytes(jpeg(drawn_photo(3))[:2000])
    return folder


def test_count_in_words(folder, tmp_path):
    done = process("count", str(folder), *SCALE, "--workers", "1", "--out", str(tmp_path))
    text = done.stdout.decode()
    assert done.returncode == 1, text + done.stderr.decode()
    assert not wide_lines(text)
    assert "🦋 [red]" in text
    assert text.lstrip().startswith("Simulated photos: ")
    assert "Could not be used (1):" in text
    assert "two\\nlines.jpg (print two\\nlines): The JPEG file is cut short" in text
    assert "not a diagnosis" in text
    assert "report.html" in text
    assert (tmp_path / "report.html").stat().st_size > 1000


def test_count_as_json(folder, tmp_path):
    done = process("count", str(folder), *SCALE, "--workers", "1", "--out", str(tmp_path), "--json")
    assert done.returncode == 1
    said = json.loads(done.stdout)  # one object and nothing else
    for name in ("samples", "fields"):
        table = list(csv.DictReader(io.StringIO((tmp_path / f"{name}.csv").read_text("utf-8"), newline="")))
        assert [list(row) for row in said[name]] == [list(row) for row in table]
        for spoken, written in zip(said[name], table, strict=True):
            for column, value in spoken.items():
                if isinstance(value, str):
                    assert written[column] == value
                else:
                    assert (None if written[column] == "" else float(written[column])) == value
    assert [one["code"] for one in said["failed"]] == ["cut-off"]
    assert b"two\\nlines.jpg" in done.stderr


def test_a_terminal_without_unicode(folder, tmp_path):
    done = process(
        "count",
        str(folder),
        *SCALE,
        "--workers",
        "0",
        "--out",
        str(tmp_path),
        PYTHONIOENCODING="ascii",
        LC_ALL="C",
    )
    assert done.returncode == 1, done.stderr
    assert done.stdout.isascii()
    assert b"\\U0001f98b" in done.stdout


def test_all_well_is_0_and_nothing_usable_is_2(capsys, tmp_path):
    write_photo(tmp_path / "good" / "FH-01_1.jpg", 1)
    assert ran(capsys, "count", str(tmp_path / "good"), *SCALE, "--workers", "0")[0] == 0
    (tmp_path / "bad").mkdir()
    (tmp_path / "bad" / "FH-01_1.jpg").write_bytes(b"")
    for more in ([], ["--json"]):
        code, out, err = ran(capsys, "count", str(tmp_path / "bad"), *SCALE, "--workers", "0", *more)
        assert code == 2
        assert out == ""
        assert "FH-01_1.jpg (print FH-01): The file is empty" in err
        assert "no photo of the folder could be counted" in err


def test_a_folder_with_nothing_to_count_is_told_why(capsys, tmp_path):
    write_photo(tmp_path / "ruling_10x.jpg", 1)
    code, out, err = ran(capsys, "count", str(tmp_path), "--workers", "0", *SCALE)
    assert (code, out) == (2, "")
    assert "a ruling: ruling_10x.jpg" in err
    assert "report.html" in err


def test_a_missing_system_library_is_named(folder, tmp_path):
    """As OpenCV's wheel fails on a bare Debian."""
    fault = "libGL.so.1: cannot open shared object file: No such file or directory"
    (tmp_path / "cv2.py").write_text(f"raise ImportError({fault!r})\n")
    for workers in ("0", "1"):
        done = process(
            "count",
            str(folder),
            *SCALE,
            "--workers",
            workers,
            "--out",
            str(tmp_path / "out"),
            PYTHONPATH=str(tmp_path),
        )
        text = done.stderr.decode()
        assert done.returncode == 2, text
        assert "apt install libgl1 libglib2.0-0" in text
        assert "opencv-python-headless" in text
        assert "Traceback" not in text


def test_a_full_disk_is_no_traceback(capsys, folder, tmp_path, monkeypatch):
    def full(*_args, **_more):
        raise OSError(28, "No space left on device", "fields.csv")

    monkeypatch.setattr("sporecount.session.run.write_tables", full)
    code, _, err = ran(capsys, "count", str(folder), *SCALE, "--workers", "0", "--out", str(tmp_path))
    assert code == 2
    assert "No space left" in err


def test_summary_fits_80_columns():
    long = "Ω" * 60 + "🦋" * 20
    prints = [
        a_print(),
        a_print(sample=long, spores=123456, density_per_mm2=98765.4, density_low=9e4, density_high=1.1e5),
        a_print(
            sample="FH-\n13",
            spores=0,
            could_hide=186.0,
            density_per_mm2=0.0,
            reasons=("few-fields", "crowded"),
        ),
        a_print(
            sample="FH-14",
            photos=0,
            fields=0,
            density_per_mm2=float("nan"),
            flag="unusable",
            reasons=("unreadable",),
        ),
    ]
    lines = list(summary_lines(prints))
    rows = [line for line in lines if not line.startswith("  ")]
    assert len(rows) == 2 + len(prints)
    assert all(cell_len(line) <= 80 for line in rows)
    text = "\n".join(lines)
    assert "A print with more than about 190 spores would have shown one in 95 of 100 cases" in text
    assert "A heavy load (class 4 or 5): " in text
    assert "Spores lie so densely" in text  # the gravest reason goes first
    assert "more: " not in text  # a remark is no reason for a flag
    assert all("\n" not in line for line in lines)


def test_the_flags_own_reasons_are_all_told():
    """That the scale is a guess must not hide that this may be no print."""
    codes = ("uncalibrated", "odd-picture", "much-left-out", "no-round-view")
    text = "\n".join(summary_lines([a_print(flag="recheck", reasons=codes)]))
    assert "The picture differs much" in text
    assert "(+ 2 more: much-left-out, uncalibrated)" in text
    assert "no-round-view" not in text
    unusable = a_print(fields=0, flag="unusable", reasons=("uncalibrated", "out-of-focus", "unlike-known"))
    text = "\n".join(summary_lines([unusable]))
    assert "(+ 1 more: unlike-known)" in text


def test_a_density_beside_a_count_of_0_is_explained():
    doubtful = a_print(spores=0, density_per_mm2=0.4, density_high=37.0, expected=0.9, doubtful_objects=3)
    assert "the density is that of 3 doubtful objects" in "\n".join(summary_lines([doubtful]))
    none = a_print(spores=0, density_per_mm2=0.0, density_high=1.1, expected=0.0)
    assert "the density is that of" not in "\n".join(summary_lines([none]))


def test_long_lines_are_broken(capsys):
    say(failure_lines([FailedPhoto("a" * 100 + ".jpg", "FH-01", "empty", "The file is empty. " * 10)]))
    assert not [line for line in wide_lines(capsys.readouterr().out) if " " in line.strip()]


def test_one_line():
    assert one_line("a\tb\x1b[31m\n") == "a\\tb\\x1b[31m\\n"
    assert one_line("abcdefgh", 6) == "abc..."
    assert cell_len(one_line("🦋" * 10, 7)) <= 7


def test_settings_from_options():
    made = parse_settings(spore_length="9–14,5", field_number=20.0, print_area=55.0, more=["count-from=0.6"])
    assert made == CountSettings(
        spore_length_min_um=9.0,
        spore_length_max_um=14.5,
        field_number_mm=20.0,
        print_area_mm2=55.0,
        count_from=0.6,
    )
    with pytest.raises(SettingsError, match="no number"):
        parse_settings(spore_length="a-b")


def test_every_setting_is_listed(capsys):
    code, out, _ = ran(capsys, "settings")
    assert code == 0
    assert all(
        knob.name in out and knob.metadata["help"] in " ".join(out.split()) for knob in fields(CountSettings)
    )


@pytest.fixture(scope="module")
def ruling(tmp_path_factory) -> tuple[Path, float]:
    """A simulated stage micrometer, 10 um divisions, at 0.8 um per px."""
    from sporecount.simulate.rulings import draw_ruling

    path = tmp_path_factory.mktemp("bench") / "ruling.jpg"
    rgb, truth = draw_ruling(
        np.random.default_rng(5),
        width_px=1000,
        height_px=760,
        um_per_px=0.8,
        angle_deg=12.0,
        k1=0.0,
        tilt=0.0,
        blur_um=0.4,
        cross=False,
        longer_ticks=True,
        bright_lines=False,
    )
    path.write_bytes(jpeg(rgb))
    return path, truth["um_per_px"]


def test_calibrate_and_count_with_the_profile(capsys, ruling, tmp_path):
    path, truth = ruling
    call = ["calibrate", str(path), "--objective", "10", "--division-um", "10"]
    code, out, err = ran(capsys, *call, "--json", "--adapter", "bench")
    assert code == 0, err
    said = json.loads(out)
    assert {"um_per_px", "um_per_px_u", "angle_deg", "divisions", "division_um", "warnings"} <= set(said)
    # the bar of a single ruling photo: 0.3 %
    assert said["um_per_px"] == pytest.approx(truth, rel=0.003)
    assert said["angle_deg"] == pytest.approx(12.0, abs=0.3)
    assert Path(said["certificate"]).read_bytes().lower().startswith(b"<!doctype html>")
    assert all_files(path.parent) == {"ruling.jpg": path.read_bytes()}  # nothing beside the photo

    code, out, _ = ran(capsys, *call)
    assert code == 0
    assert out.startswith("Simulated photos: ")
    assert "Not stored" in out
    assert not wide_lines(out.replace(str(path), ""))

    code, out, err = ran(capsys, "calibrate", str(path), "--objective", "10", "--adapter", "bench", "--check")
    assert code == 0, out + err
    assert "Passed" in out

    write_photo(tmp_path / "session" / "FH-01_1.jpg", 1, width=1000, height=760)
    code, out, err = ran(
        capsys, "count", str(tmp_path / "session"), "--adapter", "bench", "--workers", "0", "--json"
    )
    assert code == 0, err
    (field,) = json.loads(out)["fields"]
    assert field["um_per_px_source"] == "profile"
    assert field["um_per_px"] == pytest.approx(truth, rel=0.003)


def test_calibrate_names_every_photo_that_gives_no_number(capsys, ruling, tmp_path):
    good, text, cut = ruling[0], tmp_path / "text_1.jpg", tmp_path / "cut.jpg"
    text.write_bytes(b"no photo at all, but a text of some length")
    cut.write_bytes(good.read_bytes()[:9000])
    code, out, err = ran(capsys, "calibrate", str(text), str(good), str(cut), "--division-um", "10")
    assert (code, out) == (2, "")
    assert "2 of 3 photos give no number" in " ".join(err.split())
    for name in (text.name, cut.name):
        assert name in err
    assert good.name not in err
    code, _, err = ran(capsys, "calibrate", str(good), str(good))
    assert code == 2
    assert err.count("--division-um 10") == 1  # one way out for both


def test_calibrate_without_a_ruling_says_that_it_is_approximate(capsys, tmp_path):
    write_photo(tmp_path / "session" / "FH-01_1.jpg", 1, width=1000, height=760)
    path = str(tmp_path / "session" / "FH-01_1.jpg")
    call = ("calibrate", path, "--objective", "10", "--adapter", "loan")
    code, out, err = ran(capsys, *call, "--length-um", "300", "--ends", "100,200,700,200")
    assert code == 0, err
    assert "About 0.500" in out
    assert "approximate-scale" in out
    assert not wide_lines(out.replace(path, ""))
    elsewhere = tmp_path / "view.html"
    code, out, err = ran(capsys, "calibrate", path, "--length-um", "300", "--ends", "100,200,700,200",
                         "--thing", "a bar", "--out", str(elsewhere))  # fmt: skip
    assert code == 0, err
    assert "300 um long (a bar)" in elsewhere.read_text()
    code, out, err = ran(
        capsys, "count", str(tmp_path / "session"), "--adapter", "loan", "--workers", "0", "--json"
    )
    assert code == 0, err
    (field,) = json.loads(out)["fields"]
    assert "approximate-scale" in field["reasons"]
    assert field["um_per_px"] == pytest.approx(0.5)
    length = ["--length-um", "300", "--ends", "100,200,700,200"]
    for wrong in (
        length[:2], length[2:], [*length, "--by-view"], [*length, "--check"],
        [*length[:3], "1,2,3"],
    ):  # fmt: skip
        code, _, err = ran(capsys, *call, *wrong)
        assert code == 2
        assert "without a ruling" in err or "not two places" in err
    for idle in (["--within-um", "3"], ["--thing", "a bar"]):
        code, _, err = ran(capsys, *call, "--by-view", *idle)
        assert code == 2
        assert "they go with --length-um" in err
    assert ran(capsys, "calibrate", path, "--length-um", "300", "--ends", "1,2,3,4")[0] == 2  # ends too close


def test_a_new_profile_is_compared_with_its_forerunner(capsys, ruling, tmp_path):
    path, truth = ruling
    first = ("--length-um", str(100 * truth * 1.05), "--ends", "100,100,200,100")
    assert ran(capsys, "calibrate", str(path), "--objective", "10", "--adapter", "bench", *first)[0] == 0
    code, out, err = ran(capsys, "calibrate", str(path), "--objective", "10", "--adapter", "bench")
    assert code == 0, out + err
    assert "Agrees: bench against the profile of" in out  # 5 % off, within what so short a length allows
    code, out, err = ran(capsys, "adapters", "show", "bench")
    assert json.loads(out)["rulings"] == 1
    code, _, err = ran(capsys, "calibrate", str(path), "--adapter", "bench")
    assert code == 2
    assert "Name the objective" in err


def test_no_ruling_no_number(capsys, tmp_path):
    write_photo(tmp_path / "a.jpg", 1)
    code, out, err = ran(capsys, "calibrate", str(tmp_path / "a.jpg"), "--objective", "10", "--json")
    assert (code, out) == (2, "")
    assert "a.jpg" in err


def test_adapters_are_listed_shown_and_copied(capsys, ruling, tmp_path, monkeypatch):
    path, _ = ruling
    assert "No profile" in ran(capsys, "adapters", "list")[1]
    assert ran(capsys, "adapters") == ran(capsys, "adapters", "list")
    ran(capsys, "calibrate", str(path), "--objective", "10", "--division-um", "10", "--adapter", "bench")
    assert "bench  10x" in ran(capsys, "adapters", "list")[1]
    assert ran(capsys, "adapters") == ran(capsys, "adapters", "list")
    shown = json.loads(ran(capsys, "adapters", "show", "bench")[1])
    assert json.loads(ran(capsys, "adapters", "list", "--json")[1])["adapters"] == [shown]
    file = tmp_path / "carried.json"
    assert ran(capsys, "adapters", "copy", "bench", str(file))[0] == 0
    monkeypatch.setenv("SPORECOUNT_HOME", str(tmp_path / "other machine"))
    assert ran(capsys, "adapters", "add", str(file))[0] == 0
    assert json.loads(ran(capsys, "adapters", "show", "bench")[1]) == shown
    assert ran(capsys, "adapters", "compare", "bench", str(file))[:2] == (
        0,
        ran(capsys, "adapters", "compare", "bench", "bench")[1],
    )
    file.write_text(json.dumps({**shown, "name": "moved", "um_per_px": 1.02 * shown["um_per_px"]}))
    code, out, _ = ran(capsys, "adapters", "compare", "bench", str(file))
    assert code == 1
    assert "Differs: moved against bench, +2.00 %" in out
    file.write_text(json.dumps({**shown, "um_per_px": -1}))
    assert ran(capsys, "adapters", "add", str(file))[0] == 2


def test_simulate(capsys, tmp_path):
    out = tmp_path / "practice"
    call = ["simulate", str(out), "--prints", "1", "--fields", "2", "--objective", "40"]
    call += ["--width", "400", "--height", "300"]
    code, _, err = ran(capsys, *call)
    assert code == 0, err
    truth = json.loads((out / "truth.json").read_text())
    assert truth["simulated"] is True
    assert [one["photo"] for one in truth["photos"]] == ["FH-01_1.jpg", "FH-01_2.heic"]
    assert "simulated" in (out / "README.txt").read_text().lower()
    for one in truth["photos"]:
        from sporecount.files.decode import decode

        photo = decode((out / one["photo"]).read_bytes(), one["photo"])
        assert photo.rgb.shape == (300, 400, 3)
        assert photo.camera == "Simulated phone"
        assert photo.taken_at.startswith("2026-05-17T09:30")
    before = all_files(out)
    assert ran(capsys, *call)[0] == 2  # the place is taken
    assert all_files(out) == before
    again = tmp_path / "again"
    ran(capsys, "simulate", str(again), *call[2:])
    readme = before.pop("README.txt")
    twice = all_files(again)
    assert twice.pop("README.txt") != readme  # it names its folder
    assert twice == before
