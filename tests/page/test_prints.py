"""Prints: cards in the order of need, the keeper's decision, map and plan."""

import pytest

from sporecount.page.opened import photo_id
from sporecount.reasons import REASONS
from tests.page.client import Client


def decide(client: Client, number: int = 1, **said):
    line = {"id": f"verdict-{number:06d}", "sample": "FH-01", "says": "hold", "reader": "AB", "note": ""}
    return client.post("/prints/decide", json={**line, **said})


def test_cards_come_in_the_order_of_need(client):
    text = client.get("/prints").text
    places = [text.index(f'data-sample="{sample}"') for sample in ("FH-01", "FH-02", "FH-03")]
    assert places == sorted(places)
    assert "A heavy load is likely" in text
    assert "cut short" in text
    assert REASONS["ambiguous-objects"].words in text
    assert text.count('<svg class="ruler"') == 3
    assert text.count('<svg class="classes"') == 3
    assert "Settle 12 doubtful objects" in text


def test_a_decision_is_kept_with_reader_and_time_and_can_be_taken_back(client):
    told = decide(client, note="  tell the neighbour\x00 ").json()
    assert (told["says"], told["note"]) == ("hold", "tell the neighbour")
    kept = client.desk.book.verdicts()["FH-01"]
    assert (kept.says, kept.reader, kept.note) == ("hold", "AB", "tell the neighbour")
    assert "Kept: hold, AB" in client.get("/prints").text
    decide(client, 2, says="open")
    assert "Kept: hold" not in client.get("/prints").text


@pytest.mark.parametrize(
    "said", [{"says": "cull"}, {"says": None}, {"sample": "FH-99"}, {"id": "x"}, {"id": None}]
)
def test_what_is_no_decision_is_refused(client, said):
    answer = decide(client, **said)
    assert answer.status_code in (400, 404)
    assert answer.json()["error"]["words"]
    assert client.desk.book.verdicts() == {}


def test_a_print_of_several_fields_has_its_map(client):
    answer = client.get(f"/prints/{photo_id('FH-01')}/map.svg")
    assert answer.status_code in (200, 204)
    if answer.status_code == 200:
        assert answer.text.startswith("<svg")
    assert client.get(f"/prints/{'0' * 16}/map.svg").status_code == 404


def test_the_plan_says_what_more_fields_would_do(client):
    said = client.get("/prints/plan.json").json()["prints"]
    assert set(said) == {photo_id(f"FH-0{number}") for number in (1, 2, 3)}
    assert "decide" in said[photo_id("FH-01")]
    assert "heavy" in said[photo_id("FH-03")]


def test_before_there_are_results(empty):
    assert "No print is counted yet" in empty.get("/prints").text
    assert empty.get("/prints/plan.json").json() == {"prints": {}}
    assert decide(empty).status_code == 404
