"""Signing in at an identity provider: OpenID Connect, authorization code with PKCE, through authlib.

OpenID Connect Core 1.0 sections 3.1.2 and 3.1.3, RFC 7636 (PKCE), RFC 8414 (metadata), RFC 9207 (issuer in the answer).
"""

import hmac
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import msgspec
import requests
from authlib.integrations.base_client import OAuthError
from authlib.integrations.requests_client import OAuth2Session
from authlib.oidc.core import CodeIDToken
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import KeySet
from msgspec import Struct

from airwatch.access.errors import AccessError
from airwatch.access.fleets import ALL, Fleets
from airwatch.access.permissions import ROLES, Role

_TIMEOUT_S = 10.0
_LEEWAY_S = 60
_LOOPBACK = ("127.0.0.1", "::1", "localhost")
ALGORITHMS = ("RS256", "PS256", "ES256", "EdDSA")


class RoleRule(Struct, frozen=True, forbid_unknown_fields=True):
    """Whoever has ``value`` in the claim has this role; of several the widest."""

    value: str
    role: Role


class FleetRule(Struct, frozen=True, forbid_unknown_fields=True):
    """Whoever has ``value`` in the claim sees these fleets, or all of them (``["*"]``); those of several add up."""

    value: str
    fleets: tuple[str, ...]


