"""Pages that want a login: who gets in, to what, for how long; what is refused, and that it is logged."""

import asyncio
import socket
import ssl
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path

import pytest

from commands import jobs, steadypoint
from login_bench import PASSWORDS, Locked, Visitor, locked
from meterlink.access.gate import Gate
from meterlink.access.hasher import Argon2Hasher
from meterlink.access.journal import Journal
from meterlink.access.session import LONGEST_S
from meterlink.access.store import access_store
from meterlink.errors import UsageError
from meterlink.web import guard, listener
from meterlink.web.guard import TOKEN_HEADER, is_odd
from meterlink.web.policy import content_policy
from meterlink.web.server import Admission, Place, Tls, serving, take_place
from meterlink.web.stage import Stage
from meterlink.web.technician import TechnicianPage
from waiting import PATIENCE_S

READ = [
    "/events",
    "/picture.svg",
    "/tones/pass.wav",
    "/offer",
    "/meters",
    "/session",
    "/nowhere",
]
CHANGED = ["/answer", "/note", "/photo", "/jumper", "/start", "/again", "/stop"]


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Locked]:
    with locked(tmp_path_factory.mktemp("plain")) as plain:
        yield plain


@pytest.fixture(scope="module")
def encrypted(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Locked]:
    with locked(tmp_path_factory.mktemp("encrypted"), encrypted=True) as encrypted:
        yield encrypted


@pytest.fixture(scope="module")
def fitter(plain: Locked) -> Visitor:
    return plain.visitor().log_in("fitter")


def test_without_a_login_there_is_the_way_in_and_nothing_else(plain: Locked) -> None:
    stranger = plain.visitor()
    for path in READ:
        assert stranger.get(path).status == 401, path
    for path in CHANGED:
        assert stranger.send(path, {}).status == 403, path  # without the page's token: refused even before that
    for path in ("/", "/audit", "/office"):
        answer = stranger.get(path)
        assert (answer.status, answer.headers["Location"]) == (303, "/login"), path
    assert stranger.get("/audit/20261127-abcd", {"Sec-Fetch-Mode": "navigate"}).headers["Location"] == "/login"
    for path in ("/login", "/static/technician.css", "/static/login.css", "/static/icon.svg"):
        assert stranger.get(path).status == 200, path
    assert len(plain.logged("refused")) >= len(READ) + len(CHANGED)


def test_whoever_is_in_gets_the_pages(fitter: Visitor) -> None:
    assert fitter.get("/").status == 200
    assert fitter.get("/session").text == '{"who":"fitter","role":"technician"}'
    assert fitter.get("/static/technician.js").status == 200
    assert fitter.send("/note", {"text": "a word"}).status == 409  # no check is running: it came through
    page = fitter.get("/login").text
    assert "Logged in as <b>fitter</b>, technician." in page


def test_the_cookie_is_kept_from_script_from_other_sites_and_from_the_clear(plain: Locked, encrypted: Locked) -> None:
    fields = {"name": "fitter", "password": PASSWORDS["fitter"][1]}
    given = encrypted.visitor().form("/login", fields).headers["Set-Cookie"]
    name, _, attributes = given.partition("=")
    assert name == "__Host-steadypoint"
    token, *said = attributes.split("; ")
    assert len(token) == 43
    assert set(said) == {"HttpOnly", "Secure", "SameSite=strict", "Path=/", f"Max-Age={int(LONGEST_S)}"}
    given = plain.visitor().form("/login", fields).headers["Set-Cookie"]
    assert given.startswith("steadypoint=")
    assert "Secure" not in given
    assert "HttpOnly" in given
    assert "SameSite=strict" in given


def test_a_session_that_was_planted_is_not_gone_on_with(plain: Locked) -> None:
    visitor = plain.visitor()
    visitor.cookies["steadypoint"] = "planted"
    assert visitor.get("/offer").status == 401
    visitor.form("/login", {"name": "lead", "password": PASSWORDS["lead"][1]})
    first = visitor.cookies["steadypoint"]
    assert first != "planted"
    planted = plain.visitor()
    planted.cookies["steadypoint"] = "planted"
    assert planted.get("/offer").status == 401
    visitor.form("/login", {"name": "lead", "password": PASSWORDS["lead"][1]})
    assert visitor.cookies["steadypoint"] != first
    planted.cookies["steadypoint"] = first
    assert planted.get("/offer").status == 401
    assert visitor.get("/offer").status == 200


