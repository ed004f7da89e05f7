"""Files that are dropped: names, kinds, sizes, doubles; and what is shown of each photo."""

import asyncio
import re
import time
from dataclasses import asdict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sporecount.calibration import AdapterProfile
from sporecount.errors import PhotoError
from sporecount.files.profiles import save_profile
from sporecount.page.desk import Desk
from sporecount.page.news import News
from sporecount.page.uploads import safe_path
from sporecount.session.live import Wish
from tests.page.client import Client
from tests.session_folder import UM_PER_PX, drawn_photo, jpeg


@pytest.mark.parametrize(
    ("sent", "kept"),
    [
        ("FH-01_1.jpg", "FH-01_1.jpg"),
        ("FH-01/field 1.jpg", "FH-01/field 1.jpg"),
        ("../../etc/passwd.jpg", "etc/passwd.jpg"),
        ("..\\..\\windows\\x.jpg", "windows/x.jpg"),
        ("/etc/x.jpg", "etc/x.jpg"),
        ("C:\\photos\\x.jpg", "C_/photos/x.jpg"),
        (".hidden.jpg", "hidden.jpg"),
        ("-rf.jpg", "_rf.jpg"),
        ("a\nb\x00c.jpg", "abc.jpg"),
        ("con.jpg", "con_.jpg"),
        ("e\u0301.jpg", "\u00e9.jpg"),
        ("\U0001f98b.jpg", "\U0001f98b.jpg"),
        ('a"<b>.jpg', "a__b_.jpg"),
        ("a/b/c/d/e.jpg", "c/d/e.jpg"),
        ("x" * 300 + ".jpg", "x" * 116 + ".jpg"),
    ],
)
def test_names_are_made_harmless(sent, kept):
    assert safe_path(sent) == kept


@pytest.mark.parametrize(
    "sent", ["", "/", "..", "../..", "\x00", "sporecount/overlays/a.jpg", "a/.kept/b.jpg"]
)
def test_names_that_cannot_be_are_refused(sent):
    with pytest.raises(PhotoError):
        safe_path(sent)


@given(st.text(max_size=60))
def test_no_name_leaves_the_folder(sent):
    try:
        kept = safe_path(sent)
    except PhotoError:
        return
    parts = kept.split("/")
    assert 1 <= len(parts) <= 3
    assert all(part and part not in (".", "..") and not part.startswith((".", "-")) for part in parts)
    assert all(len(part.encode()) <= 120 and part.isprintable() for part in parts)
    assert safe_path(kept) == kept


def test_a_photo_lands_whole_under_its_name(empty):
    data = jpeg(drawn_photo(1))
    answer = empty.put("/photos?name=FH-01_1.jpg", content=data)
    assert answer.json() == {"name": "FH-01_1.jpg", "same_as": ""}
    assert (empty.desk.folder / "FH-01_1.jpg").read_bytes() == data
    assert empty.files() == ["FH-01_1.jpg"]


def test_the_same_photo_is_noticed_and_another_of_the_same_name_is_kept(empty):
    first, second = jpeg(drawn_photo(1)), jpeg(drawn_photo(2))
    empty.put("/photos?name=FH-01_1.jpg", content=first)
    assert empty.put("/photos?name=FH-02_9.jpg", content=first).json()["same_as"] == "FH-01_1.jpg"
    assert empty.put("/photos?name=FH-01_1.jpg", content=second).json() == {
        "name": "FH-01_1~2.jpg",
        "same_as": "",
    }
    assert empty.files() == ["FH-01_1.jpg", "FH-01_1~2.jpg"]


