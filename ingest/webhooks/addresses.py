"""
Addresses that webhooks may reach: public ones, and private networks only if the settings name them.

An owner's admin enters the address; without this check it could make the server send requests inside its own
network (server-side request forgery). Promises: HTTPS to public addresses, and to the networks that the
settings name; plain HTTP to named loopback networks only. The connection uses the checked address, so a name
that resolves differently in between gains nothing.
Leaves to others: the request (`ingest.webhooks.courier`).
"""

from __future__ import annotations

import hashlib
import ipaddress
import re
import socket
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from urllib.parse import SplitResult, urlsplit

from cleanside.ingest.errors import AddressRefused, CalledWrongly

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network
#: host, port -> its addresses as texts. Raises OSError where there are none
Resolve = Callable[[str, int], Iterable[str]]

MAX_URL = 2_000
MARK_DIGITS = 4  # hexadecimal; chosen: two of one host differ, and far too few to find a token by
SHOWN_OF_PATH = 4  # characters; chosen: too few to be of use as a token
#: Names as in DNS and in the subject of a certificate; any other text may be an address in another spelling.
_NAME = re.compile(r"[A-Za-z0-9_-]+(\.[A-Za-z0-9_-]+)*\.?")
#: a last part that is a number makes it an IPv4 address in some spelling (WHATWG URL, "ends in a number")
_NUMBER = re.compile(r"0[xX][0-9a-fA-F]*|[0-9]+")

#: IANA IPv4 Special-Purpose Address Registry (RFC 6890, RFC 8190) and multicast. None of them is a
#: receiver's, even where the registry calls it globally reachable: those are services of the network itself.
_SPECIAL_4 = (
    "0.0.0.0/8",  # this network, RFC 791
    "10.0.0.0/8",  # private, RFC 1918
    "100.64.0.0/10",  # shared, RFC 6598
    "127.0.0.0/8",  # loopback, RFC 1122
    "169.254.0.0/16",  # link local, RFC 3927
    "172.16.0.0/12",  # private, RFC 1918
    "192.0.0.0/24",  # IETF protocol assignments, RFC 6890
    "192.0.2.0/24",  # documentation, RFC 5737
    "192.31.196.0/24",  # AS112, RFC 7535
    "192.52.193.0/24",  # AMT, RFC 7450
    "192.88.99.0/24",  # 6to4 relay, RFC 7526
    "192.168.0.0/16",  # private, RFC 1918
    "192.175.48.0/24",  # AS112, RFC 7534
    "198.18.0.0/15",  # benchmarking, RFC 2544
    "198.51.100.0/24",  # documentation, RFC 5737
    "203.0.113.0/24",  # documentation, RFC 5737
    "224.0.0.0/4",  # multicast, RFC 5771
    "240.0.0.0/4",  # reserved, RFC 1112; with 255.255.255.255, RFC 919
)
#: The block of global unicast (RFC 4291 section 2.4 and IANA's registry): the rest needs no list.
_UNICAST_6 = ipaddress.IPv6Network("2000::/3")
#: IANA IPv6 Special-Purpose Address Registry, the part within it.
_SPECIAL_6 = (
    "2001::/23",  # IETF protocol assignments, RFC 2928: Teredo, ORCHID, benchmarking, AMT, AS112 ...
    "2001:db8::/32",  # documentation, RFC 3849
    "2002::/16",  # 6to4, RFC 3056: leads to the IPv4 address inside
    "2620:4f:8000::/48",  # AS112, RFC 7534
    "3fff::/20",  # documentation, RFC 9637
)
_NAT64 = ipaddress.IPv6Network("64:ff9b::/96")  # RFC 6052: an IPv4 address in its last 32 bits
_LOOPBACK: tuple[Address, ...] = (ipaddress.IPv4Address("127.0.0.1"), ipaddress.IPv6Address("::1"))
_ISATAP = (0x00005EFE, 0x02005EFE)  # RFC 5214 section 6.1: then an IPv4 address


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
        raise CalledWrongly("not_networks", setting=setting, why=str(error)) from None


def proxies_of(setting: str, *, behind_proxy: bool = False) -> list[str]:
    """
    Addresses or networks of the setting, separated by commas; "*" means all, "none" means none.

    behind_proxy : requests come through a proxy, so the setting is needed.
    Raises CalledWrongly for text that is no address, and for a proxy without the setting.
    """
    if setting.strip() == "none":
        return []
    hosts = [host.strip() for host in setting.split(",") if host.strip()]
    try:
        for host in hosts:
            if host != "*":
                ipaddress.ip_network(host)
    except ValueError as error:
        raise CalledWrongly("not_addresses", setting=setting, why=str(error)) from None
    if behind_proxy and not hosts:
        raise CalledWrongly("no_trusted_proxies")
    return hosts


def check_url(url: str, allowed: Iterable[Network]) -> SplitResult:
    """
    An address as an admin entered it, in parts; no DNS query.

    Raises AddressRefused where it may never be sent to; the message has the rule and the next step.
    """
    if len(url) > MAX_URL or not url.isascii() or not url.isprintable() or " " in url:
        raise AddressRefused("url_not_ascii", most=MAX_URL)
    parts = _split(url)
    try:
        port = parts.port
    except ValueError:
        raise AddressRefused("url_port") from None
    if parts.scheme not in ("https", "http") or not parts.hostname or port == 0:
        raise AddressRefused("url_not_of_the_web")
    if parts.username is not None or parts.password is not None or parts.fragment:
        raise AddressRefused("url_with_user_or_fragment")
    literal = _literal(parts.hostname)
    if literal is None:
        _require_name(parts.hostname)
    if literal is not None:
        _require_allowed(literal, parts.scheme, allowed)
    elif _is_localhost(parts.hostname):
        _require_loopback(parts.scheme, tuple(allowed))
    elif parts.scheme == "http":
        raise AddressRefused("url_in_the_clear")
    return parts