def test_logging_out_ends_the_session_for_whoever_has_its_cookie(plain: Locked) -> None:
    visitor = plain.visitor().log_in("lead")
    copied = plain.visitor()
    copied.cookies |= visitor.cookies
    assert copied.get("/offer").status == 200
    answer = visitor.form("/logout", {})
    assert (answer.status, answer.headers["Location"]) == (303, "/login")
    assert visitor.cookies == {}
    assert copied.get("/offer").status == 401


def test_a_stream_ends_with_its_session(tmp_path: Path) -> None:
    def removed(_: Visitor) -> None:
        assert steadypoint(tmp_path, "account", "remove", "reviewer").returncode == 0

    def changed(_: Visitor) -> None:
        new = ("account", "password", "lead", "--password-file", "-")
        assert steadypoint(tmp_path, *new, stdin="another set of words").returncode == 0

    ends: dict[str, Callable[[Visitor], object]] = {
        "fitter": lambda visitor: visitor.form("/logout", {}),
        "reviewer": removed,
        "lead": changed,
    }
    with locked(tmp_path) as pages:
        for name, end in ends.items():
            visitor = pages.visitor().log_in(name)
            watching = pages.visitor()
            watching.cookies |= visitor.cookies
            with watching.ask("GET", "/events") as stream:
                assert stream.status == 200
                end(visitor)
                stream.read()  # to its end: it would go on for ever
            assert watching.get("/events").status == 401


def test_each_role_changes_what_is_its_own(plain: Locked) -> None:
    for name in ("lead", "reviewer"):
        visitor = plain.visitor().log_in(name)
        assert visitor.get("/offer").status == 200
        before = len(plain.logged("refused"))
        for path in CHANGED:
            answer = visitor.send(path, {"text": "a word"})
            assert (answer.status, answer.text) == (403, f"This is not for the role {PASSWORDS[name][0]}.")
        refused = plain.logged("refused")[before:]
        assert [(each["who"], each["path"]) for each in refused] == [(name, path) for path in CHANGED]
    technician = plain.visitor().log_in("fitter")
    assert technician.get("/office/events").status == 403
    assert plain.visitor().log_in("lead").get("/office/events").status == 404  # there is none here


def test_a_wrong_password_and_a_wrong_name_get_the_same_page(plain: Locked) -> None:
    answers = [
        plain.visitor().form("/login", {"name": name, "password": "wrong"})
        for name in ("reviewer", "nobody-x", "<script>alert(1)</script>", "x" * 60)
    ]
    assert {answer.status for answer in answers} == {401}
    assert len({answer.text for answer in answers}) == 1
    assert "<script" not in answers[0].text
    assert plain.logged("login-refused")[-1]["who"] is None


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        (b"", "application/x-www-form-urlencoded"),
        (b"name=lead", "application/x-www-form-urlencoded"),
        (b"name=%ff&password=x", "text/plain"),
        (b"\xff\xfe", "application/x-www-form-urlencoded"),
        (b"&".join(b"a=1" for _ in range(1000)), "application/x-www-form-urlencoded"),
        (b"name=lead&password=" + b"x" * 10_000, "application/x-www-form-urlencoded"),
        (b'{"name": "lead"}', "application/json"),
        (b"--x\r\n", "multipart/form-data; boundary=x"),
    ],
)
def test_what_is_no_login_is_refused_in_words(body: bytes, kind: str, plain: Locked) -> None:
    with plain.visitor().ask("POST", "/login", body, {"Origin": plain.origin, "Content-Type": kind}) as answer:
        assert answer.status == 400
        assert b"Name and password are needed." in answer.read()


def test_guessing_is_stopped_and_logged(tmp_path: Path) -> None:
    with locked(tmp_path) as pages:
        refused = 0
        while (guess := pages.visitor().form("/login", {"name": "lead", "password": f"guess {refused}"})).status == 401:
            refused += 1
            assert refused < 12  # five, or more where a machine is so busy that a guess takes 2 s
        assert guess.status == 429
        assert refused >= 5
        assert 1 <= int(guess.headers["Retry-After"]) <= 2 << (refused - 5)
        assert f"Too many tries. Wait {guess.headers['Retry-After']} s, then try again." in guess.text
        right = pages.visitor().form("/login", {"name": "lead", "password": PASSWORDS["lead"][1]})
        assert right.status == 429
        pages.visitor().log_in("fitter")  # nobody else is held up
        assert len(pages.logged("login-refused")) == refused
        assert len(pages.logged("login-locked-out")) == 2
        assert "guess" not in (tmp_path / "access.log").read_text(encoding="utf-8")


