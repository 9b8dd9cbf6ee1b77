"""Signing in at an identity provider: one of our own over loopback, which signs what a test wants."""

import base64
import hashlib
import json
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, parse_qsl, urlsplit

import pytest
from fastapi.testclient import TestClient
from joserfc import jwt
from joserfc.jwk import RSAKey

from airwatch.access.errors import AccessError
from airwatch.store.access.accounts import find_account
from airwatch.store.access.audit import trail
from airwatch.store.database import Store
from dashboards.access.access import Access
from dashboards.access.provider import Provider, ProviderConfig, open_provider
from dashboards.app import create_app
from tests.dashboards.accounts import Clock, peopled

SECRET = "what only the two know"  # noqa: S105 made up
CONFIG = """
name = "the house's sign-in"
issuer = "{issuer}"
client_id = "airwatch"
secret_env = "AIRWATCH_OIDC_SECRET"
link = "http://127.0.0.1:8420"
role_claim = "groups"
fleet_claim = "groups"
[[role]]
value = "brakes"
role = "engineer"
[[role]]
value = "bosses"
role = "admin"
[[fleet]]
value = "brakes"
fleets = ["north"]
[[fleet]]
value = "bosses"
fleets = ["*"]
"""


class House(BaseHTTPRequestHandler):
    """Publishes what a provider publishes, and trades a code for a token once its verifier is right (RFC 7636)."""

    server: "IdentityProvider"

    def do_GET(self) -> None:
        """Publish."""
        paths = {"/.well-known/openid-configuration": self.server.published, "/keys": self.server.keys}
        self._say(200 if self.path in paths else 404, paths.get(self.path, {}))

    def do_POST(self) -> None:
        """Trade."""
        given = dict(parse_qsl(self.rfile.read(int(self.headers["Content-Length"])).decode()))
        basic = base64.b64encode(f"airwatch:{SECRET.replace(' ', '+')}".encode()).decode()
        plain = base64.b64encode(f"airwatch:{SECRET}".encode()).decode()
        challenge = base64.urlsafe_b64encode(hashlib.sha256(given["code_verifier"].encode()).digest()).rstrip(b"=")
        asked = self.server.asked
        is_right = (
            self.headers["Authorization"] in (f"Basic {basic}", f"Basic {plain}")
            and given["code"] == "the code"
            and given["redirect_uri"] == asked["redirect_uri"]
            and challenge.decode() == asked["code_challenge"]
        )
        if not is_right:
            self._say(400, {"error": "invalid_grant"})
            return
        self._say(200, {"access_token": "x", "token_type": "Bearer", "id_token": self.server.id_token()})

    def _say(self, status: int, body: dict[str, Any]) -> None:
        raw = json.dumps(body).encode()
        self.send_response(status)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(raw)))
        self.end_headers()
        self.wfile.write(raw)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


class IdentityProvider(ThreadingHTTPServer):
    """The provider; tests change ``claims``, ``key`` and ``header``."""

    daemon_threads = True

    def __init__(self, clock: Clock) -> None:
        super().__init__(("127.0.0.1", 0), House)
        self.issuer = f"http://127.0.0.1:{self.server_address[1]}"
        self.clock = clock
        self.key = self.published_key = RSAKey.generate_key(2048, {"kid": "1", "use": "sig", "alg": "RS256"})
        self.algorithm = "RS256"
        self.asked: dict[str, str] = {}
        self.claims: dict[str, Any] = {"sub": "42", "preferred_username": "olga", "groups": ["brakes", "others"]}
        self.published = {
            "issuer": self.issuer,
            "authorization_endpoint": f"{self.issuer}/authorize",
            "token_endpoint": f"{self.issuer}/token",
            "jwks_uri": f"{self.issuer}/keys",
        }

    @property
    def keys(self) -> dict[str, Any]:
        """Give the keys that it says it signs with."""
        return {"keys": [self.published_key.as_dict(private=False)]}

    def id_token(self) -> str:
        """Sign the claims."""
        usual = {
            "iss": self.issuer,
            "aud": "airwatch",
            "iat": int(self.clock()),
            "exp": int(self.clock()) + 300,
            "nonce": self.asked["nonce"],
        }
        claims = {name: value for name, value in (usual | self.claims).items() if value is not None}
        return jwt.encode({"alg": self.algorithm, "kid": "1"}, claims, self.key, algorithms=[self.algorithm])


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def house(clock: Clock) -> Iterator[IdentityProvider]:
    with IdentityProvider(clock) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield server
        server.shutdown()
        thread.join(20)


