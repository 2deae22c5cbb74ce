"""What the booth answers: who may ask, plain refusals, sessions and readouts, recording."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from bench_sensor import BenchSensor
from booth_session import EVENTS, N_PAIRS, SENSOR, counts, make_session
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect

from capture.booth.app import build_app
from capture.booth.entrance.guard import SUBPROTOCOL
from capture.booth.readouts import Shelf, frame_bytes
from capture.booth.server import serve
from capture.store.session import read_session
from capture.wire.codec import CommandKind
from runtime.errors import UsageError

HOST = "127.0.0.1:8137"
OURS = {"origin": f"http://{HOST}"}
TOKEN = "a-token-for-the-tests"  # noqa: S105  # of the tests alone
ID = "sub-P01_ses-01_task-short"
LIVE = f"ws://{HOST}/live"
CUES = f"ws://{HOST}/cues"
ONE = f"/api/sessions/{ID}"


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("booth") / "set"
    make_session(root)
    return root


@pytest.fixture(scope="module")
def client(root: Path) -> Iterator[TestClient]:
    with TestClient(build_app(root, hosts=[HOST]), base_url=f"http://{HOST}") as client:
        yield client


@pytest.fixture(scope="module")
def locked(root: Path) -> Iterator[TestClient]:
    app = build_app(root, hosts=[HOST], token=TOKEN)
    with TestClient(app, base_url=f"http://{HOST}") as client:
        yield client


def refusal(reply: object, status: int) -> str:
    """Check that a reply is a plain refusal and return its line."""
    assert reply.status_code == status, reply.text
    assert reply.headers["content-type"] == "application/json"
    told = reply.json()
    assert list(told) == ["error"]
    assert told["error"].strip() and "\n" not in told["error"]
    return told["error"]


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:8137", "127.0.0.1", "127.0.0.1:1", f"{HOST}.evil.example", ""],
)
def test_another_host_is_refused(client: TestClient, host: str) -> None:
    """A name that DNS was made to point here does not open the booth, for any address of it."""
    for path in ("/", "/api/sessions", "/static/booth.css"):
        refusal(client.get(path, headers={"host": host}), 403)
    with (
        pytest.raises(WebSocketDisconnect),
        client.websocket_connect(LIVE, headers={"host": host, **OURS}),
    ):
        pass


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "http://127.0.0.1:1", f"https://{HOST}", None]
)
def test_a_post_from_another_page_is_refused(client: TestClient, origin: str | None) -> None:
    """Posts and web sockets need the booth's own Origin (RFC 6454); a foreign one never reads."""
    headers = {"origin": origin} if origin else {}
    for path in ("/api/check", "/api/recording", "/api/recording/wishes", f"{ONE}/edits"):
        refusal(client.post(path, json={}, headers=headers), 403)
    for path in (LIVE, CUES):
        with pytest.raises(WebSocketDisconnect), client.websocket_connect(path, headers=headers):
            pass
    if origin:
        refusal(client.get("/api/sessions", headers=headers), 403)


def test_a_request_across_sites_is_refused(client: TestClient) -> None:
    """What a browser marks as coming from another site (W3C Fetch Metadata) is refused."""
    refusal(client.get("/api/sessions", headers={"sec-fetch-site": "cross-site"}), 403)
    assert client.get("/api/sessions", headers={"sec-fetch-site": "none"}).status_code == 200


@pytest.mark.parametrize("given_token", [None, "", "wrong", TOKEN[:-1], TOKEN + "x", "\u00e4"])
def test_without_its_token_the_booth_gives_nothing(
    locked: TestClient, given_token: str | None
) -> None:
    """With a token set, no data is given without it; pages hold no data."""
    headers = {} if given_token is None else {"authorization": f"Bearer {given_token}".encode()}
    for path in ("/api/sessions", "/api/choices", f"{ONE}/frames?first=0&count=1"):
        refusal(locked.get(path, headers=headers), 401)
    refusal(locked.post("/api/recording", json={}, headers=headers | OURS), 401)
    for path in (LIVE, CUES):
        with pytest.raises(WebSocketDisconnect), locked.websocket_connect(path, headers=OURS):
            pass
    assert locked.get("/").status_code == 200