def test_a_phone_s_code_lets_one_in_once(plain: Locked) -> None:
    made = steadypoint(plain.home, "enrol", "phone-1", "--only", "phone")
    opens = made.stdout.split()[-1]
    assert opens.startswith(plain.served.url)  # of the page that was served last
    path = opens.removeprefix(plain.origin)
    token = path.partition("ticket=")[2]
    phone = plain.visitor()
    for _ in range(2):  # a look takes nothing
        page = phone.get(path)
        assert page.status == 200
        assert "<b>phone-1</b>, technician" in page.text
    assert phone.form("/enter", {"ticket": token}).status == 303
    assert phone.get("/session").text == '{"who":"phone-1","role":"technician"}'
    assert phone.get(path).status == 403
    second = plain.visitor().form("/enter", {"ticket": token})
    assert second.status == 403
    assert "This code has been used or is too old." in second.text
    assert token not in (plain.home / "access.log").read_text(encoding="utf-8")
    assert steadypoint(plain.home, "enrol", "phone-1", "--revoke").returncode == 0
    assert phone.get("/session").status == 401


def test_a_ticket_is_text_on_the_page(plain: Locked) -> None:
    page = plain.visitor().get("/enter?ticket=%22%3E%3Cscript%3Ealert(1)%3C/script%3E")
    assert page.status == 403
    assert "<script" not in page.text


@pytest.mark.parametrize("path", ["/login", "/logout", "/enter", *CHANGED])
@pytest.mark.parametrize(
    "lie",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "https://127.0.0.1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_forged_request_changes_nothing_even_with_the_cookie(
    path: str, lie: dict[str, str], plain: Locked, fitter: Visitor
) -> None:
    before = len(plain.logged("refused"))
    fields = {"name": "lead", "password": PASSWORDS["lead"][1], "text": "forged"}
    assert fitter.form(path, fields, {TOKEN_HEADER: fitter.token} | lie).status == 403
    assert fitter.get("/session").status == 200  # still in, and still who it was
    assert len(plain.logged("refused")) == before + 1
    assert jobs(plain.home) == []


def test_a_form_without_an_origin_is_none_of_a_browser_s(plain: Locked) -> None:
    with plain.visitor().ask(
        "POST", "/login", b"name=lead&password=x", {"Content-Type": "application/x-www-form-urlencoded"}
    ) as answer:
        assert answer.status == 403


def test_every_answer_forbids_what_its_page_does_not_need(plain: Locked, fitter: Visitor) -> None:
    for path in ("/", "/login", "/enter", "/offer", "/session", "/picture.svg", "/static/link.js", "/nowhere"):
        headers = fitter.get(path).headers
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert headers["X-Frame-Options"] == "DENY"
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] in ("no-referrer", "same-origin")
        assert headers["Cache-Control"] in ("no-store", "no-cache")
    assert "form-action 'self'" in plain.visitor().get("/login").headers["Content-Security-Policy"]
    assert "form-action 'none'" in fitter.get("/").headers["Content-Security-Policy"]


def test_a_page_may_add_what_it_needs_but_no_script_of_another_s_making() -> None:
    assert "style-src 'self' 'unsafe-inline'" in content_policy(style_src=["'unsafe-inline'"])
    assert "trusted-types chart" in content_policy(trusted_types=["chart"])
    assert "worker-src blob:" in content_policy(worker_src=["blob:"])
    for wrong in ("'unsafe-inline'", "'unsafe-eval'", "*", "data:", "https:"):
        with pytest.raises(ValueError, match="script-src"):
            content_policy(script_src=[wrong])
    with pytest.raises(ValueError, match="frame-ancestors"):
        content_policy(frame_ancestors=["*"])