def _split(url: str) -> SplitResult:
    try:
        return urlsplit(url)
    except ValueError:  # an IPv6 address without its bracket
        raise AddressRefused("url_not_of_the_web") from None


def shortened(url: str) -> str:
    """
    An address as it is shown to its admin: host and the beginning of its path, which may be a token.

    Without user, query and fragment. Where more is left out, a short mark made of the whole address follows:
    it tells two of one host apart, and nothing can be made of it.
    """
    parts = urlsplit(url)
    first, slash, _ = parts.path.removeprefix("/").partition("/")
    cut = "..." if len(first) > SHOWN_OF_PATH else "/..." if slash else ""
    path = f"/{first[:SHOWN_OF_PATH]}{cut}" if cut else parts.path
    shown = parts._replace(netloc=parts.netloc.rpartition("@")[2], path=path, query="", fragment="").geturl()
    mark = hashlib.sha256(url.encode()).hexdigest()[:MARK_DIGITS]
    return f"{shown}#{mark}" if cut or parts.query else shown


def without_address(text: str, url: str) -> str:
    """A text about an address without the parts that may be a token: path and query."""
    parts = urlsplit(url)
    for part in (url, f"{parts.path}?{parts.query}", parts.query, parts.path):
        if len(part) > 1:
            text = text.replace(part, "***")
    return text


def resolved(url: str, allowed: Iterable[Network], resolve: Resolve) -> Target:
    """
    The address to connect to, resolved now. Every address of the name must be allowed.

    Raises ValueError where it may not be sent to, OSError where the name has no address.
    """
    allowed = tuple(allowed)
    parts = check_url(url, allowed)
    host, port = parts.hostname or "", parts.port or (443 if parts.scheme == "https" else 80)
    addresses = [ipaddress.ip_address(text.partition("%")[0]) for text in resolve(host, port)]
    if not addresses:
        raise OSError(f"{host} has no address")
    for address in addresses:
        _require_allowed(address, parts.scheme, allowed)
    shown = f"[{addresses[0]}]" if addresses[0].version == 6 else str(addresses[0])
    connect = parts._replace(netloc=f"{shown}:{port}").geturl()
    return Target(url=url, host=parts.netloc, port=port, connect_url=connect)


def by_system(host: str, port: int) -> list[str]:
    """Addresses of a name as the system knows them."""
    return [str(entry[4][0]) for entry in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)]


def is_public(address: Address) -> bool:
    """True for an address that a public receiver may have; an address that wraps another counts as that."""
    if isinstance(address, ipaddress.IPv4Address):
        return not any(address in network for network in _networks_4())
    inner = _within(address)
    if inner != address:
        return is_public(inner)
    if address not in _UNICAST_6 or any(address in network for network in _networks_6()):
        return False
    is_isatap = int(address) >> 32 & 0xFFFFFFFF in _ISATAP
    return not is_isatap or is_public(ipaddress.IPv4Address(int(address) & 0xFFFFFFFF))


@cache
def _networks_4() -> tuple[ipaddress.IPv4Network, ...]:
    return tuple(map(ipaddress.IPv4Network, _SPECIAL_4))


@cache
def _networks_6() -> tuple[ipaddress.IPv6Network, ...]:
    return tuple(map(ipaddress.IPv6Network, _SPECIAL_6))


def _literal(host: str) -> Address | None:
    try:
        return ipaddress.ip_address(host.removesuffix("."))
    except ValueError:
        return None


def _is_localhost(host: str) -> bool:
    """RFC 6761 section 6.3: localhost and all names below it are loopback, whatever a resolver answers."""
    return f".{host.removesuffix('.').lower()}".endswith(".localhost")


def _require_loopback(scheme: str, allowed: Iterable[Network]) -> None:
    """Raise ValueError unless a loopback address is allowed: which one the name has, is seen when sending."""
    named = [one for one in _LOOPBACK if any(one in network for network in allowed)]
    _require_allowed(named[0] if named else _LOOPBACK[0], scheme, allowed)


def _require_name(host: str) -> None:
    """Raise ValueError for what is no name: a resolver may take it for an address in another spelling."""
    if _NUMBER.fullmatch(host.removesuffix(".").rpartition(".")[2]):
        raise AddressRefused("host_ends_in_a_number")
    if not _NAME.fullmatch(host):
        raise AddressRefused("host_not_a_name")


def _require_allowed(address: Address, scheme: str, allowed: Iterable[Network]) -> None:
    real = _within(address)
    named = any(real.version == network.version and real in network for network in allowed)
    if scheme == "http" and not (named and real.is_loopback):
        raise AddressRefused("url_in_the_clear")
    if isinstance(address, ipaddress.IPv6Address) and address.scope_id is not None:
        raise AddressRefused("address_with_zone", address=str(address))
    if not named and not is_public(real):
        raise AddressRefused("address_not_public", address=str(real))


def _within(address: Address) -> Address:
    """The IPv4 address that an IPv6 one stands for: mapped (RFC 4291), or by NAT64 (RFC 6052)."""
    if isinstance(address, ipaddress.IPv4Address):
        return address
    if address.ipv4_mapped is not None:
        return address.ipv4_mapped
    if address in _NAT64:
        return ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)
    return address