def test_with_its_token_the_booth_opens(locked: TestClient) -> None:
    """The token opens requests by their header and the web socket by its offers."""
    reply = locked.get("/api/sessions", headers={"authorization": f"Bearer {TOKEN}"})
    assert reply.status_code == 200
    offers = [SUBPROTOCOL, f"token.{TOKEN}"]
    with locked.websocket_connect(LIVE, subprotocols=offers, headers=OURS) as socket:
        assert socket.accepted_subprotocol == SUBPROTOCOL
        assert socket.receive_json()["state"] == "ready"
    with locked.websocket_connect(CUES, subprotocols=offers, headers=OURS) as socket:
        assert socket.receive_json() == {"state": "ready"}


@pytest.mark.parametrize(
    "path",
    ["/", "/participant", "/review", "/static/recording/record.js", "/api/sessions", "/none"],
)
def test_a_browser_may_load_nothing_from_elsewhere(client: TestClient, path: str) -> None:
    """Every reply carries a Content Security Policy that allows the booth's own files only."""
    headers = client.get(path).headers
    policy = dict(
        part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";")
    )
    assert policy.pop("default-src") == "'none'"
    assert set(policy.values()) <= {"'self'", "'none'"}
    assert policy["frame-ancestors"] == "'none'"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"


def test_pages_name_no_address_outside() -> None:
    """No page, script or style sheet holds an address of another host, nor code inside the page."""
    static = Path(__file__).parents[3] / "capture/booth/static"
    files = sorted(path for path in static.rglob("*") if path.is_file())
    assert len(files) >= 10
    for file in files:
        text = file.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "http:" not in text and "https:" not in text and 'src="//' not in text, file.name
        assert "<style" not in text and "onclick=" not in text, file.name


@pytest.mark.parametrize(
    "path",
    [
        "/api/sessions/..%2F..%2F..%2Fetc%2Fpasswd",
        "/api/sessions/sub-P01_ses-02_task-short",
        "/api/sessions/%00/energy",
        f"/api/sessions/{ID}.mcap/frames?first=0&count=1",
        "/static/..%2Fapp.py",
        "/static/../app.py",
        "/static/%2e%2e/%2e%2e/session.py",
        "/static/",
        "/nothing",
    ],
)
def test_what_is_not_listed_is_not_found(client: TestClient, path: str) -> None:
    """Names in a request are compared with the listing; none of them becomes a path."""
    refusal(client.get(path), 404)


@pytest.mark.parametrize(
    ("content", "kind", "status"),
    [
        (b"{" * 60_000, "application/json", 400),
        (b" " * 70_000, "application/json", 413),
        (b"\xff\xfe", "application/json", 400),
        (b"{}", "text/plain", 415),
        (b"[]", "application/json", 400),
        (b'{"labeller": 1}', "application/json", 400),
    ],
)
def test_a_wrong_body_is_one_plain_line(
    client: TestClient, content: bytes, kind: str, status: int
) -> None:
    """Too long, no JSON, another type: each is refused by one line of JSON."""
    for path in ("/api/check", "/api/recording", f"{ONE}/edits"):
        reply = client.post(path, content=content, headers=OURS | {"content-type": kind})
        refusal(reply, status)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=5,
)
FIELDS = ("labeller", "blind", "revision", "act", "row", "onset_s", "trial_type", "wish", "port")


