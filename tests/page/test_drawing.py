"""Calibrate without a ruling: a length drawn on the page gives what the command line gives for the same ends."""

import json
from datetime import date

import cv2
import numpy as np
import pytest

from sporecount.cli import run
from sporecount.files.profiles import list_profiles, profile_folder
from sporecount.page.opened import photo_id
from tests.page.example import simulated_ruling
from tests.session_folder import jpeg

WIDE, HIGH = 1200, 900
BAR = (200, 1000)
"""First and last column of a dark bar; its edges lie at 199.5 and 1000.5, so it is 801 pixels long."""

TWICE = [[199.5, 450, 1000.5, 450], [201.5, 452, 999.5, 451]]


def bar_photo(round_view: bool = False) -> bytes:
    """A drawn photo of a bar, 801 px long, with or without the edge of a round view 840 px across."""
    rgb = np.full((HIGH, WIDE, 3), (214, 218, 210), np.uint8)
    if round_view:
        lit = np.zeros((HIGH, WIDE), np.uint8)
        cv2.circle(lit, (WIDE // 2, HIGH // 2), 420, 1, -1)
        rgb = np.where(lit[..., None] > 0, rgb, 6).astype(np.uint8)
    rgb[430:470, BAR[0] : BAR[1] + 1] = (60, 62, 70)
    return jpeg(rgb)


def put(client, data: bytes, name: str = "bar.jpg", **rig: str) -> str:
    client.post("/calibrate/rig", json={"objective": "10", "division_um": "", "field_number_mm": "18", **rig})
    assert client.put(f"/calibrate/photos?name={name}", content=data).status_code == 200
    return photo_id(name)


def drawn(photo: str, lines=TWICE, length_um: object = "1200", **more: object) -> dict:
    return {"photo": photo, "lines": lines, "length_um": length_um, **more}


def by_command(capsys, path, *options: str) -> tuple[int, str, str]:
    code = run(["calibrate", str(path), "--objective", "10", *options])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_the_page_tells_what_the_command_line_tells(empty, tmp_path, capsys):
    path = tmp_path / "bar.jpg"
    path.write_bytes(bar_photo())
    at = put(empty, bar_photo())
    said = drawn(at, length_um="1200,5", within_um="6", thing="bar on a\nslide")
    told = empty.post("/calibrate/length", json=said).json()
    ends = [word for line in TWICE for word in ("--ends", ",".join(map(str, line)))]
    options = ("--length-um", "1200.5", "--within-um", "6", "--thing", "bar on a slide", *ends)
    code, out, err = by_command(capsys, path, *options, "--json")
    assert code == 0, err
    command = json.loads(out)
    assert told["um_per_px"] == command["um_per_px"] == pytest.approx(1200.5 / 799.5, rel=2e-6)
    assert told["um_per_px_u"] == command["um_per_px_u"]
    assert (told["how"], told["remarks"]) == (command["how"], command["warnings"])
    assert "bar on a slide" in told["how"]
    assert "2 times" in told["how"]

    kept = empty.post("/calibrate/length/keep", json=said | {"name": "loan", "count_with": True})
    assert kept.status_code == 200
    certificate = empty.get(f"/calibrate/certificate/{kept.json()['certificate']}").text
    assert told["how"] in certificate
    assert "bar.jpg" in certificate
    profile_folder().joinpath("loan-10x.html").unlink()
    of_page = profile_folder().joinpath("loan-10x.json").read_text()
    profile_folder().joinpath("loan-10x.json").unlink()
    assert by_command(capsys, path, *options, "--adapter", "loan")[0] == 0
    assert profile_folder().joinpath("loan-10x.html").is_file()
    of_command = profile_folder().joinpath("loan-10x.json").read_text()
    assert of_page == of_command
    (profile,) = list_profiles()
    assert (profile["reasons"], profile["rulings"]) == (["approximate-scale"], 0)
    assert (profile["width_px"], profile["height_px"], profile["date"]) == (
        WIDE,
        HIGH,
        date.today().isoformat(),
    )
    assert (empty.desk.live.wish.adapter, empty.desk.live.wish.objective) == ("loan", 10.0)
    assert ", approximate</td>" in empty.get("/calibrate").text
    assert "loan, 10×, approximate</option>" in empty.get("/").text


NO_USE = [
    ([[300, 300, 340, 310]], "1200", "ends-too-near", "at least 50 pixels"),
    ([[300, 300, 1200, 310]], "1200", "end-off-photo", "x 1200, y 310 in a photo of 1200 x 900 px"),
    ([[300, -1, 900, 310]], "1200", "end-off-photo", "off the photo"),
    (TWICE, "0", "bad-length", "more than 0"),
    (TWICE, "-4", "bad-length", "-4 um"),
    ([*TWICE, [200, 450, 700, 450]], "1200", "drawings-disagree", "801 px, 798 px, 500 px"),
    (TWICE, "171", "length-contradiction", "about 1700 um long"),
]


def test_what_is_no_use_is_refused_with_the_same_words(empty, tmp_path, capsys):
    """The round view is 840 px across, 1.80 mm at 10x with field number 18: 2.143 um a pixel."""
    path = tmp_path / "bar.jpg"
    path.write_bytes(bar_photo(round_view=True))
    at = put(empty, path.read_bytes())
    for lines, length_um, code, words in NO_USE:
        said = drawn(at, lines, length_um, name="loan")
        answer = empty.post("/calibrate/length", json=said)
        assert answer.status_code == 400, code
        fault = answer.json()["error"]
        assert fault["code"] == code
        assert words in fault["words"]
        assert empty.post("/calibrate/length/keep", json=said).json()["error"] == fault
        if length_um == "-4":  # the command line refuses that before it looks at the photo
            continue
        ends = [word for line in lines for word in ("--ends", ",".join(map(str, line)))]
        _, _, err = by_command(capsys, path, "--length-um", length_um, *ends, "--adapter", "loan")
        assert fault["what"] in " ".join(err.split())
        assert fault["remedy"] in " ".join(err.split())
    assert list_profiles() == []


def test_a_length_is_checked_against_the_round_view(empty):
    at = put(empty, bar_photo(round_view=True))
    true_um = 801 * 1800 / 840
    told = empty.post("/calibrate/length", json=drawn(at, TWICE[:1], true_um)).json()
    assert told["remarks"] == []
    told = empty.post("/calibrate/length", json=drawn(at, TWICE[:1], 1.25 * true_um)).json()
    assert "field number is rather 22" in told["remarks"][0]
    told = empty.post("/calibrate/length", json=drawn(at, TWICE[:1], 2 * true_um)).json()
    assert "or the objective was 5x" in told["error"]["words"]
    put(empty, bar_photo(), "open.jpg", objective="")
    told = empty.post("/calibrate/length", json=drawn(at, TWICE[:1], 2 * true_um)).json()
    assert "objective was not named" in told["remarks"][0]


def test_a_profile_of_no_objective_is_not_kept(empty):
    at = put(empty, bar_photo(), objective="")
    answer = empty.post("/calibrate/length/keep", json=drawn(at, name="loan"))
    assert answer.status_code == 400
    assert "Name the objective" in answer.json()["error"]["words"]
    assert empty.post("/calibrate/length/keep", json=drawn(at, name=" ")).status_code == 400
    empty.post("/calibrate/rig", json={"objective": "10"})
    assert empty.post("/calibrate/length/keep", json=drawn(at, name="a\nb")).status_code == 400
    assert list_profiles() == []


def test_a_drawn_profile_does_not_inherit_the_certificate_of_a_ruling(empty):
    put(empty, simulated_ruling(), "ruling.jpg", objective="40", division_um="10")
    assert empty.post("/calibrate/accept", json={"name": "blue tube"}).status_code == 200
    assert "the certificate of blue tube" in empty.get("/calibrate").text
    empty.post("/calibrate/remove", json={"photo": "all"})
    at = put(empty, bar_photo(), objective="40")
    told = empty.post("/calibrate/length/keep", json=drawn(at, name="blue tube")).json()
    assert not told["checks"][0]["passed"]  # the drawn scale is another one, and that is said
    assert "from a ruling and is surer" in told["checks"][0]["words"]
    own = empty.get(f"/calibrate/certificate/{told['certificate']}").text
    assert "Without a ruling" in own
    assert "no ruling" not in own
    assert "divisions of" not in own
    earlier = profile_folder() / "earlier"
    assert len(list(earlier.glob("*.html"))) == len(list(earlier.glob("*.json"))) == 1


def test_the_photo_is_shown_at_its_full_size(empty):
    at = put(empty, bar_photo(round_view=True))
    sight = empty.get(f"/calibrate/photo/{at}/sight.json").json()
    assert (sight["width"], sight["height"], sight["view_found"]) == (WIDE, HIGH, True)
    assert sight["view"] == pytest.approx([WIDE / 2, HIGH / 2, 420], abs=3)  # a pixel of the reduced picture
    about = empty.get(f"/calibrate/photo/{at}/photo/about.json").json()
    assert (about["width"], about["height"], about["zoom"]) == (WIDE, HIGH, 1.0)
    tile = empty.get(f"/tiles/{about['set']}/0/0_0.jpg")
    shown = cv2.imdecode(np.frombuffer(tile.content, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert shown[450, 195] - shown[450, 204].astype(int) > 100  # the bar begins between columns 199 and 200


def test_photos_that_are_none_or_not_there(empty):
    empty.put("/calibrate/photos?name=cut.jpg", content=bar_photo()[:4000])
    (cut,) = empty.get("/calibrate/read.json").json()["photos"]
    assert not cut["picture"]
    for address in (
        f"/calibrate/photo/{cut['id']}/sight.json",
        f"/calibrate/photo/{cut['id']}/photo/about.json",
    ):
        answer = empty.get(address)
        assert answer.status_code == 400
        assert "cut.jpg" in answer.json()["error"]["words"]
    nowhere = "0" * 16
    assert empty.get(f"/calibrate/photo/{nowhere}/sight.json").status_code == 404
    assert empty.get(f"/calibrate/photo/{nowhere}/photo/about.json").status_code == 404
    assert empty.get(f"/calibrate/photo/{nowhere}/density/about.json").status_code == 404
    assert empty.post("/calibrate/length", json=drawn(nowhere)).status_code == 404


NEVER_SENT = [
    {"lines": None}, {"lines": [[1, 2, 3]]}, {"lines": [["a", 1, 2, 3]]}, {"lines": [[True, 1, 2, 3]]},
    {"lines": [TWICE[0]] * 21}, {"lines": [[1e300, 1, 2, 3]]}, {"lines": []},
    {"length_um": "long"}, {"length_um": "nan"}, {"length_um": "inf"}, {"length_um": None},
    {"within_um": "-1"}, {"within_um": "1200"}, {"within_um": "x"},
]  # fmt: skip


def test_drawings_that_the_page_never_sends_are_refused(empty):
    at = put(empty, bar_photo())
    for wrong in NEVER_SENT:
        answer = empty.post("/calibrate/length", json=drawn(at) | wrong)
        assert answer.status_code == 400, wrong
        assert answer.json()["error"]["words"]
