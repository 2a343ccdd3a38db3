"""The local page: who is let in, and how the command begins and ends."""

from __future__ import annotations

import re
import signal
from importlib import resources
from pathlib import Path

import httpx
import numpy as np
import pytest
from typer.testing import CliRunner

from calib.cli import app
from calib.cli.running import Exit
from calib.errors import CalibError
from calib.page.app import make_app
from calib.page.opened import Opened
from calib.scan import Scan
from tests.browser import served
from tests.instruments import calibrated
from tests.pages import HERE, PORT, TOKEN, Client, client_of

FILES = [path for path in resources.files("calib.page").joinpath("files").iterdir() if path.name != "page.html"]


@pytest.fixture(scope="module")
def opened() -> Opened:
    heights = np.random.default_rng(0).normal(0, 1e-9, (2, 20, 30))
    scan = Scan(
        channels={"height": heights},
        fast=np.linspace(-1e-6, 1e-6, 30),
        slow=np.linspace(-1e-6, 1e-6, 20),
        passes=("trace", "retrace"),
    )
    return Opened("one.nc", scan)


@pytest.fixture(scope="module")
def client(opened: Opened) -> Client:
    return client_of(opened)


# --- who is let in ---------------------------------------------------------------------------------


def stranger(opened: Opened) -> Client:
    return Client(make_app([opened], TOKEN, PORT))


PLACES = ("/", "/files/page.js", "/api/scans", "/api/scan/0/picture", "/api/scan/0/export/points.csv", "/nowhere")


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("token", [None, "", TOKEN[:-1], TOKEN + "x", "ä"])
def test_without_the_token_nothing_is_told(opened: Opened, place: str, token: str | None) -> None:
    client = stranger(opened)
    assert client.get(place, params={} if token is None else {"token": token}).status_code == 403
    if token is not None:
        headers = {"Cookie": f"calib_{PORT}={token}".encode()}
        assert client.get(place, headers=headers).status_code == 403
    assert client.post("/api/scan/0/points", json={}, headers={"Origin": HERE}).status_code == 403


def test_token_in_the_address_becomes_a_cookie(opened: Opened) -> None:
    client = stranger(opened)
    answer = client.get("/", params={"token": TOKEN})
    assert answer.status_code == 303
    assert answer.headers["location"] == "/"
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert client.get("/").status_code == 200  # by the cookie from here on


def test_the_way_to_the_cookie_leads_nowhere_else(opened: Opened) -> None:
    answer = stranger(opened).get("//elsewhere.example/x", params={"token": TOKEN, "a": "1"})
    assert answer.headers["location"] == "/elsewhere.example/x?a=1" or answer.headers["location"].startswith("/")
    assert not answer.headers["location"].startswith("//")


@pytest.mark.parametrize("host", ["elsewhere.example", f"elsewhere.example:{PORT}", "127.0.0.1", "127.0.0.1:1", ""])
def test_other_names_of_the_host_are_refused(client: Client, host: str) -> None:
    assert client.get("/", headers={"Host": host}).status_code == 403


@pytest.mark.parametrize("origin", [None, "null", "http://elsewhere.example", f"https://127.0.0.1:{PORT}", HERE + "0"])
def test_only_the_page_itself_may_post(client: Client, origin: str | None) -> None:
    headers = {} if origin is None else {"Origin": origin}
    assert client.post("/api/scan/0/points", json={}, headers=headers).status_code == 403


def test_long_questions_are_refused(client: Client) -> None:
    answer = client.post("/api/scan/0/points", content=b"x" * 70_000, headers={"Origin": HERE})
    assert answer.status_code == 413


@pytest.mark.parametrize("place", PLACES)
def test_every_answer_forbids_what_is_foreign(client: Client, place: str) -> None:
    policy = client.get(place).headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy
    assert "frame-ancestors 'none'" in policy