def raw(port: int, request: bytes, source: str = "127.0.0.1") -> bytes:
    """Send bytes as they are, and read to the end."""
    with socket.create_connection(("127.0.0.1", port), 20, (source, 0)) as link:
        answer = b""
        try:
            link.sendall(request)
            while chunk := link.recv(65536):
                answer += chunk
        except (ConnectionResetError, BrokenPipeError):
            pass
        return answer


TRAVERSALS = [
    "/static/../server.py",
    "/static/../../../pyproject.toml",
    "/static/%2e%2e/server.py",
    "/static/%2e%2e%2fserver.py",
    "/static/..%2fserver.py",
    "/static/%252e%252e%252fserver.py",
    "/static/..%5cserver.py",
    "/static/..\\server.py",
    "/static/%5c..%5cserver.py",
    "/static/....//server.py",
    "/static//etc/passwd",
    "/static/%2fetc%2fpasswd",
    "/static/technician.js%00.png",
    "/static/%00",
    "/static/./technician.js",
    "/static/%c0%ae%c0%ae/server.py",
    "/tones/..%2f..%2fserver.wav",
    "/tones/%00.wav",
    "/photo/..%2f..%2fdevice-key.pem",
    "/photos/../device-key.pem",
    "/../../etc/passwd",
    "//evil.example/%2e%2e",
    "/%0d%0aSet-Cookie:%20steadypoint=planted",
]


@pytest.mark.parametrize("path", TRAVERSALS)
def test_no_path_leads_out_of_what_is_served(path: str, plain: Locked, fitter: Visitor) -> None:
    before = len(plain.logged("refused"))
    cookie = f"steadypoint={fitter.cookies['steadypoint']}"
    answer = raw(plain.served.port, head_of(plain.served.port, path=path, cookie=cookie))
    status, _, rest = answer.partition(b"\r\n")
    assert status.split()[1] in (b"400", b"403", b"404"), answer
    assert b"Set-Cookie" not in rest
    for secret in (b"root:", b"import asyncio", b"[project]", b"PRIVATE KEY"):
        assert secret not in rest
    assert len(plain.logged()) > before
    assert len(plain.logged("refused")) == before + 1


def test_ordinary_paths_are_not_odd() -> None:
    for path in ("/", "/static/technician.js", "/tones/pass.wav", "/office/crew-1/note", "/jobs/20261127-abcd", "/Ü"):
        assert not is_odd(path)


def head_of(port: int, method: str = "GET", path: str = "/login", **headers: str) -> bytes:
    lines = [f"{method} {path} HTTP/1.1", f"Host: {headers.pop('host', f'127.0.0.1:{port}')}"]
    lines += [f"{name.replace('_', '-')}: {value}" for name, value in headers.items()]
    return ("\r\n".join(lines) + "\r\nConnection: close\r\n\r\n").encode("latin-1")


@pytest.mark.parametrize(
    ("made", "status", "what"),
    [
        (lambda port: head_of(port, host=f"evil.example:{port}"), b"421", "refused"),
        (lambda port: head_of(port, host=""), b"421", "refused"),
        (lambda port: head_of(port, host=f"127.0.0.1.evil.example:{port}"), b"421", "refused"),
        (lambda port: head_of(port, host=f"10.1.2.3:{port}"), b"421", "refused"),
        (lambda port: head_of(port).replace(b"Host: ", b"Host: evil.example\r\nHost: "), b"400", "malformed-request"),
        (lambda port: head_of(port, x="y" * 50_000), b"431", "refused"),
        (lambda port: head_of(port, path="/" + "x" * 50_000), b"431", "refused"),
        (lambda port: b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(200), b"400", "malformed-request"),
        (lambda port: b"GET / HTTP/1.1\r\nHost : x\r\n\r\n", b"400", "malformed-request"),
        (lambda port: head_of(port, "POST", transfer_encoding="chunked", content_length="5"), b"403", "refused"),
        (lambda port: head_of(port, upgrade="websocket", sec_websocket_version="13"), b"400", "refused"),
        (lambda port: head_of(port, "PUT"), b"405", "refused"),
        (lambda port: head_of(port, "DELETE"), b"405", "refused"),
        (lambda port: head_of(port, "OPTIONS"), b"405", "refused"),
        (lambda port: head_of(port, "TRACE"), b"405", "refused"),
        (lambda port: head_of(port, "PATCH", "/note"), b"405", "refused"),
        (lambda port: head_of(port, "CONNECT", "127.0.0.1:22"), b"405", "refused"),
        (lambda port: head_of(port, "POST", "/session", origin=f"http://127.0.0.1:{port}"), b"403", "refused"),
        (lambda port: head_of(port, path="/offer", x_forwarded_for="10.9.9.9"), b"401", "refused"),
        (lambda port: head_of(port, path="/offer", cookie="steadypoint=" + "x" * 10_000), b"401", "refused"),
        (lambda port: head_of(port, path="/offer", cookie="steadypoint=\xff\xfe; =;;; x"), b"401", "refused"),
    ],
)
def test_what_no_browser_of_ours_sends_is_refused_and_logged(
    made: Callable[[int], bytes], status: bytes, what: str, *, plain: Locked, fitter: Visitor
) -> None:
    before = len(plain.logged())
    answer = raw(plain.served.port, made(plain.served.port))
    assert answer.split()[1] == status, answer[:300]
    (line,) = plain.logged()[before:]
    assert line["address"] == "127.0.0.1"
    assert line["what"] == what
    assert fitter.get("/session").status == 200


