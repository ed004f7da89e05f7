"""Who may import whom, and what the core may not touch. Imports inside functions count too."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
HOME = ROOT / "sporecount"

ROWS = {
    "cli": 5, "page": 5,
    "session": 4,
    "files": 3, "report": 3, "season": 3,
    "chain": 2, "readings": 2,
    "steps": 1, "calibration": 1, "simulate": 1, "stats": 1,
    "records": 0, "settings": 0, "reasons": 0, "errors": 0,
}  # fmt: skip
"""Part of the package to its row; imports go downwards."""

NEIGHBOURS = {
    ("steps", "stats"),
    ("calibration", "stats"),
    ("cli", "page"),
    ("records", "reasons"),
    ("settings", "errors"),
}
"""Allowed inside a row: tallies and calibration use the statistics; a command opens the page; the flag's type
stands beside its reasons; a setting out of range is an error of the family."""

TRAINING = "steps/classify/training"
"""An edge script inside a step: it draws, reads and writes, and nobody imports it."""

FORBIDDEN_MODULES = {
    "os", "io", "pathlib", "shutil", "tempfile", "glob",
    "time", "datetime", "random", "secrets", "uuid", "sqlite3",
    "subprocess", "multiprocessing", "threading", "socket", "urllib", "http", "sys", "logging",
}  # fmt: skip
"""Files, clock, environment, chance and other processes have no place in rows 0 to 2."""

MODEL_READER = "steps/classify/network.py"
"""The one module of the core that reads a file: the model that is part of the package."""

FILE_CALLS = {"imread", "imwrite", "read_text", "read_bytes", "write_text", "write_bytes", "fromfile"}

GENERATORS = {"Generator", "default_rng", "SeedSequence", "PCG64", "BitGenerator"}


def sources() -> list[Path]:
    return [path for path in sorted(HOME.rglob("*.py")) if TRAINING not in path.as_posix()]


def name_of(path: Path) -> str:
    return path.relative_to(HOME).as_posix()


def part_of(name: str) -> str:
    """The part of the package that a module's path or dotted name belongs to."""
    return name.replace("sporecount.", "", 1).replace("/", ".").removesuffix(".py").split(".")[0]


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"))


def imports(path: Path) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, one.name) for one in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative import"
            module = node.module or ""
            yield node.lineno, module
            yield from ((node.lineno, f"{module}.{one.name}") for one in node.names if module == "sporecount")


def core() -> list[Path]:
    return [path for path in sources() if ROWS.get(part_of(name_of(path)), 9) <= 2]


def test_every_part_has_its_row():
    parts = {part_of(name_of(path)) for path in sources()} - {"__init__"}
    assert parts <= ROWS.keys()


def test_imports_go_downwards():
    wrong = []
    for path in sources():
        here = part_of(name_of(path))
        for line, name in imports(path):
            there = part_of(name)
            if not name.startswith("sporecount.") or there in ("__version__", here) or here == "__init__":
                continue
            if (here, there) not in NEIGHBOURS and ROWS[there] >= ROWS[here]:
                wrong.append(f"{name_of(path)}:{line} (row {ROWS[here]}) imports {name} (row {ROWS[there]})")
    assert not wrong


def test_nobody_imports_the_training():
    dotted = "sporecount." + TRAINING.replace("/", ".")
    assert not [
        (name_of(path), name) for path in sources() for _, name in imports(path) if name.startswith(dotted)
    ]


def test_core_touches_no_file_clock_environment_or_global_chance():
    wrong = []
    for path in core():
        if name_of(path) == MODEL_READER:
            continue
        wrong += [
            f"{name_of(path)}:{line} imports {name}"
            for line, name in imports(path)
            if name.split(".")[0] in FORBIDDEN_MODULES
        ]
        wrong += [f"{name_of(path)}:{line} uses {what}" for line, what in outside_uses(tree(path))]
    assert not wrong


def outside_uses(module: ast.Module) -> Iterator[tuple[int, str]]:
    for node in ast.walk(module):
        if isinstance(node, ast.Call) and ast.unparse(node.func) in ("open", "print", "input"):
            yield node.lineno, f"{ast.unparse(node.func)}()"
        if isinstance(node, ast.Attribute):
            owner = ast.unparse(node.value) if isinstance(node.value, ast.Attribute) else ""
            if owner in ("np.random", "numpy.random") and node.attr not in GENERATORS:
                yield node.lineno, f"{owner}.{node.attr}"
            if node.attr in FILE_CALLS:
                yield node.lineno, f".{node.attr}"


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("open('x')", True),
        ("np.random.normal(3)", True),
        ("numpy.random.seed(1)", True),
        ("Path('x').read_text()", True),
        ("np.random.default_rng(1).normal()", False),
        ("rng.normal(0, 1)", False),
    ],
)
def test_the_reading_of_the_source_tells(line, told):
    assert bool(list(outside_uses(ast.parse(line)))) == told


def test_records_need_numpy_only():
    for path in sources():
        if ROWS.get(part_of(name_of(path))) == 0:
            outside = {name.split(".")[0] for _, name in imports(path)} - set(sys.stdlib_module_names)
            assert outside <= {"numpy", "sporecount"}


def test_a_module_holds_one_idea():
    long = {name_of(path): path.read_text("utf-8").count("\n") for path in sources()}
    assert not {name: lines for name, lines in long.items() if lines > 500}


@pytest.mark.parametrize("call", ["--help", "--version", "count --help", "calibrate --help"])
def test_help_loads_nothing_heavy(call):
    script = (
        f"import sys; from sporecount.cli import run; code = run({call.split()!r})\n"
        "heavy = {'cv2', 'skimage', 'scipy', 'onnxruntime', 'matplotlib'} & set(sys.modules)\n"
        "print('LOADED', code, sorted(heavy))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert "LOADED 0 []" in done.stdout, done.stdout + done.stderr