@pytest.mark.parametrize(
    "path",
    [
        "/files/../app.py",
        "/files/%2e%2e/app.py",
        "/files/..%2fapp.py",
        "/files/..%5capp.py",
        "/files/%2fetc%2fpasswd",
        "/files//etc/passwd",
        "/files/page.html%00.js",
        "/files/app.py",
        "/../../../../etc/passwd",
        "/api/scan/0/export/..%2f..%2f..%2fetc%2fpasswd",
        "/api/scan/0/../../../../etc/passwd",
        "/api/scan/..%2f0/picture",
        "/api/scan/99/picture",
        "/api/scan/-1/picture",
    ],
)
def test_no_other_file_is_read(client: Client, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code in (404, 422)
    assert "root:" not in answer.text
    assert "import" not in answer.text


def test_page_fetches_nothing_from_elsewhere(client: Client) -> None:
    for name in ("/", *(f"/files/{path.name}" for path in FILES)):
        text = client.get(name).text.replace("http://www.w3.org/2000/svg", "")  # a name, which nobody fetches
        assert "http:" not in text
        assert "https:" not in text
        assert "url(" not in text
        assert "@import" not in text
        assert "innerHTML" not in text
        assert "insertAdjacentHTML" not in text


@pytest.mark.parametrize("place", PLACES)
def test_no_other_page_may_read_an_answer(client: Client, place: str) -> None:
    for answer in (
        client.get(place, headers={"Origin": "http://elsewhere.example"}),
        client._ask("OPTIONS", place, headers={"Origin": "http://elsewhere.example"}),
    ):
        assert not [name for name in answer.headers if name.startswith("access-control-")]


def test_page_has_no_script_or_style_of_its_own(client: Client) -> None:
    text = client.get("/").text
    assert re.findall(r"<script[^>]*>(.*?)</script>", text, re.DOTALL) == [""]
    assert "<style" not in text
    assert not re.search(r"\s(on\w+|style)=", text)


def test_tokens_are_compared_in_constant_time(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    compared = []

    def compare(one: bytes, other: bytes) -> bool:
        compared.append((one, other))
        return one == other

    monkeypatch.setattr("calib.page.guard.hmac.compare_digest", compare)
    assert stranger(opened).get("/", params={"token": "wrong"}).status_code == 403
    assert (b"wrong", TOKEN.encode()) in compared


def test_links_beside_the_files_of_the_page_lead_nowhere(
    opened: Opened, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "files").mkdir()
    (tmp_path / "secret").write_text("secret")
    (tmp_path / "files" / "link.js").symlink_to(tmp_path / "secret")
    monkeypatch.setattr("calib.page.app.resources.files", lambda _: tmp_path)
    assert client_of(opened).get("/files/link.js").status_code == 404


# --- the command -----------------------------------------------------------------------------------


def run(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(app, ["view", *words, "--no-browser"])
    return done.exit_code, done.output


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from calib.formats import write_scan

    instrument, model = calibrated()
    scan = instrument.standard_session()[0].scan
    folder = tmp_path_factory.mktemp("view")
    write_scan(folder / "one.nc", scan)
    write_scan(folder / "other.nc", scan.replace(scanner="another one"))
    model.save(folder / "model.json")
    (folder / "no.nc").write_bytes(b"nothing of the kind")
    return folder


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("no.nc",), "no.nc"),
        (("missing.nc",), "missing.nc"),
        (("other.nc", "--model", "model.json"), "another one"),
        (("one.nc", "--standard", "nowhere"), "nowhere"),
        (("one.nc", "--turned", "90"), "unit"),
    ],
)
def test_bad_input_gets_one_sentence(
    files: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], said: str
) -> None:
    monkeypatch.chdir(files)
    code, output = run(*words)
    assert code == Exit.UNUSABLE
    assert said in output
    assert len(output.strip().splitlines()) == 1


def test_missing_library_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    from calib.page import serving

    def nothing(name: str) -> None:
        return None

    monkeypatch.setattr("importlib.util.find_spec", nothing)
    with pytest.raises(CalibError, match=r"calib-raster\[view\]"):
        serving.check_installed()


def test_page_is_served_until_stopped_to_this_machine_only(files: Path) -> None:
    with served(str(files / "one.nc")) as (address, process):
        port = httpx.URL(address).port
        assert httpx.get(f"http://127.0.0.1:{port}/").status_code == 403
        with httpx.Client(follow_redirects=True) as client:
            assert "calib view" in client.get(address).text
            assert client.get(f"http://127.0.0.1:{port}/api/scans").json()["scans"][0]["name"] == "one.nc"
        tables = [Path(f"/proc/net/{name}") for name in ("tcp", "tcp6")]
        for line in "".join(table.read_text() for table in tables if table.exists()).splitlines():
            parts = line.split()
            if len(parts) > 3 and parts[3] == "0A" and parts[1].endswith(f":{port:04X}"):
                assert parts[1].split(":")[0] == "0100007F"  # 127.0.0.1
        code, output = run(str(files / "one.nc"), "--port", str(port))
        assert code == Exit.UNUSABLE
        assert f"Port {port}" in output
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=20)
    assert process.returncode == Exit.FINE
    assert "has ended" in out
    assert err == ""
