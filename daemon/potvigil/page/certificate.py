"""The page's certificate, and the local authority that signs it.

A phone is set to trust the authority once; certificates are then renewed without it. Name constraints (RFC
5280, 4.2.1.10) limit the authority to local names and addresses, so a stolen key is of little use elsewhere.
Names, lengths and extensions: RFC 5280; host names: RFC 6125.
"""

import ipaddress
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

AUTHORITY_DAYS = 3650
# Apple accepts no more than 825 days, even from an authority the user trusts (HT210176; from memory).
CERTIFICATE_DAYS = 397
RENEWED_BEFORE_DAYS = 60
_BACKDATED = timedelta(days=1)  # a phone whose clock is behind
# Loopback, private (RFC 1918), shared (RFC 6598), link-local, unique local (RFC 4193).
HOUSE_NETWORKS = (
    *("127.0.0.0/8", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "100.64.0.0/10", "169.254.0.0/16"),
    *("::1/128", "fc00::/7", "fe80::/10"),
)
_Network = ipaddress.IPv4Network | ipaddress.IPv6Network


class CertificateError(ValueError):
    """A certificate or key that is not ours or cannot be used; the text says what to do."""


@dataclass(frozen=True, slots=True)
class Pair:
    """A certificate and its private key, both as PEM."""

    certificate: bytes
    key: bytes


@dataclass(frozen=True, slots=True)
class CertificateFacts:
    """Contents of a certificate. names: and addresses. fingerprint: SHA-256 in pairs of hex digits."""

    names: tuple[str, ...]
    ends: datetime
    fingerprint: str

    def is_due(self, now: datetime) -> bool:
        """Return whether it should be renewed."""
        return self.ends - now < timedelta(days=RENEWED_BEFORE_DAYS)


def new_authority(workshop: str, names: Sequence[str], now: datetime) -> Pair:
    """Return a new authority for these names, for .local and for local addresses."""
    key = ec.generate_private_key(ec.SECP256R1())
    networks: list[x509.GeneralName] = [x509.IPAddress(ipaddress.ip_network(each)) for each in HOUSE_NETWORKS]
    domains = dict.fromkeys(["local", "localhost", *(each for each in names if _address(each) is None)])
    permitted: list[x509.GeneralName] = [x509.DNSName(each) for each in domains]
    subject = _name(f"Potvigil in {workshop}"[:64])
    built = (
        _begun(subject, subject, key, now, AUTHORITY_DAYS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(of_authority=True), critical=True)
        .add_extension(x509.NameConstraints([*permitted, *networks], None), critical=True)
        .sign(key, hashes.SHA256())
    )
    return Pair(_pem(built), _key_pem(key))


def new_certificate(authority: Pair, names: Sequence[str], now: datetime) -> Pair:
    """Return a new certificate for the page, followed by its authority's. Raises CertificateError.

    names: host names and addresses; the first becomes the common name.
    """
    by = x509.load_pem_x509_certificate(authority.certificate)
    by_key = serialization.load_pem_private_key(authority.key, None)
    if not isinstance(by_key, ec.EllipticCurvePrivateKey) or by.public_key() != by_key.public_key():
        raise CertificateError("the authority's key is not that of its certificate")
    _check_covered(by, names)
    days = min(CERTIFICATE_DAYS, (by.not_valid_after_utc - now).days)
    if days < RENEWED_BEFORE_DAYS:
        raise CertificateError(f"the authority itself expires on {by.not_valid_after_utc:%-d %B %Y}")
    key = ec.generate_private_key(ec.SECP256R1())
    alternatives = [
        x509.DNSName(each) if (address := _address(each)) is None else x509.IPAddress(address)
        for each in names
    ]
    built = (
        _begun(_name(names[0][:64]), by.subject, key, now, days)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(of_authority=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(alternatives), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(by_key.public_key()), critical=False
        )
        .sign(by_key, hashes.SHA256())
    )
    return Pair(_pem(built) + authority.certificate, _key_pem(key))


def known(certificate: bytes) -> CertificateFacts:
    """Return the contents of the first certificate in a PEM file. Raises CertificateError."""
    try:
        read = x509.load_pem_x509_certificate(certificate)
        found = read.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        names = (*found.get_values_for_type(x509.DNSName), *found.get_values_for_type(x509.IPAddress))
    except x509.ExtensionNotFound:
        names = ()
    except ValueError:
        raise CertificateError("is not a certificate") from None
    fingerprint = read.fingerprint(hashes.SHA256()).hex(":").upper()
    return CertificateFacts(tuple(str(each) for each in names), read.not_valid_after_utc, fingerprint)


def is_of(certificate: bytes, authority: bytes) -> bool:
    """Return whether a certificate was issued by an authority; both PEM."""
    try:
        made, by = x509.load_pem_x509_certificate(certificate), x509.load_pem_x509_certificate(authority)
        made.verify_directly_issued_by(by)
    except (ValueError, TypeError, InvalidSignature):
        return False
    return True


def can_be_vouched_for(name: str) -> bool:
    """Return whether a new authority could sign for this name or address."""
    address = _address(name)
    return address is None or any(address in each for each in map(_network, HOUSE_NETWORKS))


def _check_covered(authority: x509.Certificate, names: Sequence[str]) -> None:
    constraints = authority.extensions.get_extension_for_class(x509.NameConstraints).value
    permitted = [each.value for each in constraints.permitted_subtrees or ()]
    for name in names:
        address = _address(name)
        is_covered = any(
            address in each
            if address is not None and isinstance(each, _Network)
            else address is None and isinstance(each, str) and f".{name}".endswith(f".{each}")
            for each in permitted
        )
        if not is_covered:
            raise CertificateError(f"the authority may not vouch for {name}")


def _begun(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePrivateKey, now: datetime, days: int
) -> x509.CertificateBuilder:
    public = key.public_key()
    begins = now.astimezone(UTC) - _BACKDATED
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(public)
        .serial_number(x509.random_serial_number())
        .not_valid_before(begins)
        .not_valid_after(begins + timedelta(days=days))
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)
    )


def _usage(*, of_authority: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not of_authority,
        key_cert_sign=of_authority,
        crl_sign=of_authority,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )


def _name(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])


def _address(name: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        return ipaddress.ip_address(name)
    except ValueError:
        return None


def _network(text: str) -> _Network:
    return ipaddress.ip_network(text)


def _pem(certificate: x509.Certificate) -> bytes:
    return certificate.public_bytes(serialization.Encoding.PEM)


def _key_pem(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
