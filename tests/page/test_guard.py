"""Nobody but the session's own page is let in."""

import pytest

from tests.page.client import HOME, KEY, PORT

PLACES = ["/", "/prints", "/events", "/photo/0123456789abcdef/small.jpg", "/static/bench.css"]


@pytest.mark.parametrize("address", PLACES)
def test_without_the_key_nothing_is_shown(client, address):
    answer = client.get(address, known=False)
    assert answer.status_code == 403
    assert "FH-01" not in answer.text


@pytest.mark.parametrize(
    "cookie", ["", f"sporecount-{PORT}=", f"sporecount-{PORT}=wrong", f"other={KEY}", "\x7f;="]
)
def test_a_wrong_key_is_no_key(client, cookie):
    assert client.get("/", headers={"cookie": cookie}).status_code == 403


def test_the_opening_address_gives_a_strict_cookie_and_hides_the_key(client):
    answer = client.get(f"/open?key={KEY}&to=/prints", known=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/prints")
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert client.get("/open?key=wrong", known=False).status_code == 403
    assert client.get("/open", known=False).status_code == 403


@pytest.mark.parametrize(
    "to", ["//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", "x"]
)
def test_the_opening_address_leads_nowhere_else(client, to):
    assert client.get("/open", params={"key": KEY, "to": to}, known=False).headers["location"] == "/"


@pytest.mark.parametrize(
    "host",
    ["elsewhere.example", f"elsewhere.example:{PORT}", "127.0.0.1", f"127.0.0.1:{PORT + 1}", "[::1]:80", ""],
)
def test_another_host_name_is_refused(client, host):
    """A name that some server points to this machine must not reach the page (DNS rebinding)."""
    assert client.get("/", headers={"host": host}).status_code == 421


def test_localhost_by_name_is_the_same_page(client):
    assert client.get("/", headers={"host": f"localhost:{PORT}"}).status_code == 200


@pytest.mark.parametrize(
    "origin", ["http://elsewhere.example", "null", "", f"https://127.0.0.1:{PORT}", HOME + "0"]
)
def test_another_origin_changes_nothing(empty, origin):
    answer = empty.put("/photos?name=a.jpg", content=b"x", headers={"origin": origin})
    assert answer.status_code == 403
    assert empty.files() == []


def test_a_request_that_another_site_caused_is_refused(empty):
    answer = empty.post("/count/go", headers={"sec-fetch-site": "cross-site"})
    assert answer.status_code == 403


def test_every_answer_keeps_foreign_script_and_style_out(client):
    for address in ("/", "/prints", "/static/bench.css", "/nowhere"):
        headers = client.get(address).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert "access-control-allow-origin" not in headers


def test_pages_hold_no_inline_script_or_style(client):
    import re

    for address in ("/", "/prints"):
        text = client.get(address).text
        assert not re.search(r"<script(?![^>]*\bsrc=)", text)
        assert not re.search(r"<style|\sstyle=|\son[a-z]+=", text)


def test_methods_that_a_route_has_not_are_refused(client):
    assert client.post("/prints").status_code == 405
    assert client.get("/photos").status_code == 405
    assert client.ask("DELETE", "/photos").status_code == 405


@pytest.mark.parametrize(
    "address",
    [
        "/static/../desk.py",
        "/static/..%2fdesk.py",
        "/static/%2e%2e/desk.py",
        "/photo/..%2f..%2fetc/small.jpg",
    ],
)
def test_nothing_outside_the_page_is_served(client, address):
    answer = client.get(address)
    assert answer.status_code == 404
    assert "import" not in answer.text


@pytest.mark.parametrize(
    "address",
    ["/photos/offer", "/count/watch", "/count/scale", "/recheck/say", "/recheck/learning", "/prints/decide",
     "/calibrate/rig", "/calibrate/remove", "/calibrate/accept", "/calibrate/length", "/calibrate/length/keep"],
)  # fmt: skip
@pytest.mark.parametrize(
    "body", [b"", b"{", b"[]", b"5", b"null", b"[" * 100_000, b"\xff\xfe", b'{"files": [{}]}']
)
def test_a_body_that_is_no_request_of_ours_is_refused_in_words(client, address, body):
    answer = client.post(address, content=body)
    assert answer.status_code in (200, 400, 404)
    if answer.status_code != 200:
        assert answer.json()["error"]["words"]
    else:  # an object in which nothing is said changes nothing
        assert body.startswith(b"{")


def test_a_body_without_end_is_cut_off(client):
    async def endless():
        for _ in range(100):
            yield b" " * 1_000_000

    assert client.post("/recheck/say", content=endless()).status_code == 413