def test_a_flood_of_headers_is_cut_off(plain: Locked, fitter: Visitor) -> None:
    before = len(plain.logged())
    answer = raw(plain.served.port, head_of(plain.served.port, x="y" * 50_000_000))
    assert not answer or answer.startswith(b"HTTP/1.1 400")
    assert [line["what"] for line in plain.logged()[before:]] == ["malformed-request"]
    assert fitter.get("/session").status == 200


def test_too_large_a_body_is_refused_unread(plain: Locked, fitter: Visitor) -> None:
    for path, most in (("/note", 20_000), ("/answer", 20_000), ("/login", 20_000)):
        send = fitter.form if path == "/login" else fitter.send
        assert send(path, {"text": "x" * most}).status == 400, path
    photo = fitter.send("/photo", bytes(40 * 2**20), {"Content-Type": "image/jpeg"})
    assert photo.status == 409  # no check is running: refused before its first byte is read
    assert not (plain.home / "photos").exists()


@asynccontextmanager
async def served_here(folder: Path) -> AsyncIterator[tuple[Place, Journal]]:
    """Serve pages from this very process, so that times can be shortened."""
    stage = Stage()
    journal = Journal(folder / "access.log")
    place = take_place("127.0.0.1", 0, open_to_all=False)
    with access_store(folder) as store:
        admission = Admission(journal, Gate(store, Argon2Hasher(), journal))
        async with serving(place, stage, TechnicianPage(stage, folder).routes, admission):
            yield place, journal


async def answered(port: int, request: bytes) -> bytes:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(request)
    answer = await asyncio.wait_for(reader.read(), PATIENCE_S)
    writer.close()
    return answer


async def test_whoever_asks_a_byte_at_a_time_is_cut_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listener, "HEAD_S", 0.5)
    async with served_here(tmp_path) as (place, _):
        reader, writer = await asyncio.open_connection("127.0.0.1", place.port)
        for byte in head_of(place.port, x="y" * 1000):
            writer.write(bytes([byte]))
            await asyncio.sleep(0.05)
            if reader.at_eof() or reader.exception() is not None:  # the end, or a reset where a byte lay unread
                break
        else:
            raise AssertionError("it was let send its whole request")
        writer.close()
        idle, idle_writer = await asyncio.open_connection("127.0.0.1", place.port)
        assert await asyncio.wait_for(idle.read(), PATIENCE_S) == b""  # one that says nothing at all, too
        idle_writer.close()
        assert (await answered(place.port, head_of(place.port))).startswith(b"HTTP/1.1 200")
    assert (tmp_path / "access.log").read_text(encoding="utf-8").count("too-slow-request") == 2


async def test_one_address_cannot_take_every_connection(tmp_path: Path) -> None:
    async with served_here(tmp_path) as (place, _), AsyncExitStack() as ends:
        for _ in range(150):
            _, writer = await asyncio.open_connection("127.0.0.1", place.port, local_addr=("127.0.0.2", 0))
            ends.callback(writer.close)
            writer.write(b"GET /login HTTP/1.1\r\n")
        assert (await answered(place.port, head_of(place.port))).startswith(b"HTTP/1.1 200")
    log = (tmp_path / "access.log").read_text(encoding="utf-8")
    assert log.count("too-many-connections-of-one") == 150 - listener.MOST_OF_ONE
    assert "127.0.0.2" in log


