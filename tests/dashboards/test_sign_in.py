"""Signing in and out, sessions, forms, tokens and the trail, in process."""

import re
from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient

from airwatch.access.settings import shipped_settings
from airwatch.errors import StoreError
from airwatch.store.access.accounts import find_account
from airwatch.store.access.audit import trail
from airwatch.store.alerts import history_of
from airwatch.store.database import Store
from dashboards.access.access import Access
from dashboards.access.sign_in_pages import inside
from dashboards.app import create_app
from tests.dashboards.accounts import PASSWORD, PEOPLE, Clock, bearer, form_key, nobody, peopled, sign_in, token_of
from tests.dashboards.alert_rows import LEAK

CHANGES = f"/api/v1/alerts/{LEAK}/changes"
RULE = shipped_settings()
NOTE = {"change": "noted", "reason": "heard it hiss"}
WRONG = "Name or password is wrong, or the account is disabled."


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def access(clock: Clock) -> Iterator[Access]:
    with peopled(clock=clock) as opened:
        yield opened


def client_at(store: Store, access: Access, base: str = "http://testserver", address: str = "192.0.2.7") -> TestClient:
    app = create_app(store, None, access=access)
    return TestClient(
        app, base_url=base, raise_server_exceptions=False, follow_redirects=False, client=(address, 50000)
    )


@pytest.fixture
def client(store: Store, access: Access) -> TestClient:
    return client_at(store, access)


@pytest.fixture
def changing(changed_store: Store, access: Access) -> TestClient:
    return client_at(changed_store, access)


def rows(access: Access) -> list[tuple[str, str, str, str]]:
    """Give who, what, about whom and result, oldest first."""
    found = [(r["who"], r["action"], r["what"], r["result"]) for r in trail(access.file, page=1, size=1000)]
    return found[::-1]


# sessions ------------------------------------------------------------------------------------------------------------


def test_signing_in_sets_a_cookie_that_scripts_and_other_sites_do_not_get(client: TestClient, access: Access) -> None:
    answer = sign_in(client, "enno", to="/alerts?state=open")
    assert (answer.status_code, answer.headers["location"]) == (303, "/alerts?state=open")
    (cookie,) = [c for c in answer.headers.get_list("set-cookie") if c.startswith("airwatch-session=")]
    assert {"HttpOnly", "SameSite=lax", "Path=/"} <= set(cookie.split("; "))
    assert "Secure" not in cookie  # over plain http on this computer; over TLS see below
    assert answer.headers["cache-control"] == "no-store"
    me = client.get("/api/v1/me").json()
    assert (me["name"], me["role"], me["via"], me["fleets"]) == ("enno", "engineer", "session", ["north"])
    assert "alert.dismissed" in me["may"]
    assert "accounts" not in me["may"]
    assert rows(access) == [("enno", "sign-in", "enno", "done")]


def test_over_tls_cookies_are_bound_to_the_host_and_the_browser_to_tls(store: Store, access: Access) -> None:
    client = client_at(store, access, "https://testserver")
    answer = sign_in(client, "enno")
    for cookie in answer.headers.get_list("set-cookie"):
        assert re.match(r"__Host-airwatch-\w+=", cookie)
        assert {"Secure", "HttpOnly", "Path=/"} <= set(cookie.split("; "))
        assert "Domain" not in cookie
    # RFC 6797 section 6.1
    assert answer.headers["strict-transport-security"] == "max-age=31536000"
    assert client.get("/account").status_code == 200
    plain = client_at(store, access)
    assert "strict-transport-security" not in plain.get("/sign-in").headers  # 7.2: never over plain http


def test_a_session_has_a_new_id_at_each_sign_in_and_the_old_one_ends(client: TestClient) -> None:
    sign_in(client, "enno")
    first = client.cookies["airwatch-session"]
    key = re.search(r'name="form_key" value="([^"]+)"', client_page(client, "/sign-in"))
    assert key is None  # who is signed in is sent on
    client.post("/sign-out", data={"form_key": form_key(client)})
    client.cookies.set("airwatch-session", first)
    assert client.get("/account").status_code == 401
    assert sign_in(client, "enno").status_code == 303
    assert client.cookies["airwatch-session"] != first


def client_page(client: TestClient, path: str) -> str:
    return client.get(path).text