@settings(
    max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(body=st.dictionaries(st.sampled_from(FIELDS), VALUES, max_size=8))
def test_any_body_ends_in_a_plain_refusal(client: TestClient, body: dict[str, object]) -> None:
    """JSON of any content is refused plainly and never makes the booth fail."""
    content = json.dumps(body)
    headers = OURS | {"content-type": "application/json"}
    for path in (f"{ONE}/edits", "/api/recording", "/api/recording/wishes"):
        refusal(client.post(path, content=content, headers=headers), 400)


def test_sessions_are_listed(client: TestClient) -> None:
    """The listing names each session; who reviews blind does not learn how takes were judged."""
    (entry,) = client.get("/api/sessions").json()["sessions"]
    assert (entry["id"], entry["participant"], entry["task"]) == (ID, "P01", "short")
    assert (entry["n_takes"], entry["n_rejected"]) == (4, 1)
    (entry,) = client.get("/api/sessions?blind=yes").json()["sessions"]
    assert set(entry) == {"id", "participant", "session", "task"}


def test_energy_is_the_change_of_lit_minus_dark(client: TestClient) -> None:
    """The time line is, for each frame pair, the sum of absolute changes since the one before."""
    content = client.get(f"{ONE}/energy").content
    time_s = np.frombuffer(content, "<f8", N_PAIRS)
    energy = np.frombuffer(content, "<f4", N_PAIRS, 8 * N_PAIRS)
    assert time_s == pytest.approx(np.arange(N_PAIRS) / 30.0, abs=2e-6)
    before = None
    for sequence, value in enumerate(energy):
        lit, dark = counts(sequence)
        now = lit.astype(int) - dark
        assert value == np.abs(now - (now if before is None else before)).sum()
        before = now
    assert client.get(ONE).json()["duration_s"] == pytest.approx(10.0)


@pytest.mark.parametrize(("first", "count"), [(0, 3), (77, 64), (300, 64), (63, 2)])
def test_frame_pairs_come_from_any_place(client: TestClient, first: int, count: int) -> None:
    """Frame pairs are given raw from any index on, as many as there are."""
    content = client.get(f"{ONE}/frames?first={first}&count={count}").content
    pairs = np.frombuffer(content, "<u2").reshape(-1, 2, SENSOR.n_rows, SENSOR.n_cols)
    assert len(pairs) == min(count, N_PAIRS - first)
    for sequence, pair in enumerate(pairs, start=first):
        assert np.array_equal(pair, np.stack(counts(sequence)))


@pytest.mark.parametrize("query", ["", "first=-1&count=1", "first=301&count=1", "first=0&count=0",
                                   "first=1e3&count=1", "first=9999999999999&count=1"])  # fmt: skip
def test_frame_pairs_that_are_not_there_are_refused(client: TestClient, query: str) -> None:
    """An index outside the session is refused in one line."""
    refusal(client.get(f"{ONE}/frames?{query}"), 400)


def test_a_shelf_notices_another_file(tmp_path: Path) -> None:
    """A session is read anew when its file changed, and let go when it is no longer there."""
    path = make_session(tmp_path / "set")
    shelf = Shelf()
    known = shelf.get(path)
    assert shelf.get(path) is known
    path.write_bytes(path.read_bytes())
    assert shelf.get(path) is not known
    shelf.keep_only([])
    assert shelf.get(path) is not known
    assert frame_bytes(known, 0, 1) == b"".join(part.tobytes() for part in counts(0))


def test_the_same_edit_twice_is_a_conflict(tmp_path: Path) -> None:
    """An edit at an old revision is answered by 409 and leaves the labels as they are."""
    path = make_session(tmp_path / "set")
    with TestClient(build_app(tmp_path / "set", hosts=[HOST]), base_url=f"http://{HOST}") as client:
        labels = client.get(f"{ONE}/labels?labeller=L1&blind=no").json()
        body = {"labeller": "L1", "blind": False, "revision": labels["revision"], "act": "change"}
        body |= {"row": 0, "trial_type": "push"}
        reply = client.post(f"{ONE}/edits", json=body, headers=OURS)
        assert reply.status_code == 200
        assert reply.json()["events"][0]["trial_type"] == "push"
        refusal(client.post(f"{ONE}/edits", json=body, headers=OURS), 409)
    assert [event.trial_type for event in read_session(path).events] == [
        "push", *(event.trial_type for event in EVENTS[1:])
    ]  # fmt: skip


def test_blind_replies_hold_no_first_label(client: TestClient) -> None:
    """Nothing that a blind page is sent tells a first label, a refined end or a reason."""
    text = client.get(f"{ONE}/labels?labeller=L2&blind=yes").text
    assert "unlabelled" in text
    for secret in ("swipe_left", "push", "idle", "paused", "rejected", "1.2", "5.1", "energy"):
        assert secret not in text


WANTED = {"participant": "P05", "consent": True, "script": "dynamic", "seed": 1, "port": "COM_none"}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"consent": False}, "consent is not given"),
        ({"participant": "../P05"}, "pseudonym"),
        ({"participant": "Ann Smith"}, "pseudonym"),
        ({"script": "/etc/passwd"}, "script is '/etc/passwd'"),
        ({"port": "spy:///dev/null?file=/tmp/x"}, "port"),
        ({"port": " ALT://x?class=os.system"}, "port"),
        ({"port": "x\ny"}, "port"),
        ({"seed": -1}, "seed"),
        ({"hand_length_mm": 0}, "hand_length_mm"),
        ({"distance_mm": 5}, "distance_mm"),
        ({"handedness": "both"}, "handedness"),
        ({"more": 1}, "more"),
    ],
)
def test_a_recording_needs_a_whole_form(
    client: TestClient, root: Path, change: dict[str, object], words: str
) -> None:
    """Without consent, or with a wrong value, nothing is recorded and no row is written."""
    before = sorted(root.rglob("*"))
    for path in ("/api/check", "/api/recording"):
        reply = client.post(path, json=WANTED | change, headers=OURS)
        assert words in refusal(reply, 400)
    assert sorted(root.rglob("*")) == before
    refusal(client.post("/api/recording/wishes", json={"wish": "stop"}, headers=OURS), 400)