class ProviderConfig(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What the TOML file says; see deploy/oidc.example.toml."""

    name: str
    issuer: str
    client_id: str
    link: str
    secret_env: str | None = None
    scopes: tuple[str, ...] = ("openid", "profile", "email")
    name_claim: str = "preferred_username"
    role_claim: str
    role: tuple[RoleRule, ...]
    fleet_claim: str
    fleet: tuple[FleetRule, ...]


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody whom the provider vouched for, with the rights that follow from the claims."""

    issuer: str
    subject: str
    name: str
    role: Role
    fleets: Fleets


@dataclass(frozen=True, slots=True)
class Errand:
    """One way to the provider and back; its three secrets wait in a cookie of the browser that set out."""

    state: str
    nonce: str
    verifier: str
    to: str

    @classmethod
    def begin(cls, to: str) -> "Errand":
        """Draw the secrets."""
        return cls(secrets.token_urlsafe(24), secrets.token_urlsafe(24), secrets.token_urlsafe(48), to)

    def packed(self) -> str:
        """Give it as a cookie holds it."""
        return msgspec.json.encode([self.state, self.nonce, self.verifier, self.to]).hex()

    @classmethod
    def unpacked(cls, text: str) -> "Errand":
        """Read what `packed` gave; the cookie is signed, so it is nothing else."""
        return cls(*msgspec.json.decode(bytes.fromhex(text), type=list[str]))


class Provider:
    """An identity provider; what it publishes of itself is read at first use and kept."""

    def __init__(self, config: ProviderConfig, secret: str | None) -> None:
        self.config, self._secret = config, secret
        self._published: dict[str, Any] | None = None

    @property
    def back(self) -> str:
        """Where the provider sends people back to."""
        return f"{self.config.link.rstrip('/')}/sign-in/back"

    def leave(self, errand: Errand) -> str:
        """Give the address at the provider that the browser goes to.

        Raises
        ------
        AccessError
            The provider can't be asked.
        """
        endpoint = self._endpoint("authorization_endpoint")
        with self._client() as client:
            url, _ = client.create_authorization_url(
                endpoint, state=errand.state, nonce=errand.nonce, code_verifier=errand.verifier
            )
        return str(url)

    def come_back(self, errand: Errand, answer: Mapping[str, str], now: float) -> Person:
        """Give whom the provider vouches for.

        Parameters
        ----------
        errand : Errand
            What the browser set out with.
        answer : mapping
            The query that it came back with.
        now : float
            Seconds since 1970.

        Raises
        ------
        AccessError
            The answer is not that of this errand, the provider refused or can't be asked, its token is not right, or
            no role follows from its claims.
        """
        if not hmac.compare_digest(answer.get("state", "").encode(), errand.state.encode()):
            raise AccessError("the answer is not that to this sign-in (state); begin anew")
        if answer.get("iss", self.config.issuer) != self.config.issuer:
            raise AccessError("the answer comes from another provider (iss); begin anew")
        if "error" in answer or not answer.get("code"):
            raise AccessError(f"{self.config.name} did not sign you in ({answer.get('error', 'no code')[:60]})")
        try:
            with self._client() as client:
                token = client.fetch_token(
                    self._endpoint("token_endpoint"),
                    grant_type="authorization_code",
                    code=answer["code"],
                    code_verifier=errand.verifier,
                    timeout=_TIMEOUT_S,
                )
        except (OAuthError, requests.RequestException, ValueError) as err:
            raise AccessError(
                f"{self.config.name} did not confirm the sign-in: {type(err).__name__}; try again"
            ) from err
        return self.person(self._claims(str(token.get("id_token", "")), token, errand.nonce, now))

    def person(self, claims: Mapping[str, Any]) -> Person:
        """Give who it is, and the rights that follow from claims.

        Raises
        ------
        AccessError
            No role or no fleet follows from them, or they have no name.
        """
        config = self.config
        name = claims.get(config.name_claim)
        if not isinstance(name, str) or not name:
            raise AccessError(f"{config.name} sends no claim {config.name_claim!r}; ask who runs airwatch")
        has_roles, has_fleets = _values(claims, config.role_claim), _values(claims, config.fleet_claim)
        roles = [rule.role for rule in config.role if rule.value in has_roles]
        names = [fleet for rule in config.fleet if rule.value in has_fleets for fleet in rule.fleets]
        if not roles or not names:
            raise AccessError(f"{name[:64]} has no {'fleet' if roles else 'role'} in airwatch; ask who runs it")
        fleets = ALL if "*" in names else Fleets.of(names)
        return Person(config.issuer, str(claims["sub"]), name, max(roles, key=ROLES.index), fleets)

    def _claims(self, id_token: str, token: Mapping[str, Any], nonce: str, now: float) -> Mapping[str, Any]:
        """Read an ID token and check it as OpenID Connect Core 3.1.3.7 says."""
        options = {
            "iss": {"essential": True, "value": self.config.issuer},
            "aud": {"essential": True, "value": self.config.client_id},
            "nonce": {"essential": True, "value": nonce},
        }
        params = {"nonce": nonce, "client_id": self.config.client_id, "access_token": token.get("access_token")}
        try:
            signed = jwt.decode(id_token, KeySet.import_key_set(self._keys()), algorithms=list(ALGORITHMS))
            claims = CodeIDToken(signed.claims, signed.header, options, params)
            claims.validate(now=int(now), leeway=_LEEWAY_S)
        except (JoseError, ValueError, KeyError) as err:
            text = f"{self.config.name} sent a token that can't be trusted ({type(err).__name__}: {err})"
            raise AccessError(f"{text}; try again, or ask who runs airwatch") from err
        return dict(claims)

    def _keys(self) -> Any:
        return self._get(self._endpoint("jwks_uri"))

    def _endpoint(self, name: str) -> str:
        if self._published is None:
            found = self._get(f"{self.config.issuer.rstrip('/')}/.well-known/openid-configuration")
            if found.get("issuer") != self.config.issuer:
                raise AccessError(
                    f"{self.config.issuer}: calls itself {found.get('issuer')!r}; correct issuer in the file"
                )
            self._published = found
        url = str(self._published.get(name, ""))
        if not _is_private(url):
            raise AccessError(f"{self.config.issuer}: its {name} {url!r} is no https address")
        return url

    def _get(self, url: str) -> dict[str, Any]:
        try:
            answer = requests.get(url, timeout=_TIMEOUT_S, allow_redirects=False)
            answer.raise_for_status()
            found = answer.json()
        except (requests.RequestException, ValueError) as err:
            raise AccessError(f"{self.config.name} can't be asked ({type(err).__name__}); try again later") from err
        if not isinstance(found, dict):
            raise AccessError(f"{self.config.name} can't be asked (no JSON object at {url}); try again later")
        return found

    def _client(self) -> OAuth2Session:
        return OAuth2Session(
            self.config.client_id,
            self._secret,
            scope=" ".join(self.config.scopes),
            redirect_uri=self.back,
            code_challenge_method="S256",
        )


def open_provider(path: Path, environment: Mapping[str, str]) -> Provider:
    """Read the file that says where people sign in.

    Raises
    ------
    AccessError
        The file can't be read or used, or the secret that it names is not there.
    """
    try:
        config = msgspec.toml.decode(path.read_bytes(), type=ProviderConfig)
    except (OSError, msgspec.MsgspecError) as err:
        raise AccessError(f"{path}: can't be used: {err}; see deploy/oidc.example.toml") from err
    for name, url in (("issuer", config.issuer), ("link", config.link)):
        if not _is_private(url):
            raise AccessError(f"{path}: {name}: {url!r} must be an https address (http on loopback only)")
    for rule in config.fleet:
        if "*" not in rule.fleets:
            Fleets.of(rule.fleets)
    if config.secret_env is None:
        return Provider(config, None)
    if not (secret := environment.get(config.secret_env)):
        raise AccessError(
            f"{path}: secret_env: the variable {config.secret_env} is not set; put the client's secret there"
        )
    return Provider(config, secret)


def _values(claims: Mapping[str, Any], name: str) -> list[str]:
    """Give what a claim holds: one text or several."""
    value = claims.get(name)
    several = value if isinstance(value, list) else [value]
    return [one for one in several if isinstance(one, str)]


def _is_private(url: str) -> bool:
    parts = urlsplit(url)
    return parts.scheme == "https" or (parts.scheme == "http" and parts.hostname in _LOOPBACK)