@pytest.fixture
def provider(house: IdentityProvider, tmp_path: Path) -> Provider:
    path = tmp_path / "oidc.toml"
    path.write_text(CONFIG.format(issuer=house.issuer))
    return open_provider(path, {"AIRWATCH_OIDC_SECRET": SECRET})


@pytest.fixture
def access(clock: Clock, provider: Provider) -> Iterator[Access]:
    with peopled(clock=clock) as opened:
        opened.provider = provider
        yield opened


@pytest.fixture
def client(store: Store, access: Access) -> TestClient:
    return TestClient(create_app(store, None, access=access), follow_redirects=False)


def leave(client: TestClient, house: IdentityProvider, to: str = "/alerts") -> dict[str, str]:
    """Set out for the provider as a browser does, and give what it was asked."""
    page = client.get("/sign-in").text
    assert "Sign in with the house&#39;s sign-in" in page
    key = page.partition('name="form_key" value="')[2].partition('"')[0]
    answer = client.post("/sign-in/provider", data={"form_key": key, "next": to})
    assert answer.status_code == 303
    where = urlsplit(answer.headers["location"])
    assert f"{where.scheme}://{where.netloc}{where.path}" == f"{house.issuer}/authorize"
    house.asked = {name: values[0] for name, values in parse_qs(where.query).items()}
    return house.asked


def come_back(client: TestClient, **query: str) -> Any:
    return client.get("/sign-in/back", params={"code": "the code", **query})


def test_whoever_the_provider_vouches_for_is_signed_in_with_the_rights_of_the_claims(
    client: TestClient, house: IdentityProvider, access: Access
) -> None:
    asked = leave(client, house)
    # OpenID Connect Core 1.0 3.1.2.1 and RFC 7636 4.3: what an authorization request has
    assert (asked["response_type"], asked["client_id"], asked["code_challenge_method"]) == ("code", "airwatch", "S256")
    assert asked["redirect_uri"] == "http://127.0.0.1:8420/sign-in/back"
    assert "openid" in asked["scope"].split()
    assert len(asked["state"]) >= 22
    assert len(asked["nonce"]) >= 22
    answer = come_back(client, state=asked["state"])
    assert (answer.status_code, answer.headers["location"]) == (303, "/alerts")
    me = client.get("/api/v1/me").json()
    assert (me["name"], me["role"], me["fleets"]) == ("olga", "engineer", ["north"])
    kept = find_account(access.file, "olga")
    assert kept is not None
    assert (kept.password, kept.issuer, kept.subject) == (None, house.issuer, "42")

    house.claims |= {"groups": ["brakes", "bosses"], "preferred_username": "olga.renamed"}
    come_back(client, state=leave_anew(client, house)["state"])
    me = client.get("/api/v1/me").json()
    assert (me["name"], me["role"], me["fleets"]) == ("olga", "admin", None)  # the subject is who it is, not the name
    assert [row["action"] for row in trail(access.file, page=1, size=9)] == [
        "sign-in",
        "account.rights",
        "sign-in",
        "account.added",
    ]


def leave_anew(client: TestClient, house: IdentityProvider) -> dict[str, str]:
    client.cookies.clear()
    return leave(client, house)


def test_an_answer_is_good_for_the_browser_that_set_out_and_once(client: TestClient, house: IdentityProvider) -> None:
    state = leave(client, house)["state"]
    errand = client.cookies["airwatch-provider"]
    assert come_back(client, state="another").status_code == 401
    assert "airwatch-provider" not in client.cookies  # one answer, right or wrong
    assert come_back(client, state=state).status_code == 401
    client.cookies.set("airwatch-provider", errand + "x")
    assert come_back(client, state=state).status_code == 401
    client.cookies.clear()
    client.cookies.set("airwatch-provider", errand)
    assert come_back(client, state=state, iss="https://another.example").status_code == 401
    client.cookies.set("airwatch-provider", errand)
    assert come_back(client, state=state, error="access_denied").status_code == 401
    client.cookies.clear()
    client.cookies.set("airwatch-provider", errand)
    assert come_back(client, state=state, code="another code").status_code == 401
    client.cookies.clear()
    client.cookies.set("airwatch-provider", errand)
    assert come_back(client, state=state).status_code == 303


def test_a_code_is_of_no_use_with_another_browsers_verifier(client: TestClient, house: IdentityProvider) -> None:
    first = dict(leave(client, house))
    second = leave_anew(client, house)
    house.asked = second | {"code_challenge": first["code_challenge"]}
    answer = come_back(client, state=second["state"])
    assert answer.status_code == 401
    assert "did not confirm the sign-in" in answer.text


