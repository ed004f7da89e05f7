"""The simulator shares no code with the detector: it imports its own modules and libraries only."""

import ast
from pathlib import Path

import pytest

import sporecount.simulate

HOME = Path(sporecount.simulate.__file__).parent


@pytest.mark.parametrize("path", sorted(HOME.rglob("*.py")), ids=lambda p: p.relative_to(HOME).as_posix())
def test_imports_nothing_of_the_package_but_the_simulator(path):
    for node in ast.walk(ast.parse(path.read_text())):
        names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0
            names = [node.module or ""]
        for name in names:
            assert not name.startswith("sporecount") or name.startswith("sporecount.simulate"), name
