"""Re-check: the queue, decisions that stand, a blind second reading, what is learnt."""

import time

import pytest

from sporecount.page.desk import Desk
from sporecount.readings import settle
from tests.page.client import Client


def objects(client, **query) -> list[dict]:
    return client.get("/recheck/queue.json", params=query).json()["objects"]


def say(client, one, says, number=1, **changes):
    line = {
        "id": f"line-{number:08d}",
        "photo": one["photo"],
        "x": one["x"],
        "y": one["y"],
        "says": says,
        "reader": "AB",
        "round": 1,
    }
    return client.post("/recheck/say", json={**line, **changes})


def test_the_queue_holds_every_doubtful_object_most_valuable_first(client):
    listed = objects(client)
    assert len(listed) == 36
    worth = [one["worth"] for one in listed]
    assert worth == sorted(worth, reverse=True)
    assert {one["sample"] for one in objects(client, print="FH-02")} == {"FH-02"}


def test_a_decision_moves_the_field_at_once_and_stands_after_a_restart(client):
    one = objects(client)[0]
    answer = say(client, one, "not").json()
    field = client.desk.field(one["photo"])
    (reading,) = client.desk.book.readings()
    expected = settle(field, [reading]).tally
    assert (answer["now"]["spores"], answer["now"]["low"], answer["now"]["high"]) == (
        expected.spores, expected.spores_low, expected.spores_high,
    )  # fmt: skip
    assert answer["machine"]["spores"] == field.tally.spores
    client.desk.close()
    again = Client(Desk(client.desk.folder, client.desk.out))
    assert again.desk.book.readings() == [reading]
    assert len(objects(again)) == 35
    again.desk.close()


def test_a_decision_sent_twice_stands_once(client):
    one = objects(client)[0]
    assert say(client, one, "spore").json() == say(client, one, "spore").json()
    assert len(client.desk.book.readings()) == 1


def test_taking_back_returns_the_object_and_the_count(client):
    one = objects(client)[0]
    say(client, one, "not", 1)
    answer = say(client, one, "taken-back", 2).json()
    assert answer["now"] == answer["machine"]
    assert len(objects(client)) == 36
    assert len(client.desk.book.readings()) == 2  # nothing is ever removed


def test_a_missed_spore_is_added(client):
    one = objects(client)[0]
    answer = say(client, {**one, "x": 3.0, "y": 4.0}, "added").json()
    assert answer["now"]["spores"] == answer["machine"]["spores"] + 1


def test_the_print_follows_in_the_background(client):
    client.desk.start()
    try:
        listed = objects(client, print="FH-02")
        for number, one in enumerate(listed):
            say(client, one, "not", number)
        until = time.monotonic() + 30
        while time.monotonic() < until:
            said = client.get(f"/recheck/standing/{listed[0]['photo']}.json").json()
            if said["print"]["spores"] == 8:
                break
            time.sleep(0.1)
        assert said["print"]["spores"] == 8  # four sure ones in each of the two fields
        assert said["print_machine"]["spores"] > 8
        text = client.get("/prints").text
        assert "8 spores found" in text
        assert "The program alone" in text
    finally:
        client.desk.close()


@pytest.mark.parametrize(
    "changes",
    [
        {"says": "maybe"}, {"says": None}, {"x": "left"}, {"x": 1e9}, {"y": -50}, {"round": 3}, {"id": "x"},
        {"id": "a b c d e f g h"},
        {"photo": "0" * 16}, {"photo": "../x"},
        {"reader": ""}, {"reader": " "}, {"reader": None}, {"reader": "\x00"},
    ],
)  # fmt: skip
def test_what_is_no_decision_is_refused_in_words(client, changes):
    answer = say(client, objects(client)[0], **{"says": "spore", **changes})
    assert answer.status_code in (400, 404)
    assert answer.json()["error"]["words"]
    assert client.desk.book.readings() == []


def test_a_readers_name_is_made_harmless(client):
    say(client, objects(client)[0], "spore", reader="A\x00\n" + "b" * 99)
    (reading,) = client.desk.book.readings()
    assert reading.reader == "A" + "b" * 39


def test_a_second_reader_sees_nothing_of_the_first(client):
    listed = objects(client)
    for number, one in enumerate(listed[:6]):
        say(client, one, "spore", number)
    blind = client.get("/recheck/queue.json", params={"round": 2, "reader": "CD"}).json()
    assert len(blind["objects"]) == 36
    assert blind["mine"] == []
    assert all("worth" not in one for one in blind["objects"])
    one = blind["objects"][0]
    told = client.get(f"/recheck/object/{one['photo']}/{one['row']}.json?round=2").json()
    assert not {"p", "why"} & set(told)
    assert say(client, one, "not", 77, round=2, reader="CD").json() == {}
    page = client.get("/recheck?round=2").text
    assert "program’s opinion</h2>" not in page


def test_a_third_reader_is_shown_what_two_disagree_on(client):
    one = objects(client)[0]
    say(client, one, "spore")
    say(client, one, "not", 2, reader="CD", round=2)
    assert len(objects(client, reader="AB")) == 35
    third = [each for each in objects(client, reader="EF") if each["differ"]]
    assert [(each["photo"], each["row"]) for each in third] == [(one["photo"], one["row"])]
    say(client, one, "not", 3, reader="EF")
    assert len(objects(client, reader="EF")) == 35


def test_agreement_is_told_at_the_end(client):
    listed = objects(client)
    for number, one in enumerate(listed[:10]):
        say(client, one, "spore" if number < 5 else "not", number)
        say(client, one, "spore" if number < 4 else "not", 100 + number, round=2, reader="CD")
    said = client.get("/recheck/agreement.json").json()
    assert (said["both"], said["same"]) == (10, 9)
    assert said["table"] == [[4, 1, 0], [0, 5, 0], [0, 0, 0]]
    assert len(said["differing"]) == 1
    assert "kappa" in said["words"].lower()


def test_what_is_learnt_is_said_used_and_forgotten(client):
    listed = objects(client)
    assert client.get("/recheck/learning.json").json()["shift"] == 0
    for number, one in enumerate(listed[:12]):
        say(client, one, "not", number)
    said = client.get("/recheck/learning.json").json()
    assert said["shift"] < 0
    assert "12" in said["words"][0]
    assert client.post("/recheck/learning", json={"what": "off"}).json()["shift"] == 0
    assert client.post("/recheck/learning", json={"what": "on"}).json()["shift"] < 0
    assert client.post("/recheck/learning", json={"what": "forget"}).json()["shift"] == 0
    assert client.post("/recheck/learning", json={"what": "all"}).status_code == 400
    assert len(client.desk.book.readings()) == 12  # what was decided stays


def test_nothing_counted_nothing_to_decide(empty):
    assert "Nothing is counted yet" in empty.get("/recheck").text
    assert empty.get("/recheck/queue.json").status_code == 404
    assert say(empty, {"photo": "0" * 16, "x": 1, "y": 1}, "spore").status_code == 404
