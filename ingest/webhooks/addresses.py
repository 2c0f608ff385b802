"""
Where the server may send to of its own accord: nowhere that only it can reach, unless that is set.

An address comes from an owner's admin; without a guard it would be a way to have the server ask its own
neighbours (server-side request forgery). Promises: HTTPS to public addresses, and to the networks that the
settings name; plain HTTP to named loopback networks only. The address that was checked is the one connected
to, so a name that changes its mind in between gains nothing.
Leaves to others: the request (`ingest.webhooks.courier`).
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from urllib.parse import SplitResult, urlsplit

from cleanside.ingest.errors import CalledWrongly

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network
#: host, port -> its addresses as texts. Raises OSError where there are none
Resolve = Callable[[str, int], Iterable[str]]

MAX_URL = 2_000
_NAT64 = ipaddress.ip_network("64:ff9b::/96")  # RFC 6052: an IPv4 address in its last 32 bits


@dataclass(frozen=True, slots=True)
class Target:
    """An address that may be sent to."""

    url: str
    host: str
    port: int
    #: the URL with the checked address in place of the name
    connect_url: str


def networks_of(setting: str) -> tuple[Network, ...]:
    """The networks of the setting: CIDR, separated by commas. Raises CalledWrongly."""
    try:
        return tuple(ipaddress.ip_network(part.strip()) for part in setting.split(",") if part.strip())
    except ValueError as error:
        raise CalledWrongly(
            f'webhook_networks "{setting}" is not a list of networks ({error}); give 10.0.0.0/8,fd00::/8'
        ) from None


def proxies_of(setting: str) -> list[str]:
    """Addresses or networks of the setting, separated by commas; "*" is everybody. Raises CalledWrongly."""
    hosts = [host.strip() for host in setting.split(",") if host.strip()]
    try:
        for host in hosts:
            if host != "*":
                ipaddress.ip_network(host)
    except ValueError as error:
        raise CalledWrongly(
            f'trusted_proxies "{setting}" is not a list of addresses ({error}); give 10.0.0.7,fd00::7'
        ) from None
    return hosts


def check_url(url: str, allowed: Iterable[Network]) -> SplitResult:
    """
    An address as an admin gave it, in parts; nothing is looked up.

    Raises ValueError where it may never be sent to; the message has the rule and the next step.
    """
    if len(url) > MAX_URL or not url.isascii() or not url.isprintable() or " " in url:
        raise ValueError(
            f"it is no address of up to {MAX_URL} ASCII characters; give it like https://host/path"
        )
    parts = urlsplit(url)
    try:
        port = parts.port
    except ValueError:
        raise ValueError("its port is not one from 1 to 65535; leave it out or correct it") from None
    if parts.scheme not in ("https", "http") or not parts.hostname or port == 0:
        raise ValueError("it is no web address; give it like https://host/path")
    if parts.username is not None or parts.password is not None or parts.fragment:
        raise ValueError("it has a user or a fragment; leave them out, deliveries are signed instead")
    literal = _literal(parts.hostname)
    if literal is not None:
        _require_allowed(literal, parts.scheme, allowed)
    elif parts.scheme == "http" and parts.hostname != "localhost":
        raise ValueError("it would carry the event in the clear; give https")
    return parts


def origin_of(url: str) -> str:
    """Where an address leads: scheme, host, port. Path and query may hold a token."""
    parts = urlsplit(url)
    return parts._replace(netloc=parts.netloc.rpartition("@")[2], path="/", query="", fragment="").geturl()


def without_query(url: str) -> str:
    """An address as it is shown to its admin: without user, query and fragment."""
    parts = urlsplit(url)
    return parts._replace(netloc=parts.netloc.rpartition("@")[2], query="", fragment="").geturl()


def without_address(text: str, url: str) -> str:
    """A text about an address without what may be a token of it: path and query."""
    parts = urlsplit(url)
    for part in (url, f"{parts.path}?{parts.query}", parts.query, parts.path):
        if len(part) > 1:
            text = text.replace(part, "***")
    return text


def resolved(url: str, allowed: Iterable[Network], resolve: Resolve) -> Target:
    """
    Where to connect for an address, looked up now. Every address the name has must be allowed.

    Raises ValueError where it may not be sent to, OSError where the name has no address.
    """
    allowed = tuple(allowed)
    parts = check_url(url, allowed)
    host, port = parts.hostname or "", parts.port or (443 if parts.scheme == "https" else 80)
    found = [ipaddress.ip_address(text.partition("%")[0]) for text in resolve(host, port)]
    if not found:
        raise OSError(f"{host} has no address")
    for address in found:
        _require_allowed(address, parts.scheme, allowed)
    shown = f"[{found[0]}]" if found[0].version == 6 else str(found[0])
    connect = parts._replace(netloc=f"{shown}:{port}").geturl()
    return Target(url=url, host=parts.netloc, port=port, connect_url=connect)


def by_system(host: str, port: int) -> list[str]:
    """Addresses of a name as the system knows them."""
    return [str(entry[4][0]) for entry in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)]


def _literal(host: str) -> Address | None:
    try:
        return ipaddress.ip_address(host)
    except ValueError:
        return None


def _require_allowed(address: Address, scheme: str, allowed: Iterable[Network]) -> None:
    real = _within(address)
    named = any(real.version == network.version and real in network for network in allowed)
    if scheme == "http" and not (named and real.is_loopback):
        raise ValueError("it would carry the event in the clear; give https")
    if not named and (not real.is_global or real.is_multicast):
        raise ValueError(
            f"{real} is not a public address; give one, or have its network named in webhook_networks"
        )


def _within(address: Address) -> Address:
    """The IPv4 address inside an IPv6 one that only wraps it."""
    if isinstance(address, ipaddress.IPv4Address):
        return address
    if address.ipv4_mapped is not None:
        return address.ipv4_mapped
    if address.sixtofour is not None:
        return address.sixtofour
    if address in _NAT64:
        return ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)
    return address
