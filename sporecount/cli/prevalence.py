"""`sporecount prevalence`: the share of infected animals in a group, and whether two groups differ."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sporecount.cli import show
from sporecount.cli.options import JsonOption
from sporecount.errors import SessionError, SettingsError

if TYPE_CHECKING:
    from sporecount.session.animals import Group

_FORM = "Write it as 0.9, or as 0.9+-0.05 with its standard uncertainty"


def prevalence(
    groups: Annotated[
        list[str],
        typer.Argument(
            metavar="GROUP",
            help="A counted folder, or positives of all, such as 3/20.",
            show_default=False,
        ),
    ],
    heavy: Annotated[
        bool, typer.Option("--heavy", help="Ask for likely heavy loads (class 4 or 5), not for any spore.")
    ] = False,
    by: Annotated[
        str | None,
        typer.Option(metavar="COLUMN", help="Split a folder's prints by a column of its session.csv."),
    ] = None,
    sensitivity: Annotated[
        str, typer.Option(metavar="SHARE", help="Share of infected animals whose print shows it.")
    ] = "1",
    specificity: Annotated[
        str, typer.Option(metavar="SHARE", help="Share of the others whose print shows nothing.")
    ] = "1",
    json: JsonOption = False,
) -> int:
    """Say which share of a group of animals is infected.

    Each print stands for one animal. Positive is a print on which a spore was
    found, or with --heavy one whose load is likely heavy. Blank prints and
    prints without a verdict are left out; the latter are named. A group that
    has no verdict at all is named, too.

    A print can miss a light infection and can show a stray spore. Where these
    shares are known, name them, with their standard uncertainty if you like:
    --sensitivity 0.85+-0.05 --specificity 0.98. The true share is then told
    beside the one seen.

    The intervals hold for animals that caught it, or not, each for itself.
    Animals from one box are not like that: count boxes, or take one of each.

    \b
    Examples (an invented rearing house):
      sporecount prevalence fernhollow-may
      sporecount prevalence fernhollow-may --by cage
      sporecount prevalence 3/20 9/22 --sensitivity 0.85+-0.05
    """  # noqa: D301  \b keeps lines as they are
    from sporecount.session.animals import groups_of

    se, se_u = _share(sensitivity, "--sensitivity")
    sp, sp_u = _share(specificity, "--specificity")
    told = [one for said in groups for one in groups_of(said, "heavy" if heavy else "spores", by or "")]
    empty = [one for one in told if not one.n]
    if len(empty) == len(told):
        raise SessionError(
            "no print of this group gives a verdict"
            if len(told) == 1
            else "no print of these gives a verdict",
            where=", ".join(one.name for one in empty),
            remedy="Photograph the prints again",
        )
    test = (
        None
        if se == 1 and sp == 1
        else {"sensitivity": se, "specificity": sp, "sensitivity_u": se_u, "specificity_u": sp_u}
    )
    if json:
        show.say_json(_as_json(told, heavy, test))
    else:
        show.say([*_lines(told, heavy, test), "", show.CAUTION])
    return 1 if empty else 0


def _share(text: str, option: str) -> tuple[float, float]:
    """Read a share and its standard uncertainty."""
    share, _, u = text.replace("\u00b1", "+-").replace(",", ".").partition("+-")
    try:
        value, uncertainty = float(share), float(u or 0)
    except ValueError:
        raise SettingsError(f"{text!r} is no share", where=option, remedy=_FORM) from None
    if not (0 < value <= 1 and 0 <= uncertainty < 0.5):
        raise SettingsError(f"{text!r} is no share from 0 to 1", where=option, remedy=_FORM)
    return value, uncertainty


def _lines(groups: list[Group], heavy: bool, test: dict[str, float] | None) -> Iterator[str]:
    from sporecount.stats.prevalence import (
        difference_of_groups,
        difference_sentence,
        prevalence_sentences,
        true_prevalence,
        true_prevalence_sentence,
    )
    from sporecount.stats.prevalence import prevalence as seen

    yield f"Which share of the animals has {'a likely heavy load' if heavy else 'a spore on its print'}?"
    for one in groups:
        yield ""
        yield show.one_line(one.name, 70)
        if one.n:
            for line in prevalence_sentences(seen(one.positives, one.n)):
                yield f"  {line}"
        else:
            yield "  No print of this group gives a verdict: photograph them again."
        if test is not None and one.n:
            true = true_prevalence(one.positives, one.n, **test)
            yield f"  {true_prevalence_sentence(true, test['sensitivity'], test['specificity'])}"
        if one.left_out:
            names = ", ".join(show.one_line(sample, 40) for sample in one.left_out)
            yield f"  Left out, without a verdict or named by a camera: {names}."
    first, *rest = (one for one in groups if one.n)
    if rest:
        yield ""
    for one in rest:
        apart = difference_of_groups(first.positives, first.n, one.positives, one.n)
        yield difference_sentence(apart, show.one_line(first.name, 40), show.one_line(one.name, 40))


def _as_json(groups: list[Group], heavy: bool, test: dict[str, float] | None) -> dict[str, Any]:
    from sporecount.stats.prevalence import difference_of_groups, true_prevalence
    from sporecount.stats.prevalence import prevalence as seen

    told = []
    for one in groups:
        row: dict[str, Any] = {
            "group": one.name,
            "positives": one.positives,
            "n": one.n,
            "left_out": list(one.left_out),
        }
        if one.n:
            result = seen(one.positives, one.n)
            row |= {
                "share": result.share,
                "wilson": [result.wilson.low, result.wilson.high],
                "clopper_pearson": [result.exact.low, result.exact.high],
                "says_little": result.says_little,
            }
        if test is not None and one.n:
            true = true_prevalence(one.positives, one.n, **test)
            row["true_share"], row["true_interval"] = true.value, [true.low, true.high]
        told.append(row)
    first, *rest = (one for one in groups if one.n)
    apart = [difference_of_groups(first.positives, first.n, one.positives, one.n) for one in rest]
    return {
        "question": "heavy" if heavy else "spores",
        "groups": told,
        "differences": [
            {"first": first.name, "second": one.name, "points": d.value, "interval": [d.low, d.high]}
            for one, d in zip(rest, apart, strict=True)
        ],
    }
