"""The README's tables that are made from the package. `python -m tests.readme_tables` writes them anew."""

from __future__ import annotations

import re
from pathlib import Path

from sporecount.reasons import REASONS
from sporecount.settings import describe_settings

README = Path(__file__).parents[1] / "README.md"


def reasons_table() -> str:
    rows = ["| reason | flag | what it means | what to do |", "| --- | --- | --- | --- |"]
    for one in REASONS.values():
        flag = "remark" if one.flag == "clear" else one.flag
        rows.append(f"| `{one.code}` | {flag} | {one.words} | {one.remedy} |")
    return "\n".join(rows)


def settings_table() -> str:
    rows = ["| setting | default | range | what it does |", "| --- | --- | --- | --- |"]
    for knob in describe_settings():
        unit = f" {knob['unit']}".replace("um", "µm").replace("mm2", "mm²").rstrip()
        rows.append(
            f"| `{knob['name']}` | {knob['default']:g}{unit} | {knob['low']:g}-{knob['high']:g} | {knob['help']} |"
        )
    return "\n".join(rows)


TABLES = {"reasons": reasons_table, "settings": settings_table}


def with_tables(text: str) -> str:
    """Put the tables between their marks."""
    for name, table in TABLES.items():
        mark = rf"(<!-- {name} -->\n).*?(<!-- end of {name} -->)"
        text, found = re.subn(mark, lambda m, t=table: f"{m[1]}{t()}\n{m[2]}", text, flags=re.DOTALL)
        if found != 1:
            raise ValueError(f"README.md needs the marks of the table {name} once, it has them {found} times")
    return text


if __name__ == "__main__":
    README.write_text(with_tables(README.read_text("utf-8")), "utf-8")
