"""The lab's own certificate authority, so that tablets on its network get https.

A browser gives offline pages, locks and lasting storage only to https and localhost. The
authority can vouch for private networks and the names it was made for, and for nothing else
(RFC 5280 section 4.2.1.10), so that trusting it on a tablet opens no door to the wider web.
Keys are readable by their owner only.
"""

import ipaddress
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

AUTHORITY_YEARS = 10
SERVER_DAYS = 397  # browsers refuse server certificates that are valid for much longer
RENEW_BEFORE_DAYS = 60
CLOCK_SLACK = timedelta(days=2)  # a tablet's clock may be behind
# Where a lab's own machines live: private networks (RFC 1918, RFC 4193) and private names
# (RFC 6762, RFC 8375, and the top-level name reserved for private use).
PRIVATE_NETWORKS = (
    "10.0.0.0/8",
    "127.0.0.0/8",
    "169.254.0.0/16",
    "172.16.0.0/12",
    "192.168.0.0/16",
    "::1/128",
    "fc00::/7",
    "fe80::/10",
)
PRIVATE_NAMES = ("localhost", "local", "lan", "internal", "home.arpa")

Key = ec.EllipticCurvePrivateKey


@dataclass(frozen=True)
class Papers:
    """Where the certificates and the server's key lie, and what a person compares."""

    authority: Path
    server: Path
    server_key: Path
    fingerprint: str
    valid_until: datetime
    was_renewed: bool


def ensure_papers(
    folder: Path,
    *,
    lab: str,
    hosts: Sequence[str],
    renew: bool = False,
    now: datetime | None = None,
) -> Papers:
    """Make what is missing, and the server's certificate anew when it is near its end.

    Raises
    ------
    ValueError
        When the authority that is there may not vouch for one of the hosts.
    """
    at = now or datetime.now(UTC)
    folder.mkdir(parents=True, exist_ok=True)
    folder.chmod(0o700)
    authority, authority_key = _authority(folder, lab=lab, hosts=hosts, at=at)
    for host in hosts:
        if not _may_vouch(authority, host):
            raise ValueError(
                f"The authority in {folder} was not made for {host}. Move that folder away to "
                "make a new one; every tablet then has to trust the new one."
            )
    server_path, key_path = folder / "server.crt", folder / "server.key"
    standing = _read(server_path)
    is_due = renew or standing is None or _is_due(standing, authority, hosts=hosts, at=at)
    if is_due or standing is None or not key_path.exists():
        key = ec.generate_private_key(ec.SECP256R1())
        standing = _server_certificate(authority, authority_key, key, hosts=hosts, at=at)
        _write_key(key_path, key)
        _write(server_path, _pem(standing) + _pem(authority))
        is_due = True
    return Papers(
        authority=folder / "authority.crt",
        server=server_path,
        server_key=key_path,
        fingerprint=authority.fingerprint(hashes.SHA256()).hex(":").upper(),
        valid_until=standing.not_valid_after_utc,
        was_renewed=is_due,
    )


def _authority(
    folder: Path, *, lab: str, hosts: Sequence[str], at: datetime
) -> tuple[x509.Certificate, Key]:
    path, key_path = folder / "authority.crt", folder / "authority.key"
    standing = _read(path)
    if standing is not None and key_path.exists() and standing.not_valid_after_utc > at:
        key = serialization.load_pem_private_key(key_path.read_bytes(), password=None)
        if not isinstance(key, Key):
            raise ValueError(f"{key_path} holds another kind of key than this command makes.")
        return standing, key
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"{lab[:40]} bench authority")])
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(at - CLOCK_SLACK)
        .not_valid_after(at + timedelta(days=365 * AUTHORITY_YEARS))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs=True), critical=True)
        .add_extension(x509.NameConstraints(_permitted(hosts), None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    _write_key(key_path, key)
    _write(path, _pem(certificate))
    return certificate, key


def _permitted(hosts: Iterable[str]) -> list[x509.GeneralName]:
    networks = [ipaddress.ip_network(network) for network in PRIVATE_NETWORKS]
    names = list(PRIVATE_NAMES)
    for host in hosts:
        address = _address(host)
        if address is None:
            names.append(host)
        elif not any(address in network for network in networks):
            networks.append(ipaddress.ip_network(address))
    return [*map(x509.DNSName, dict.fromkeys(names)), *map(x509.IPAddress, networks)]


def _may_vouch(authority: x509.Certificate, host: str) -> bool:
    permitted = authority.extensions.get_extension_for_class(x509.NameConstraints).value
    address = _address(host)
    for name in permitted.permitted_subtrees or []:
        network = name.value
        if isinstance(network, ipaddress.IPv4Network | ipaddress.IPv6Network):
            if address is not None and address in network:
                return True
        elif address is None and (host == name.value or host.endswith(f".{name.value}")):
            return True
    return False


def _server_certificate(
    authority: x509.Certificate, authority_key: Key, key: Key, *, hosts: Sequence[str], at: datetime
) -> x509.Certificate:
    return (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, hosts[0][:64])]))
        .issuer_name(authority.subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(at - CLOCK_SLACK)
        .not_valid_after(min(at + timedelta(days=SERVER_DAYS - 2), authority.not_valid_after_utc))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(_names(hosts)), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key()),
            critical=False,
        )
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(authority_key, hashes.SHA256())
    )


def _is_due(
    server: x509.Certificate, authority: x509.Certificate, *, hosts: Sequence[str], at: datetime
) -> bool:
    names = server.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    is_for_others = set(names) != set(_names(hosts))
    is_old = server.not_valid_after_utc - at < timedelta(days=RENEW_BEFORE_DAYS)
    is_of_another = (
        server.extensions.get_extension_for_class(x509.AuthorityKeyIdentifier).value.key_identifier
        != authority.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value.digest
    )
    return is_for_others or is_old or is_of_another


def _names(hosts: Sequence[str]) -> list[x509.GeneralName]:
    names: list[x509.GeneralName] = []
    for host in dict.fromkeys(hosts):
        address = _address(host)
        names.append(x509.DNSName(host) if address is None else x509.IPAddress(address))
    return names


def _address(host: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        return ipaddress.ip_address(host)
    except ValueError:
        return None


def _usage(*, signs: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs,
        key_cert_sign=signs,
        crl_sign=signs,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )


def _read(path: Path) -> x509.Certificate | None:
    return x509.load_pem_x509_certificate(path.read_bytes()) if path.exists() else None


def _pem(certificate: x509.Certificate) -> bytes:
    return certificate.public_bytes(serialization.Encoding.PEM)


def _write_key(path: Path, key: Key) -> None:
    _write(
        path,
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        ),
        mode=0o600,
    )


def _write(path: Path, content: bytes, *, mode: int = 0o644) -> None:
    """Put a whole file in place of the old one; never readable by others for a moment."""
    own = path.with_name(f"{path.name}.{os.getpid()}")
    descriptor = os.open(own, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(descriptor, "wb") as file:
        file.write(content)
    own.replace(path)