@pytest.mark.parametrize(
    ("claims", "says"),
    [
        ({"nonce": "another"}, "can&#39;t be trusted"),
        ({"nonce": None}, "can&#39;t be trusted"),
        ({"iss": "https://another.example"}, "can&#39;t be trusted"),
        ({"aud": "another"}, "can&#39;t be trusted"),
        ({"aud": ["airwatch", "another"], "azp": "another"}, "can&#39;t be trusted"),
        ({"exp": 1_926_999_000}, "can&#39;t be trusted"),
        ({"exp": None}, "can&#39;t be trusted"),
        ({"iat": 1_927_009_000}, "can&#39;t be trusted"),
        ({"sub": None}, "can&#39;t be trusted"),
        ({"groups": ["others"]}, "olga has no role in airwatch"),
        ({"groups": None}, "has no role"),
        ({"groups": {"brakes": 1}}, "has no role"),
        ({"preferred_username": None}, "sends no claim"),
        ({"preferred_username": "a b"}, "A name is 1 to 64"),
        ({"preferred_username": "adam"}, "there is one already"),  # a local account of this name
    ],
)
def test_a_token_that_is_not_for_us_or_gives_no_rights_lets_nobody_in(
    client: TestClient, house: IdentityProvider, access: Access, claims: dict[str, Any], says: str
) -> None:
    house.claims |= claims
    answer = come_back(client, state=leave(client, house)["state"])
    assert answer.status_code == 401
    assert says.lower() in answer.text.lower()
    assert "airwatch-session" not in client.cookies
    newest = trail(access.file, page=1, size=1)[0]
    assert (newest["action"], newest["result"]) == ("sign-in", "refused")


@pytest.mark.parametrize("how", ["another key", "HS256 with the public key", "none"])
def test_a_token_that_the_provider_did_not_sign_is_refused(
    client: TestClient, house: IdentityProvider, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    state = leave(client, house)["state"]
    if how == "another key":
        house.key = RSAKey.generate_key(2048, {"kid": "1"})
    else:
        head, body, signature = house.id_token().split(".")
        weak = "HS256" if how.startswith("HS") else "none"
        head = base64.urlsafe_b64encode(json.dumps({"alg": weak, "kid": "1"}).encode()).rstrip(b"=").decode()
        forged = f"{head}.{body}.{signature if weak == 'HS256' else ''}"
        monkeypatch.setattr(house, "id_token", lambda: forged)
    answer = come_back(client, state=state)
    assert (answer.status_code, "can&#39;t be trusted" in answer.text) == (401, True)


def test_who_is_disabled_here_stays_out_whatever_the_provider_says(
    client: TestClient, house: IdentityProvider, access: Access
) -> None:
    come_back(client, state=leave(client, house)["state"])
    with access.file.writing() as write:
        write.execute("UPDATE accounts SET is_disabled = 1 WHERE name = 'olga'")
    answer = come_back(client, state=leave_anew(client, house)["state"])
    assert (answer.status_code, "it is disabled" in answer.text) == (401, True)


def test_a_provider_that_can_not_be_asked_is_one_sentence(client: TestClient, house: IdentityProvider) -> None:
    house.published["issuer"] = "https://another.example"
    page = client.get("/sign-in").text
    key = page.partition('name="form_key" value="')[2].partition('"')[0]
    answer = client.post("/sign-in/provider", data={"form_key": key})
    assert (answer.status_code, "calls itself" in answer.text) == (502, True)


@pytest.mark.parametrize(
    ("edit", "says"),
    [
        (("http://127.0.0.1:8420", "http://air.example"), "link: .* must be an https address"),
        (("client_id", "client"), "unknown field|missing required field"),
        (('role = "engineer"', 'role = "boss"'), "Invalid enum value 'boss'"),
        (('"north"', '"no rth"'), "fleet 'no rth'"),
        (("secret_env", "name_claim"), None),
    ],
)
def test_a_file_that_can_not_be_used_is_one_line(tmp_path: Path, edit: tuple[str, str], says: str | None) -> None:
    path = tmp_path / "oidc.toml"
    path.write_text(CONFIG.format(issuer="https://id.example").replace(*edit))
    if says is None:
        assert open_provider(path, {}).config.secret_env is None
        return
    with pytest.raises(AccessError, match=says):
        open_provider(path, {"AIRWATCH_OIDC_SECRET": SECRET})


def test_the_example_is_a_file_that_can_be_used() -> None:
    example = Path(__file__).parents[2] / "deploy" / "oidc.example.toml"
    config: ProviderConfig = open_provider(example, {"AIRWATCH_OIDC_SECRET": SECRET}).config
    assert config.issuer == "https://id.example.org"
    with pytest.raises(AccessError, match=r"the variable AIRWATCH_OIDC_SECRET is not set"):
        open_provider(example, {})