def test_an_id_that_somebody_else_chose_is_never_taken(client: TestClient) -> None:
    """Session fixation: neither an unsigned id, nor one signed for another purpose, nor one that was good elsewhere."""
    page = client.get("/sign-in")
    signed_for_forms = page.cookies["airwatch-form"]
    for planted in ("chosen", signed_for_forms, f"{signed_for_forms}x", ""):
        client.cookies.clear()
        client.cookies.set("airwatch-session", planted)
        assert client.get("/account").status_code == 401
        answer = sign_in(client, "enno")
        assert answer.cookies["airwatch-session"] != planted
    elsewhere = peopled()
    client.cookies.clear()
    client.cookies.set("airwatch-session", elsewhere.cookies._signer("session").sign("x").decode())
    assert client.get("/account").status_code == 401


@pytest.mark.parametrize(
    ("unused_s", "times", "status"),
    [
        (RULE.session.idle_s - 1, 1, 200),
        (RULE.session.idle_s + 1, 1, 401),
        (RULE.session.idle_s / 2, 3, 200),
        (RULE.session.idle_s / 2, int(2 * RULE.session.longest_s / RULE.session.idle_s) + 1, 401),
    ],
)
def test_a_session_ends_unused_or_when_it_is_old(
    client: TestClient, clock: Clock, unused_s: float, times: int, status: int
) -> None:
    sign_in(client, "enno")
    for _ in range(times):
        clock.now += unused_s
        answer = client.get("/account")
    assert answer.status_code == status


def test_signing_out_ends_the_session_at_the_server(client: TestClient, access: Access) -> None:
    sign_in(client, "enno")
    kept = client.cookies["airwatch-session"]
    answer = client.post("/sign-out", data={"form_key": form_key(client)})
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
    assert "airwatch-session" not in client.cookies
    client.cookies.set("airwatch-session", kept)
    assert client.get("/account").status_code == 401
    assert rows(access)[-1] == ("enno", "sign-out", "enno", "done")


def test_changing_the_password_ends_every_session_and_needs_the_old_one(
    store: Store, client: TestClient, access: Access
) -> None:
    other = client_at(store, access)
    sign_in(client, "enno")
    sign_in(other, "enno")
    new = "another horse in another bar"
    form = {"form_key": form_key(client), "old": "not the one that it is", "new": new, "again": new}
    refused = client.post("/account/password", data=form)
    assert (refused.status_code, "The old password is wrong." in refused.text) == (422, True)
    typo = client.post("/account/password", data=form | {"old": PASSWORD, "again": "another"})
    assert "typed in two ways" in typo.text
    short = client.post("/account/password", data=form | {"old": PASSWORD, "new": "short", "again": "short"})
    assert "A password has 15 to 1024 characters" in short.text
    assert other.get("/account").status_code == 200
    done = client.post("/account/password", data=form | {"old": PASSWORD})
    assert (done.status_code, done.headers["location"]) == (303, "/sign-in")
    assert other.get("/account").status_code == client.get("/account").status_code == 401
    assert sign_in(client, "enno").status_code == 401
    assert sign_in(client, "enno", new).status_code == 303
    assert ("enno", "account.password", "enno", "done") in rows(access)


@pytest.mark.parametrize(
    "to", ["//evil.example", "https://evil.example", "/\\evil.example", "evil", "", "/a\nb", "\\/x", "javascript:x"]
)
def test_signing_in_leads_nowhere_else(client: TestClient, to: str) -> None:
    assert inside(to) == "/"
    assert sign_in(client, "enno", to=to).headers["location"] == "/"


# who may not ---------------------------------------------------------------------------------------------------------


def test_unknown_disabled_and_wrong_get_the_same_answer_and_the_trail_tells_them_apart(
    client: TestClient, access: Access
) -> None:
    with access.file.writing() as write:
        write.execute("UPDATE accounts SET is_disabled = 1 WHERE name = 'vera'")
        write.execute("UPDATE accounts SET password = NULL WHERE name = 'shirin'")
    bodies = set()
    for name, password in (("enno", "wrong password!"), ("vera", PASSWORD), ("nobody", PASSWORD), ("shirin", "")):
        answer = sign_in(client, name, password)
        assert answer.status_code == 401
        assert WRONG in answer.text
        bodies.add(re.sub(r'value="[^"]{20,}"', "", answer.text))
        assert "airwatch-session" not in answer.cookies
    assert len(bodies) == 1
    assert [row["detail"] for row in trail(access.file, page=1, size=9)][::-1] == [
        "wrong password",
        "disabled",
        "no such account",
        "wrong password",
    ]
    assert "nobody" not in str(rows(access))  # people type passwords where the name goes


