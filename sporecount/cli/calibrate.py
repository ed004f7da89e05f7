"""`sporecount calibrate`: a photo of a ruling to um per pixel, and an adapter profile."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sporecount.cli import show
from sporecount.cli.options import JsonOption, ObjectiveOption
from sporecount.errors import CalibrationError

if TYPE_CHECKING:
    from sporecount.calibration.records import AdapterProfile, CalibrationCheck
    from sporecount.session.calibrating import RulingPhoto
    from sporecount.session.without_ruling import KnownLength


def calibrate(
    photos: Annotated[
        list[Path], typer.Argument(metavar="PHOTO", help="Photos of the ruling.", show_default=False)
    ],
    objective: ObjectiveOption = None,
    division_um: Annotated[
        float | None, typer.Option(metavar="UM", help="Finest division of the ruling, in um, such as 10.")
    ] = None,
    adapter: Annotated[
        str | None, typer.Option(metavar="NAME", help="Store the result as the profile of this adapter.")
    ] = None,
    field_number: Annotated[
        float, typer.Option(metavar="MM", help="Field number of the eyepiece.", min=5, max=30)
    ] = 18.0,
    check: Annotated[
        bool, typer.Option("--check", help="Check the stored profile of --adapter; store nothing.")
    ] = False,
    by_view: Annotated[
        bool,
        typer.Option(
            "--by-view", help="No ruling: tell the scale, roughly, from the round view of one photo."
        ),
    ] = False,
    length_um: Annotated[
        float | None,
        typer.Option(metavar="UM", help="No ruling: length of an object in one photo; with --ends.", min=0),
    ] = None,
    ends: Annotated[
        list[str] | None,
        typer.Option(
            metavar="X,Y,X,Y",
            help="Where that object begins and ends in the upright photo, in pixels; "
            "again for each time that you marked it.",
        ),
    ] = None,
    within_um: Annotated[
        float, typer.Option(metavar="UM", help="That length is known within this much.", min=0)
    ] = 0.0,
    thing: Annotated[str, typer.Option(metavar="WORDS", help="What that object is.")] = "",
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Where the certificate goes (HTML).")
    ] = None,
    json: JsonOption = False,
) -> int:
    """Measure um per pixel on photos of a ruling.

    Photograph a stage micrometer through the phone in its adapter, in focus,
    with the zoom and lens that the prints are photographed with. Several
    photos, the ruling turned between them, make the number surer.

    A profile holds for one adapter, eyepiece, objective, phone, zoom and photo
    size only. After any change, check or repeat it.

    Without a ruling the scale can be told roughly, from the round view or from
    an object of known length; counts made with it say so in their flag.

    \b
    Examples (an invented bench):
      sporecount calibrate ruling.jpg --objective 10 --division-um 10
      sporecount calibrate ruling_*.jpg --objective 40 --adapter bench
      sporecount calibrate today.jpg --objective 40 --adapter bench --check
      sporecount calibrate view.jpg --objective 10 --by-view --adapter loan
      sporecount calibrate bar.jpg --length-um 500 --ends 812,640,1490,655
    """  # noqa: D301  \b keeps lines as they are
    from sporecount.files.profiles import require_adapter_name
    from sporecount.session.calibrating import (
        check_against,
        join_rulings,
        need_objective,
        profile_names,
        read_rulings,
        store,
        write_certificate,
    )
    from sporecount.session.without_ruling import KnownLength

    if check and adapter is None:
        raise CalibrationError(
            "no profile to check", code="bad-call", where="--check", remedy="Name it with --adapter"
        )
    if adapter is not None and not check:
        require_adapter_name(adapter)
        need_objective(objective)
    if (within_um or thing) and length_um is None:
        raise _bad_call("--within-um and --thing tell of a known length: they go with --length-um and --ends")
    if by_view or length_um is not None or ends:
        lines = tuple(_four_numbers(one) for one in ends or ())
        known = None if length_um is None else KnownLength(length_um, lines, within_um, thing)
        if len(photos) != 1 or (known is None) != (not lines) or (by_view and known):
            raise _bad_call(
                "without a ruling it is one photo, and --by-view or --length-um together with --ends"
            )
        if check:
            raise _bad_call("without a ruling nothing can be checked, so --check means nothing")
        if division_um is not None:
            raise _bad_call("without a ruling there are no divisions, so --division-um means nothing")
        return _without_ruling(photos[0], objective, field_number, adapter, known, out, json)
    if check and adapter is not None:
        objective, division_um = profile_names(adapter, objective, division_um)
    rulings = read_rulings(photos, objective=objective, division_um=division_um, field_number_mm=field_number)
    profile = join_rulings(rulings, name=adapter or "unnamed", date=_today())
    checks: list[CalibrationCheck] = []
    files: dict[str, str] = {}
    if check and adapter is not None:
        checks = check_against(adapter, rulings)
    elif adapter is not None:
        path, checks = store(profile)
        files["profile"] = str(path)
        out = out or path.with_suffix(".html")
    if out is not None:
        write_certificate(out, profile, rulings)
        files["certificate"] = str(out)
    if json:
        show.say_json(as_json(profile, rulings, checks, files))
    else:
        show.say(_lines(profile, rulings, checks, files))
    return 0 if all(one.passed for one in checks) else 1


def _bad_call(what: str) -> CalibrationError:
    return CalibrationError(
        what, code="bad-call", where="calibrate", remedy="See sporecount calibrate --help"
    )


def _without_ruling(
    photo: Path,
    objective: float | None,
    field_number: float,
    adapter: str | None,
    known: KnownLength | None,
    out: Path | None,
    json: bool,
) -> int:
    from sporecount.calibration.profile import stated
    from sporecount.session.calibrating import store
    from sporecount.session.without_ruling import see, tell_without_ruling, write_rough_certificate

    seen = see(photo)
    profile, remarks = tell_without_ruling(
        seen,
        name=adapter or "unnamed",
        date=_today(),
        objective=objective,
        field_number_mm=field_number,
        known=known,
    )
    files: dict[str, str] = {}
    checks: list[CalibrationCheck] = []
    if adapter is not None:
        path, checks = store(profile)
        files["profile"] = str(path)
        out = out or path.with_suffix(".html")
    if out is not None:
        write_rough_certificate(out, profile, seen, known, remarks)
        files["certificate"] = str(out)
    if json:
        show.say_json(
            {
                "um_per_px": profile.um_per_px,
                "um_per_px_u": profile.um_per_px_u,
                "objective": profile.objective,
                "how": profile.how,
                "reasons": list(profile.reasons),
                "warnings": remarks,
                "checks": _checks(checks),
                **files,
            }
        )
    else:
        scale, spread = stated(profile.um_per_px, profile.um_per_px_u)
        share = 100 * profile.um_per_px_u / profile.um_per_px
        show.say(
            [
                *_simulated(profile),
                f"About {scale} um per px, standard uncertainty {spread} ({share:.1f} %)",
                profile.how,
                f"Approximate: every field counted with it is flagged ({', '.join(profile.reasons)}).",
                *(f"Note: {text}" for text in remarks),
                *_ending(checks, files),
            ]
        )
    return 0 if all(one.passed for one in checks) else 1


def _four_numbers(text: str) -> tuple[float, float, float, float]:
    try:
        x0, y0, x1, y1 = (float(one) for one in text.split(","))
    except ValueError:
        raise CalibrationError(
            f"{text!r} is not two places",
            code="bad-call",
            where="--ends",
            remedy="Write it as 812,640,1490,655",
        ) from None
    return x0, y0, x1, y1


def _checks(checks: list[CalibrationCheck]) -> list[dict[str, Any]]:
    return [{"passed": one.passed, "words": one.words, "rule": one.rule} for one in checks]


def _simulated(profile: AdapterProfile) -> list[str]:
    from sporecount.records import SIMULATED_CAMERA

    if profile.camera != SIMULATED_CAMERA:
        return []
    return ["Simulated photos: a program drew them, so this scale holds for no real microscope."]


def _ending(checks: list[CalibrationCheck], files: dict[str, str]) -> list[str]:
    lines = []
    for one in checks:
        lines += [one.words, f"  {one.rule}"]
    lines += [f"{what.capitalize()}: {show.one_line(path)}" for what, path in files.items()]
    if "profile" not in files and not checks:
        lines.append("Not stored: name the adapter with --adapter to count with it.")
    return lines


def _today() -> str:
    from datetime import date

    return date.today().isoformat()


def as_json(
    profile: AdapterProfile,
    rulings: list[RulingPhoto],
    checks: list[CalibrationCheck],
    files: dict[str, str],
) -> dict[str, Any]:
    """Give the result as one object; angle and divisions are those of the first photo."""
    first = rulings[0].reading
    return {
        "um_per_px": profile.um_per_px,
        "um_per_px_u": profile.um_per_px_u,
        "angle_deg": first.angle_deg,
        "divisions": first.divisions,
        "division_um": profile.division_um,
        "warnings": _warnings(profile, rulings),
        "objective": profile.objective,
        "k1": profile.k1,
        "pattern": first.pattern,
        "photos": [
            {
                "photo": one.name,
                "um_per_px": one.reading.um_per_px,
                "um_per_px_u": one.reading.um_per_px_u,
                "angle_deg": one.reading.angle_deg,
                "divisions": one.reading.divisions,
            }
            for one in rulings
        ],
        "checks": _checks(checks),
        **files,
    }


def _warnings(profile: AdapterProfile, rulings: list[RulingPhoto]) -> list[str]:
    warnings = [
        f"{one.name}: {text}" if len(rulings) > 1 else text
        for one in rulings
        for text in one.reading.warnings
    ]
    warnings += [f"{name} disagrees with the other photos and was left out." for name in profile.left_out]
    return warnings


def _lines(
    profile: AdapterProfile,
    rulings: list[RulingPhoto],
    checks: list[CalibrationCheck],
    files: dict[str, str],
) -> list[str]:
    from sporecount.calibration.profile import stated

    share = 100 * profile.um_per_px_u / profile.um_per_px
    scale, spread = stated(profile.um_per_px, profile.um_per_px_u)
    lines = _simulated(profile)
    lines += [
        f"{show.one_line(one.name)}: {stated(one.reading.um_per_px, one.reading.um_per_px_u)[0]} um per px, "
        f"{one.reading.divisions} divisions of {one.reading.division_um:g} um "
        f"at {one.reading.angle_deg:.1f} degrees"
        for one in rulings
    ]
    lines.append("")
    lines.append(f"{scale} um per px, standard uncertainty {spread} ({share:.2f} %)")
    lines += [f"Note: {text}" for text in _warnings(profile, rulings)]
    return lines + _ending(checks, files)