async def test_more_connections_than_can_be_served_are_told_so_and_logged(tmp_path: Path) -> None:
    async with served_here(tmp_path) as (place, _):
        async with AsyncExitStack() as ends:
            for number in range(100):
                source = f"127.0.0.{2 + number % 5}"
                _, writer = await asyncio.open_connection("127.0.0.1", place.port, local_addr=(source, 0))
                ends.callback(writer.close)
            assert (await answered(place.port, head_of(place.port))).startswith(b"HTTP/1.1 503")
        async with asyncio.timeout(PATIENCE_S):
            while not (await answered(place.port, head_of(place.port))).startswith(b"HTTP/1.1 200"):  # noqa: ASYNC110
                await asyncio.sleep(0.05)
    assert '"too-many-connections"' in (tmp_path / "access.log").read_text(encoding="utf-8")


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1])
@pytest.mark.filterwarnings("ignore:.*TLSv1.*:DeprecationWarning")
def test_old_tls_is_refused(version: ssl.TLSVersion, encrypted: Locked) -> None:
    context = ssl.create_default_context(cadata=encrypted.ca)
    context.set_ciphers("ALL:@SECLEVEL=0")
    context.minimum_version = context.maximum_version = version
    with (
        socket.create_connection(("localhost", encrypted.served.port), 10) as plain,
        pytest.raises((ssl.SSLError, ConnectionResetError)),
    ):
        context.wrap_socket(plain, server_hostname="localhost")


async def test_a_body_that_comes_too_slowly_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "BODY_S", 0.3)
    async with served_here(tmp_path) as (place, _):
        origin = f"http://127.0.0.1:{place.port}"
        kind = "application/x-www-form-urlencoded"
        head = head_of(place.port, "POST", "/login", origin=origin, content_length="500", content_type=kind)
        reader, writer = await asyncio.open_connection("127.0.0.1", place.port)
        writer.write(head + b"name=lead&")
        assert (await asyncio.wait_for(reader.readline(), PATIENCE_S)).split()[1] == b"408"
        writer.close()
        assert (await answered(place.port, head_of(place.port))).startswith(b"HTTP/1.1 200")


def test_an_encrypted_page_is_not_spoken_to_in_the_clear(encrypted: Locked) -> None:
    port = encrypted.served.port
    assert not raw(port, head_of(port)).startswith(b"HTTP")
    visitor = encrypted.visitor().log_in("fitter")
    assert visitor.get("/offer").status == 200
    assert visitor.get("/", {"Host": f"evil.example:{port}"}).status == 421
    assert encrypted.served.url.startswith("https://")


def test_another_address_needs_encryption_or_consent(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="--tls-cert and --tls-key"):
        take_place("127.0.0.2", 0, open_to_all=False)
    take_place("127.0.0.2", 0, open_to_all=True).socket.close()
    missing = Tls(tmp_path / "none.pem", tmp_path / "none.key")
    with pytest.raises(UsageError, match="--tls-cert"):
        take_place("127.0.0.1", 0, open_to_all=False, tls=missing)
    half = steadypoint(tmp_path, "serve", "--port", "0", "--tls-cert", "x.pem")
    assert half.returncode == 2
    assert "belong together" in half.stderr


def test_a_key_that_everybody_can_read_is_refused(encrypted: Locked, tmp_path: Path) -> None:
    broker = encrypted.home / "broker"
    key = tmp_path / "server.key"
    key.write_bytes((broker / "server.key").read_bytes())
    key.chmod(0o644)
    with pytest.raises(UsageError, match="chmod 600"):
        take_place("127.0.0.1", 0, open_to_all=False, tls=Tls(broker / "server.pem", key))
    with pytest.raises(UsageError, match="expected a certificate and its key"):
        take_place("127.0.0.1", 0, open_to_all=False, tls=Tls(broker / "ca.pem", broker / "server.key"))


def test_nothing_was_lost_in_all_that(plain: Locked, fitter: Visitor) -> None:
    """Last in this file: the pages still serve, and the record is what it was."""
    assert fitter.get("/").status == 200
    assert jobs(plain.home) == []
    assert plain.served.process.poll() is None