def test_guessing_is_slowed_down_and_the_wait_is_told_and_kept(
    client: TestClient, clock: Clock, access: Access
) -> None:
    rule = RULE.attempts.account
    for _ in range(rule.free):
        assert sign_in(client, "enno", "wrong").status_code == 401
    n_rows = len(rows(access))
    for _ in range(3):  # refused ones are neither looked at nor counted, and fill no trail
        answer = sign_in(client, "enno")
        assert answer.status_code == 429
        assert "Too many attempts failed. Try again in 10 s." in answer.text
        assert answer.headers["retry-after"] == "11"
    assert len(rows(access)) == n_rows
    again = client_at(client.app.state.views.of(PEOPLE["zita"][1]), access)  # type: ignore[attr-defined]
    assert sign_in(again, "ENNO").status_code == 429  # the counts are in the file, and names are the same in capitals
    assert sign_in(client, "vera").status_code == 303  # nobody else waits
    clock.now += 10
    assert sign_in(client, "enno").status_code == 303
    assert sign_in(client, "enno", "wrong").status_code == 401


def test_a_stranger_does_not_lock_out_whoever_signed_in_from_this_browser_before(
    store: Store, client: TestClient, clock: Clock, access: Access
) -> None:
    sign_in(client, "enno")
    client.post("/sign-out", data={"form_key": form_key(client)})
    stranger = client_at(store, access, address="203.0.113.9")
    for _ in range(12):
        answer = sign_in(stranger, "enno", "guess")
        clock.now += float(answer.headers.get("retry-after", 0))
    assert sign_in(stranger, "enno", "guess").status_code == 401
    assert sign_in(stranger, "enno").status_code == 429
    assert sign_in(client, "enno").status_code == 303
    # even without that browser the wait ends
    clock.now += RULE.attempts.account.longest_s
    assert sign_in(client_at(store, access, address="198.51.100.4"), "enno").status_code == 303


def test_an_address_that_tries_many_names_waits_for_all_of_them(store: Store, access: Access) -> None:
    client = client_at(store, access, address="2001:db8:0:1::1")
    for n in range(RULE.attempts.address.free):
        assert sign_in(client, f"name{n}", "guess").status_code == 401
    neighbour = client_at(store, access, address="2001:db8:0:1:ffff::2")  # RFC 3849; the same /64
    assert sign_in(neighbour, "vera").status_code == 429
    assert sign_in(client_at(store, access, address="2001:db8:0:2::1"), "vera").status_code == 303


def test_attempts_at_once_are_all_counted(store: Store, access: Access) -> None:
    """A failure is counted before the password is looked at; else many at once would all be looked at."""
    from pipelines import sign_in as looked  # noqa: PLC0415 its hasher is replaced

    seen = []

    class Slow:
        def is_right(self, _password: str, _kept: str | None) -> bool:
            (row,) = access.file.rows("SELECT failed FROM attempts WHERE bucket = 'account:enno'")
            seen.append(row["failed"])
            return False

    real, looked.hasher = looked.hasher, Slow  # type: ignore[assignment]
    try:
        client = client_at(store, access)
        for _ in range(3):
            sign_in(client, "enno", "x")
    finally:
        looked.hasher = real  # type: ignore[assignment]
    assert seen == [1, 2, 3]


# forms ---------------------------------------------------------------------------------------------------------------


def test_a_change_needs_the_key_of_the_session_it_rides_on(changing: TestClient, changed_store: Store) -> None:
    sign_in(changing, "enno")
    key, cookie = form_key(changing), changing.cookies["airwatch-session"]
    sign_in(changing, "adam")
    others = form_key(changing)
    changing.cookies.set("airwatch-session", cookie, domain="testserver.local", path="/")
    for given in ({}, {"X-Airwatch-Form": ""}, {"X-Airwatch-Form": others}, {"X-Airwatch-Form": key + "x"}):
        answer = changing.post(CHANGES, json=NOTE, headers=given)
        assert answer.status_code == 403, given
        assert "form is not of this session" in answer.json()["detail"]
    for path, fields in (("/sign-out", {}), ("/account/display", {"form_key": others, "units": "psi"})):
        assert changing.post(path, data=fields).status_code == 403
    assert history_of(changed_store, [LEAK]).height == 1
    done = changing.post(CHANGES, json=NOTE, headers={"X-Airwatch-Form": key})
    assert done.status_code == 201
    assert done.json()["history"][-1]["who"] == "enno"


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "http://testserver", "Sec-Fetch-Site": "cross-site"},
        {"Origin": "http://testserver:81"},
    ],
)
def test_what_a_page_from_elsewhere_sends_is_refused_even_with_the_key(
    changing: TestClient, changed_store: Store, headers: dict[str, str]
) -> None:
    sign_in(changing, "enno")
    answer = changing.post(CHANGES, json=NOTE, headers={"X-Airwatch-Form": form_key(changing), **headers})
    assert answer.status_code == 403
    assert "page of another site" in answer.json()["detail"]
    open_to_all = client_at(changed_store, nobody())
    assert open_to_all.post(CHANGES, json=NOTE | {"who": "R. Okafor"}, headers=headers).status_code == 403
    assert history_of(changed_store, [LEAK]).height == 1


