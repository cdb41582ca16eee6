"""Who may ask the server for what: every refusal, and what a page may load."""

import asyncio
import json

import httpx
import pytest

from calib.yard.app import server_app
from calib.yard.guard import LARGEST, MOST_WRONG, Keys
from calib.yard.session import Session

HOST = "127.0.0.1:8000"


class Asked:
    """The application, asked over ASGI as from some address."""

    def __init__(self, folder, share=False):
        self.codes = []
        self.keys = Keys(share, told=self.codes.append)
        self.session = Session(folder)
        self.app = server_app(self.session, self.keys, lambda: {HOST, "192.0.2.7:8000"})

    def __call__(self, method, path, *, host=HOST, client="127.0.0.1", headers=(), **more):
        async def ask():
            transport = httpx.ASGITransport(self.app, client=(client, 4000))
            async with httpx.AsyncClient(transport=transport, base_url=f"http://{host}") as http:
                return await http.request(method, path, headers=dict(headers), **more)
        return asyncio.run(ask())

    def change(self, path, body, **more):
        """A change as the page makes it."""
        headers = {"origin": f"http://{HOST}", "x-calib-token": self.keys.token}
        return self("POST", path, content=json.dumps(body),
                    headers={**headers, **more.pop("headers", {})}, **more)


@pytest.fixture
def asked(folder):
    return Asked(folder)


def test_the_page_comes_with_what_keeps_it_safe(asked):
    answer = asked("GET", "/")
    assert answer.status_code == 200
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy and "unsafe" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "under a raised attachment" in answer.text


@pytest.mark.parametrize("host", ["evil.example:8000", "127.0.0.1:9", "127.0.0.1", ""])
def test_another_name_is_refused(asked, host):
    answer = asked("GET", "/", headers={"host": host})
    assert answer.status_code == 421 and asked.keys.token not in answer.text


@pytest.mark.parametrize("headers, status", [
    ({"origin": "http://evil.example"}, 403),
    ({"origin": "null"}, 403),
    ({"origin": f"https://{HOST}"}, 403),
    ({"x-calib-token": "guess"}, 403),
    ({"x-calib-token": ""}, 403),
])
def test_a_change_from_elsewhere_is_refused(asked, folder, headers, status):
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    answer = asked.change("/aside", {"names": ["a"]}, headers=headers)
    assert answer.status_code == status
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before


def test_a_change_without_origin_is_refused(asked):
    answer = asked("POST", "/aside", content=b"{}", headers={"x-calib-token": asked.keys.token})
    assert answer.status_code == 403


def test_a_page_of_the_right_token_may_change(asked, folder):
    assert asked.change("/aside", {"names": ["a"]}).status_code == 200
    assert json.loads((folder / "yard.json").read_text())["set_aside"] == ["a"]


@pytest.mark.parametrize("path", [
    "/static/../app.py", "/static/%2e%2e%2fapp.py", "/static//etc/passwd", "/result/result.json",
    "/result/..%2frig.toml", "/result/%2e%2e/rig.toml", "/static/yard.css%00", "/rig.toml"])
def test_no_path_reaches_the_file_system(asked, path):
    answer = asked("GET", path)
    assert answer.status_code == 404
    assert "template" not in answer.text and "root:" not in answer.text


def test_what_is_too_large_is_refused(asked, folder):
    answer = asked.change("/aside", {"names": ["x" * 150] * (LARGEST // 100)})
    assert answer.status_code == 413
    assert not (folder / "yard.json").exists()


@pytest.mark.parametrize("body", [b"", b"{", b"[]", b'{"names": 3}', b'{"names": [], "x": 1}',
                                  b'{"names": [{}]}', b"\xff\xfe", b"[" * 5000])
def test_a_body_that_is_none_is_told(asked, body):
    answer = asked("POST", "/aside", content=body,
                   headers={"origin": f"http://{HOST}", "x-calib-token": asked.keys.token})
    assert answer.status_code == 422 and answer.json()["complaints"]


def test_a_full_disk_is_told_on_the_page(asked, monkeypatch):
    """Also where a file of the field is kept for a moment."""
    def full(*_):
        raise OSError(28, "No space left on device", "points.csv")

    monkeypatch.setattr("pathlib.Path.write_bytes", full)
    answer = asked("POST", "/file", content=b"points.csv\n1,2,3,4\n", headers={
        "origin": f"http://{HOST}", "x-calib-token": asked.keys.token})
    assert answer.status_code == 422
    assert answer.json()["complaints"] == ["points.csv: No space left on device"]


class TestShared:
    """From the local network only with the code, which works once."""

    @pytest.fixture
    def asked(self, folder):
        return Asked(folder, share=True)

    def enter(self, asked, code):
        return asked("POST", "/enter", host="192.0.2.7:8000", client="192.0.2.9",
                     content=f"code={code}", headers={"origin": "http://192.0.2.7:8000"})

    def test_nothing_is_shown_before(self, asked):
        for path in ("/", "/now", "/desk", "/result/report.html", "/static/yard.js"):
            answer = asked("GET", path, host="192.0.2.7:8000", client="192.0.2.9")
            assert answer.status_code == 303 and asked.keys.token not in answer.text

    def test_a_change_needs_it_too(self, asked):
        answer = asked.change("/aside", {"names": []}, host="192.0.2.7:8000", client="192.0.2.9",
                              headers={"origin": "http://192.0.2.7:8000"})
        assert answer.status_code == 403

    def test_the_code_lets_in_once(self, asked):
        code = asked.codes[-1]
        answer = self.enter(asked, code)
        cookie = answer.headers["set-cookie"]
        assert answer.status_code == 303 and "HttpOnly" in cookie and "samesite=strict" in \
            cookie.lower()
        shown = asked("GET", "/", host="192.0.2.7:8000", client="192.0.2.9",
                      headers={"cookie": cookie.split(";")[0]})
        assert shown.status_code == 200 and "Yard" in shown.text
        assert self.enter(asked, code).status_code == 403
        assert asked.codes[-1] != code

    def test_guessing_changes_the_code(self, asked):
        code = asked.codes[-1]
        for _ in range(MOST_WRONG):
            assert self.enter(asked, "00000000x").status_code == 403
        assert self.enter(asked, code).status_code == 403

    def test_this_machine_needs_none(self, asked):
        assert asked("GET", "/").status_code == 200


def test_a_visitor_from_the_network_is_not_let_in_unless_shared(folder):
    asked = Asked(folder)
    assert asked.keys.code is None and asked.keys.enter("") is None