def test_a_port_that_is_not_there_is_told_to_the_page(client: TestClient, root: Path) -> None:
    """A recording that cannot begin ends in the state failed, with one plain line."""
    with client.websocket_connect(LIVE, headers=OURS) as socket:
        socket.receive_json()
        assert client.post("/api/recording", json=WANTED, headers=OURS).status_code == 202
        states = []
        give_up = time.monotonic() + 20.0
        while not states or states[-1]["state"] != "failed":
            assert time.monotonic() < give_up
            states.append(socket.receive_json())
    assert "the port is not open" in states[-1]["error"]
    assert "\n" not in states[-1]["error"]
    assert not list(root.rglob("*P05*"))


def test_checks_that_nobody_watches_end(
    tmp_path: Path, bench_sensor: BenchSensor, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without an open window the sensor is stopped after a while, and the next may begin."""
    monkeypatch.setattr("capture.booth.recording.desk._UNSEEN_S", 0.3)
    wanted = WANTED | {"port": bench_sensor.url}
    app = build_app(tmp_path / "set", hosts=[HOST])
    with TestClient(app, base_url=f"http://{HOST}") as client:
        for _ in range(2):
            assert client.post("/api/check", json=wanted, headers=OURS).status_code == 202
            refusal(client.post("/api/check", json=wanted, headers=OURS), 400)
            give_up = time.monotonic() + 20.0
            while app.state.desk.busy:
                assert time.monotonic() < give_up
                time.sleep(0.05)
            assert app.state.desk.state == {"state": "ready"}
    assert bench_sensor.commands[-1].kind == CommandKind.STOP
    assert not list((tmp_path / "set").rglob("*P05*"))


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"listen": "0.0.0.0:1"}, "one address of this machine"),
        ({"listen": "[::]:1"}, "one address of this machine"),
        ({"listen": "example.org:80"}, "an IP address"),
        ({"listen": "127.0.0.1"}, "such as 127.0.0.1:8137"),
        ({"listen": "127.0.0.1:65536"}, "such as 127.0.0.1:8137"),
        ({"listen": "192.0.2.1:8137"}, "a free one"),
        ({"token": "short"}, "16 to 128"),
        ({"token": "with spaces in between"}, "16 to 128"),
    ],
)
def test_an_address_or_token_that_cannot_be_used_is_refused(
    tmp_path: Path, more: dict[str, str], words: str
) -> None:
    """A wild address, a busy one or a weak token ends the command in one line."""
    with pytest.raises(UsageError) as error:
        serve(tmp_path / "set", **more)
    assert words in str(error.value)


def test_an_address_that_others_reach_gets_a_token(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beyond loopback the booth makes up a token, another one each time, and prints it."""
    monkeypatch.setattr("capture.booth.server._is_loopback", lambda host: False)
    monkeypatch.setattr("uvicorn.Server.run", lambda server, sockets: None)
    told: list[str] = []
    for _ in range(2):
        serve(tmp_path / "set", listen="127.0.0.1:0", ready=told.append)
    tokens = {line.partition("#token=")[2] for line in told}
    assert len(tokens) == 2
    assert all(len(token) >= 32 for token in tokens)