def test_what_our_own_pages_send_is_taken(changing: TestClient) -> None:
    sign_in(changing, "enno")
    headers = {"X-Airwatch-Form": form_key(changing), "Origin": "http://testserver", "Sec-Fetch-Site": "same-origin"}
    assert changing.post(CHANGES, json=NOTE, headers=headers).status_code == 201


def test_nobody_is_signed_in_by_a_form_from_elsewhere(client: TestClient, clock: Clock) -> None:
    """Login CSRF: the form's key must be that of the browser's cookie, and young."""
    key = re.search(r'name="form_key" value="([^"]+)"', client.get("/sign-in").text)
    assert key
    good = {"name": "enno", "password": PASSWORD, "form_key": key[1]}
    assert client.post("/sign-in", data=good | {"form_key": "x"}).status_code == 403
    assert client.post("/sign-in", data=good, headers={"Origin": "https://evil.example"}).status_code == 403
    kept = client.cookies["airwatch-form"]
    client.cookies.clear()
    assert client.post("/sign-in", data=good).status_code == 403
    client.cookies.set("airwatch-form", kept)
    clock.now += RULE.form.longest_s + 1
    assert client.post("/sign-in", data=good).status_code == 403
    assert "airwatch-session" not in client.cookies


# alerts --------------------------------------------------------------------------------------------------------------


def test_the_account_stands_in_the_history_and_nobody_else_can_be_named(
    changing: TestClient, changed_store: Store, access: Access
) -> None:
    headers = bearer(token_of(access, "enno", "write"))
    named = changing.post(CHANGES, json=NOTE | {"who": "somebody else"}, headers=headers)
    assert named.status_code == 422
    assert "who: you are signed in as enno" in named.json()["detail"]
    assert changing.post(CHANGES, json=NOTE | {"who": "enno"}, headers=headers).status_code == 201
    assert changing.post(CHANGES, json=NOTE, headers=headers).status_code == 201
    assert history_of(changed_store, [LEAK])["who"].to_list() == ["airwatch", "enno", "enno"]
    assert [row for row in rows(access) if row[1].startswith("alert")] == [("enno", "alert.noted", LEAK, "done")] * 2


def test_an_alert_offers_each_role_what_it_may_do_and_refuses_the_rest(changing: TestClient, access: Access) -> None:
    may = {
        "vera": set(),
        "enno": {"acknowledged", "dismissed", "silenced", "noted"},
        "shirin": {"planned", "repaired", "noted"},
        "adam": {"acknowledged", "planned", "repaired", "dismissed", "silenced", "noted"},
    }
    for name, expected in may.items():
        headers = bearer(token_of(access, name, "write"))
        assert set(changing.get(CHANGES.removesuffix("/changes"), headers=headers).json()["may"]) == expected
        page = changing.get(f"/alerts/{LEAK}", headers=headers).text
        assert set(re.findall(r'name="change" value="(\w+)"', page)) == expected
        assert ("changes nothing here" in page) == (not expected)
        for change in ("acknowledged", "planned"):
            if change not in expected:
                body = {"change": change, "reason": "why"}
                answer = changing.post(CHANGES, json=body, headers=headers)
                assert answer.status_code == 403
                assert f"{name} has the role" in answer.json()["detail"]


# tokens --------------------------------------------------------------------------------------------------------------