@pytest.mark.parametrize(
    ("name", "content", "code"),
    [
        ("a.jpg", b"", "empty"),
        ("a.jpg", b"MZ" + b"\0" * 200, "not-a-photo"),
        ("a.html", b"<html><script>alert(1)</script></html>" * 9, "not-a-photo"),
        ("a.svg", b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>", "not-a-photo"),
        ("", b"\xff\xd8\xff\xe0" + b"\0" * 99, "bad-name"),
    ],
)
def test_what_is_no_photo_is_refused_by_name_and_leaves_nothing(empty, name, content, code):
    answer = empty.put("/photos", params={"name": name}, content=content)
    assert answer.status_code == 400
    error = answer.json()["error"]
    assert error["code"] == code
    assert error["words"]
    assert empty.files() == []


def test_too_large_is_refused_before_and_while_it_comes(empty, monkeypatch):
    monkeypatch.setattr("sporecount.page.uploads.MAX_BYTES", 1000)
    data = jpeg(drawn_photo(1))
    assert empty.put("/photos?name=a.jpg", content=data).status_code == 413

    async def unannounced():
        for start in range(0, len(data), 500):
            yield data[start : start + 500]

    answer = empty.put("/photos?name=a.jpg", content=unannounced())
    assert answer.status_code == 413
    assert empty.files() == []


def test_a_full_disk_is_said(empty, monkeypatch):
    monkeypatch.setattr("sporecount.page.uploads._KEEP_FREE", 10**18)
    answer = empty.put("/photos?name=a.jpg", content=jpeg(drawn_photo(1)))
    assert answer.status_code == 507
    assert "room" in answer.json()["error"]["words"]


def test_only_what_is_not_here_is_asked_for(empty):
    data = jpeg(drawn_photo(1))
    empty.put("/photos?name=a.jpg", content=data)
    offered = [
        {"name": "a.jpg", "size": len(data)},
        {"name": "a.jpg", "size": 5},
        {"name": "b.jpg", "size": 5},
    ]
    assert empty.post("/photos/offer", json={"files": offered}).json() == {"send": [1, 2]}
    assert empty.post("/photos/offer", json={"files": "x"}).status_code == 400
    assert empty.post("/photos/offer", json=[1]).status_code == 400


def test_the_table_of_the_session_replaces_the_old_one(empty):
    for text in (b"photo,sample\na.jpg,FH-01\n", b"photo,sample\na.jpg,FH-02\n"):
        assert empty.put("/photos?name=session.csv", content=text).json()["name"] == "session.csv"
    assert (empty.desk.folder / "session.csv").read_bytes() == text


def test_each_photo_is_listed_with_its_result_and_the_bad_one_with_its_reason(client):
    text = client.get("/").text
    assert text.count('class="photo" data-id') == 7
    assert "FH-04_1.jpg" in text
    assert "cut short" in text


def test_small_pictures_are_given_and_no_others(client):
    at = client.desk.session().rows[0].id
    picture = client.get(f"/photo/{at}/small.jpg")
    assert picture.headers["content-type"] == "image/jpeg"
    assert picture.content[:2] == b"\xff\xd8"
    assert client.get("/photo/0000000000000000/small.jpg").status_code == 404


def test_names_are_escaped(empty):
    empty.put("/photos", params={"name": "<img src=x onerror=alert(1)>.jpg"}, content=jpeg(drawn_photo(1)))
    assert "<img src=x" not in empty.get("/").text


@pytest.mark.parametrize(
    "said",
    [
        {"by": "um_per_px", "um_per_px": "x"},
        {"by": "um_per_px", "um_per_px": "1e9"},
        {"objective": "nan"},
        {"spore_length_min_um": "1000"},
        {"spore_length_min_um": "20", "spore_length_max_um": "10"},
        [],
    ],
)
def test_a_scale_that_cannot_be_is_refused_in_words(empty, said):
    answer = empty.post("/count/scale", json=said)
    assert answer.status_code == 400
    assert answer.json()["error"]["words"]


def chosen(client) -> list[tuple[str, str]]:
    """What the list of adapters shows as chosen: its value and its words."""
    listed = re.search(r'<select name="adapter".*?</select>', client.get("/").text, re.DOTALL)[0]
    return re.findall(r'<option value="([^"]*)"[^>]* selected>([^<]*)<', listed)


@pytest.mark.parametrize(
    ("wish", "shown"),
    [
        (Wish(), []),
        (Wish(adapter="practice"), [("practice", "practice, 10×")]),
        (Wish(adapter="practice", objective=10.0), [("practice", "practice, 10×")]),
        (Wish(adapter="Practice"), [("practice", "practice, 10×")]),
        (Wish(adapter="loan", objective=20.0), [("loan", "loan")]),
        (Wish(adapter="bench", objective=40.0), [("bench", "bench, 40×")]),
        (Wish(adapter="bench"), [("bench", "bench, the objective of each photo")]),
        (Wish(adapter="bench", objective=4.0), [("bench", "bench, 4×, not stored")]),
        (Wish(adapter="gone"), [("gone", "gone, not stored")]),
    ],
)
def test_the_adapter_that_photos_are_counted_with_is_the_one_shown(empty, wish, shown):
    for name, objective in (
        ("aaa", 10.0), ("practice", 10.0), ("bench", 10.0), ("bench", 40.0), ("loan", None),
    ):  # fmt: skip
        save_profile(asdict(AdapterProfile(name, objective, 0.6, 0.001, 4000, 3000)))
    empty.desk.live.change(wish)
    assert chosen(empty) == shown


def test_an_adapter_that_is_gone_is_not_exchanged_for_a_rough_guess(empty):
    empty.desk.live.change(Wish(adapter="gone"))
    assert chosen(empty) == [("gone", "gone, not stored")]
    assert (
        "disabled"
        not in re.search(r'<input type="radio" name="by" value="adapter"[^>]*>', empty.get("/").text)[0]
    )


def test_a_scale_is_taken_with_a_decimal_comma(empty):
    assert (
        empty.post(
            "/count/scale", json={"by": "um_per_px", "um_per_px": "0,52", "objective": "10"}
        ).status_code
        == 200
    )
    assert (empty.desk.live.wish.um_per_px, empty.desk.live.wish.objective) == (0.52, 10.0)


def test_news_are_told_from_where_a_tab_left_off():
    async def listen(news: News, after: int, number: int) -> list[str]:
        told = []
        async for line in news.follow(after):
            if line.startswith("id:"):
                told.append(line)
                if len(told) == number:
                    break
        return told

    news = News()
    for at in range(3):
        news.tell("photo", f"p{at % 2}", at=at)
    assert [line.split("data: ")[1].strip() for line in asyncio.run(listen(news, 0, 2))] == [
        '{"at": 1}',
        '{"at": 2}',
    ]
    assert asyncio.run(listen(news, 2, 1))[0].startswith("id: 3")
    assert len(asyncio.run(listen(news, 900, 2))) == 2  # a number of an earlier start


@pytest.fixture
def counting(empty) -> Client:
    """A page whose count runs in the background."""
    empty.desk.live.change(Wish(um_per_px=UM_PER_PX, objective=10.0))
    empty.desk.start()
    return empty


def wait_for(desk: Desk, photos: int) -> None:
    until = time.monotonic() + 90
    while time.monotonic() < until:
        opened = desk.session()
        known = 0 if opened is None else len(opened.rows) + len(opened.result.failed)
        if known >= photos and desk.live.state.doing == "waiting":
            return
        assert desk.live.state.doing != "fault", desk.live.state.words
        time.sleep(0.05)
    raise AssertionError(f"still {desk.live.state}")


def test_photos_are_counted_as_they_come(counting):
    desk = counting.desk
    counting.put("/photos?name=FH-01_1.jpg", content=jpeg(drawn_photo(1)))
    counting.put("/photos?name=FH-01_2.jpg", content=jpeg(drawn_photo(2))[:3000])
    wait_for(desk, 2)
    assert [row.photo for row in desk.session().rows] == ["FH-01_1.jpg"]
    assert [one.code for one in desk.session().result.failed] == ["cut-off"]
    assert "FH-01" in counting.get("/prints").text

    # what appears in the folder is left alone until it is watched
    (desk.folder / "FH-02_1.jpg").write_bytes(jpeg(drawn_photo(3)))
    assert "1 photo of this folder is not counted yet" in counting.get("/").text
    assert counting.post("/count/watch", json={"on": True}).json() == {"on": True}
    wait_for(desk, 3)
    assert [row.photo for row in desk.session().rows] == ["FH-01_1.jpg", "FH-02_1.jpg"]

    # another scale counts all again
    before = desk.session().rows[0].tally.examined_mm2
    counting.post("/count/scale", json={"by": "um_per_px", "um_per_px": "1.25", "objective": "10"})
    until = time.monotonic() + 90
    while desk.session().rows[0].tally.examined_mm2 == before and time.monotonic() < until:
        time.sleep(0.05)
    assert desk.session().rows[0].tally.examined_mm2 == pytest.approx(before * 1.25**2, rel=0.05)


def test_a_count_that_was_cut_off_goes_on_by_itself_in_the_same_way(empty):
    folder = empty.desk.folder
    empty.desk.count_as(Wish(um_per_px=1.25, objective=10.0))
    (folder / "FH-01_1.jpg").write_bytes(jpeg(drawn_photo(1)))
    empty.desk.book.set("counting", True)  # as a killed program leaves it
    again = Desk(folder, empty.desk.out)
    again.start()
    try:
        wait_for(again, 1)
        assert again.session().result.fields[0].scale.um_per_px == 1.25
        assert again.book.setting("counting") is False
    finally:
        again.close()


def test_a_stopped_count_keeps_what_is_counted_and_goes_on(counting):
    desk = counting.desk
    for number in range(4):
        (desk.folder / f"FH-01_{number}.jpg").write_bytes(jpeg(drawn_photo(number)))
    stopped = []
    told = desk.live._on_photo

    def stop_after_the_first(done, result):
        told(done, result)
        if not stopped:
            stopped.append(done.photo)
            desk.live.stop()

    desk.live._on_photo = stop_after_the_first
    counting.post("/count/go")
    until = time.monotonic() + 90
    while desk.live.state.doing != "stopped" and time.monotonic() < until:
        time.sleep(0.02)
    assert desk.session() is None
    states = []
    desk.live._on_photo = lambda done, result: states.append((done.photo, done.state))
    counting.post("/count/go")
    wait_for(desk, 4)
    assert dict(states)[stopped[0]] == "kept"
    assert len(states) == 4
