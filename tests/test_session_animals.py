"""Groups of animals from sessions and numbers, and the command that tells their shares. All photos are drawn."""

import json
import shutil
from pathlib import Path

import pytest

from sporecount.cli import run
from sporecount.errors import SessionError
from sporecount.session import count_folder
from sporecount.session.animals import Group, groups_of
from tests.session_folder import UM_PER_PX, write_photo


@pytest.fixture(scope="module")
def session(tmp_path_factory) -> Path:
    """Prints of two cages; a blank; one that is only a half photo."""
    folder = tmp_path_factory.mktemp("fernhollow")
    for name, seed, ovals in (("FH-01_1", 1, 6), ("FH-02_1", 2, 5), ("FH-03_1", 3, 6), ("blank_1", 4, 0)):
        write_photo(folder / f"{name}.jpg", seed, ovals=ovals)
    (folder / "FH-04_1.jpg").write_bytes(b"\xff\xd8 half a photo")
    (folder / "session.csv").write_text(
        "photo,cage\nFH-01_1.jpg,east\nFH-02_1.jpg,east\nFH-03_1.jpg,west\nFH-04_1.jpg,west\n"
    )
    count_folder(folder, um_per_px=UM_PER_PX, objective=10.0, workers=0)
    return folder


def test_a_counted_folder_is_a_group_without_blanks_and_prints_without_verdict(session):
    """How many are positive, or give a verdict, is the model's word; which prints are asked is not."""
    (group,) = groups_of(str(session), "spores")
    assert group.n + len(group.left_out) == 4
    assert "FH-04" in group.left_out
    assert 0 <= group.positives <= group.n
    assert groups_of(str(session / "sporecount"), "spores") == [group]


def test_photos_with_a_cameras_own_names_are_no_animal(tmp_path):
    """Of how many animals they are is not known, so no share rests on them."""
    for number in range(3):
        write_photo(tmp_path / f"IMG_410{number}.jpg", number, ovals=6)
    write_photo(tmp_path / "FH-01_1.jpg", 9, ovals=6)
    count_folder(tmp_path, um_per_px=UM_PER_PX, objective=10.0, workers=0)
    (group,) = groups_of(str(tmp_path), "spores")
    assert "IMG" in group.left_out
    assert group.n + len(group.left_out) == 2


def test_a_column_splits_the_folder(session):
    east, west = groups_of(str(session), "spores", by="cage")
    assert [one.name.rsplit(", ", 1)[1] for one in (east, west)] == ["cage east", "cage west"]
    assert [one.n + len(one.left_out) for one in (east, west)] == [2, 2]
    assert east.positives + west.positives == groups_of(str(session), "spores")[0].positives
    with pytest.raises(SessionError, match="nothing in a column 'colour'"):
        groups_of(str(session), "spores", by="colour")


def test_heavy_is_asked_apart(session):
    assert groups_of(str(session), "heavy")[0].positives <= groups_of(str(session), "spores")[0].positives


def test_a_group_without_a_verdict_does_not_hide_the_others(session, capsys, tmp_path):
    """The half photo is all that there is of cage north."""
    folder = Path(shutil.copytree(session, tmp_path / "fernhollow"))
    table = folder / "session.csv"
    table.write_text(table.read_text().replace("FH-04_1.jpg,west", "FH-04_1.jpg,north"))
    count_folder(folder, um_per_px=UM_PER_PX, objective=10.0, workers=0)
    assert run(["prevalence", str(folder), "--by", "cage", "--sensitivity", "0.9"]) == 1
    out = capsys.readouterr().out
    assert "cage east" in out
    assert "cage west" in out
    north = out[out.index("cage north") : out.index("cage west")]
    assert "No print of this group gives a verdict" in north
    assert "FH-04" in north
    assert run(["prevalence", str(folder), "5/20", "--by", "cage", "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert [one["n"] for one in said["groups"]] == [2, 0, 1, 20]
    assert ["share" in one for one in said["groups"]] == [True, False, True, True]
    assert [one["second"].rpartition(", ")[2] for one in said["differences"]] == ["cage west", "5/20"]


def test_no_group_with_a_verdict_is_refused(capsys, tmp_path):
    (tmp_path / "FH-04_1.jpg").write_bytes(b"half a photo")
    (tmp_path / "session.csv").write_text("photo,cage\nFH-04_1.jpg,north\n")
    count_folder(tmp_path, um_per_px=UM_PER_PX, objective=10.0, workers=0)
    for by in ((), ("--by", "cage")):
        assert run(["prevalence", str(tmp_path), *by]) == 2
        assert "no print of this group gives a verdict" in capsys.readouterr().err


@pytest.mark.parametrize("said", ["3/20", " 3 / 20 "])
def test_numbers_are_a_group(said):
    assert groups_of(said, "spores") == [Group("3/20", 3, 20)]


@pytest.mark.parametrize("said", ["5/3", "0/0", "nowhere", "3 of 20", "-1/4"])
def test_what_is_no_group_is_refused(said):
    with pytest.raises(SessionError, match=r"cannot be|neither a counted folder nor numbers"):
        groups_of(said, "spores")


def test_command_in_words(capsys):
    """Newcombe 1998, Stat. Med. 17:857-872, 81 of 263: .2553-.3662 (Wilson) and .2527-.3676 (exact)."""
    assert run(["prevalence", "81/263", "3/4", "--sensitivity", "0.9+-0.03", "--specificity", "0,98"]) == 0
    out = capsys.readouterr().out
    assert "81 of 263 (31 %); 95 % interval 26 to 37 % (Wilson), 25 to 37 % (Clopper and" in out
    assert "So few animals say little" in out
    assert "it may be chance" in out
    assert "a test that finds 90 % of the infected and clears 98 % of the others" in " ".join(out.split())
    assert all(len(line) <= 80 for line in out.splitlines())
    assert "not a diagnosis" in out


def test_command_as_json(capsys):
    """Rogan & Gladen 1978: (0.3 + 0.98 - 1) / (0.9 + 0.98 - 1)."""
    arguments = ["prevalence", "30/100", "0/12", "--sensitivity", "0.9", "--specificity", "0.98", "--json"]
    assert run(arguments) == 0
    said = json.loads(capsys.readouterr().out)
    first, second = said["groups"]
    assert first["true_share"] == pytest.approx(0.28 / 0.88)
    assert first["true_interval"][0] < 0.28 / 0.88 < first["true_interval"][1]
    assert (second["share"], second["wilson"][0]) == (0, 0)
    assert said["differences"][0]["points"] == pytest.approx(0.3)


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        (["--sensitivity", "much"], "'much' is no share"),
        (["--sensitivity", "1.2"], "no share from 0 to 1"),
        (["--sensitivity", "0.4", "--specificity", "0.5"], "must add up to more than 1"),
    ],
)
def test_a_test_that_cannot_be_is_refused(capsys, arguments, match):
    assert run(["prevalence", "3/20", *arguments]) == 2
    assert match in capsys.readouterr().err