def test_a_token_is_shown_once_opens_until_it_ends_and_its_uses_are_in_the_trail(
    client: TestClient, store: Store, access: Access, clock: Clock
) -> None:
    sign_in(client, "enno")
    answer = client.post(
        "/account/tokens", data={"form_key": form_key(client), "label": "nightly", "scope": "read", "days": "2"}
    )
    assert answer.status_code == 201
    token = re.search(r'<code id="made">(airwatch_\w+_[\w-]+)</code>', answer.text)
    assert token
    assert token[1] not in client.get("/account").text
    program = client_at(store, access, address="192.0.2.50")
    assert program.get("/api/v1/me", headers=bearer(token[1])).json()["scope"] == "read"
    assert program.get("/", headers=bearer(token[1])).status_code == 200
    assert program.post(CHANGES, json=NOTE, headers=bearer(token[1])).status_code == 403
    clock.now += 3600
    elsewhere = client_at(store, access, address="198.51.100.1")
    assert elsewhere.get("/api/v1/me", headers=bearer(token[1])).status_code == 200
    used = [row["detail"] for row in trail(access.file, page=1, size=9, action="token.used")]
    assert used == ["before from 192.0.2.50", "first use"]
    clock.now += 2 * 86400 - 3600 - 1
    assert program.get("/api/v1/me", headers=bearer(token[1])).status_code == 200
    clock.now += 1
    refused = program.get("/api/v1/me", headers=bearer(token[1]))
    assert refused.status_code == 401
    assert "unknown, over or revoked" in refused.json()["detail"]


def test_tokens_over_the_api_are_no_wider_than_what_asks_and_are_revoked(client: TestClient, access: Access) -> None:
    headers = bearer(token_of(access, "adam", "admin"))
    made = client.post("/api/v1/tokens", json={"label": "export", "scope": "write"}, headers=headers)
    assert made.status_code == 201
    body = made.json()
    assert body["fleets"] == ["north"]
    assert body["ends"] == client.get("/api/v1/tokens", headers=headers).json()[-1]["ends"]  # not beyond what asked
    narrow = bearer(body["token"])
    assert client.post("/api/v1/tokens", json={"label": "x"}, headers=narrow).status_code == 403
    for wider in ({"fleets": ["south"]}, {"fleets": []}, {"days": 367}, {"label": " "}, {"scope": "all"}, {"x": 1}):
        answer = client.post("/api/v1/tokens", json={"label": "x"} | wider, headers=headers)
        assert answer.status_code == 422, wider
    assert client.delete(f"/api/v1/tokens/{body['id']}", headers=bearer(token_of(access, "enno"))).status_code == 422
    assert client.delete(f"/api/v1/tokens/{body['id']}", headers=headers).status_code == 204
    assert client.get("/api/v1/me", headers=narrow).status_code == 401
    assert "airwatch_" not in client.get("/api/v1/tokens", headers=headers).text
    trail_rows = client.get("/api/v1/audit", params={"action": "token.revoked"}, headers=headers).json()
    assert (trail_rows["total"], trail_rows["rows"][0]["who"]) == (1, "adam")


# administering -------------------------------------------------------------------------------------------------------


def test_an_admin_adds_changes_and_disables_accounts_and_all_of_it_is_in_the_trail(
    client: TestClient, store: Store, access: Access
) -> None:
    sign_in(client, "adam")
    key = {"form_key": form_key(client)}
    new = {"name": "nora", "role": "viewer", "password": PASSWORD, "sees": "some", "fleets": "north, east"}
    assert client.post("/accounts", data=key | new).status_code == 303
    assert client.post("/accounts", data=key | new).status_code == 422
    weak = client.post("/accounts", data=key | new | {"name": "w", "password": "short"})
    assert "A password has 15" in weak.text
    hers = client_at(store, access)
    assert sign_in(hers, "nora").status_code == 303
    assert hers.get("/api/v1/me").json()["fleets"] == ["east", "north"]
    rights = {"role": "shop", "sees": "all", "fleets": ""}
    assert client.post("/accounts/nora/rights", data=key | rights).status_code == 303
    assert hers.get("/api/v1/me").json()["role"] == "shop"  # at once, without signing in anew
    assert client.post("/accounts/nora/password", data=key | {"password": PASSWORD[::-1]}).status_code == 303
    assert hers.get("/api/v1/me").status_code == 401
    sign_in(hers, "nora", PASSWORD[::-1])
    token = bearer(token_of(access, "nora"))
    assert client.post("/accounts/nora/disable", data=key).status_code == 303
    assert hers.get("/api/v1/me").status_code == hers.get("/api/v1/me", headers=token).status_code == 401
    assert client.post("/accounts/nora/enable", data=key).status_code == 303
    assert hers.get("/api/v1/me", headers=token).status_code == 401  # what was revoked stays revoked
    assert client.post("/accounts/zita/disable", data=key).status_code == 303
    last = client.post("/accounts/adam/disable", data=key)
    assert "it is the last that can administer" in last.text
    demoted = client.post("/accounts/adam/rights", data=key | {"role": "viewer", "sees": "all"})
    assert demoted.status_code == 422
    page = client.get("/audit").text
    done = ["account.added", "account.rights", "account.password", "account.disabled", "account.enabled"]
    assert [row[1] for row in rows(access) if row[2] == "nora" and row[0] == "adam"] == done
    assert all(action in page for action in done)
    listed = {row["name"]: row for row in client.get("/api/v1/accounts").json()}
    assert listed["nora"]["fleets"] is None
    assert listed["zita"]["is_disabled"] is True
    assert "argon2" not in client.get("/api/v1/accounts").text + client.get("/accounts").text


def test_the_trail_is_paged(client: TestClient, access: Access) -> None:
    from airwatch.store.access.audit import Source, note  # noqa: PLC0415

    with access.file.writing() as write:
        for n in range(230):
            note(write, n, Source("<b>x</b>", "command", ""), "test", str(n))
    sign_in(client, "zita")
    newest, last = client.get("/audit").text, client.get("/audit?page=99").text
    assert "Page 1 of 3" in newest
    assert "Page 3 of 3" in last
    assert "&lt;b&gt;x&lt;/b&gt;" in last
    assert client.get("/audit?who=zita").text.count("<tr>") == 2
    page = client.get("/api/v1/audit", params={"page": 2, "size": 100}).json()
    assert (page["total"], len(page["rows"])) == (231, 100)


def test_what_somebody_wants_to_see_is_kept_with_the_account(client: TestClient, store: Store, access: Access) -> None:
    sign_in(client, "enno")
    key = {"form_key": form_key(client)}
    assert "psi</a>" in client.get("/units/north/K-leak").text
    assert client.post("/account/display", data=key | {"units": "bar", "zone": "Europe/Paris"}).status_code == 303
    other = client_at(store, access)
    sign_in(other, "enno")
    assert re.search(r'aria-current="true">bar<', other.get("/units/north/K-leak").text)
    assert re.search(r'aria-current="true">bar<', other.get("/").text)
    me = other.get("/api/v1/me").json()
    assert (me["pressure"], me["zone"]) == ("bar", "Europe/Paris")
    assert client.post("/account/display", data=key | {"units": "atm"}).status_code == 422
    assert client.post("/account/display", data=key | {"zone": "../../etc/passwd"}).status_code == 422


# open to this computer -----------------------------------------------------------------------------------------------


def test_pages_are_open_until_there_is_an_account_and_say_so(store: Store) -> None:
    from tests.dashboards.accounts import account  # noqa: PLC0415

    with nobody() as access:
        client = client_at(store, access, address="127.0.0.1")
        assert "Open to this computer only, without sign-in" in client.get("/").text
        assert client.get("/api/v1/me").json()["via"] == "open"
        for path in ("/accounts", "/audit", "/api/v1/accounts", "/api/v1/tokens", "/account"):
            assert client.get(path).status_code == 403, path
        assert "airwatch account add NAME" in client.get("/accounts").text
        from airwatch.store.access.accounts import insert_account  # noqa: PLC0415

        with access.file.writing() as write:
            insert_account(write, account("enno", "engineer", PEOPLE["enno"][1]))
        assert client.get("/api/v1/me").status_code == 401


@pytest.mark.parametrize("header", ["X-Forwarded-For", "X-Forwarded-Proto", "Forwarded", "Via", "X-Real-IP"])
def test_open_pages_answer_nothing_that_came_through_a_proxy(store: Store, header: str) -> None:
    with nobody() as access:
        client = client_at(store, access, address="127.0.0.1")
        answer = client.get("/api/v1/units", headers={header: "203.0.113.5"})
        assert answer.status_code == 403
        assert "open to this computer only" in answer.json()["detail"]


def test_a_failing_file_of_accounts_lets_nobody_in(
    client: TestClient, access: Access, monkeypatch: pytest.MonkeyPatch
) -> None:
    token = bearer(token_of(access, "adam"))

    def broken(*_: object) -> list[dict[str, object]]:
        raise StoreError("accounts can't be read: disk I/O error")

    monkeypatch.setattr(access.file, "rows", broken)
    answer = client.get("/api/v1/units", headers=token)
    assert (answer.status_code, "K-leak" in answer.text) == (500, False)
    monkeypatch.undo()
    assert find_account(access.file, "adam") is not None
