"""The page's certificate: whether OpenSSL and the ssl module accept it, and how it is created and renewed.

Fields: RFC 5280, by `openssl verify -x509_strict`. Names: RFC 6125, by the ssl module. Longest validity that
phones accept, 825 days: Apple, "Requirements for trusted certificates in iOS 13" (HT210176; from memory).
"""

import socket
import ssl
import stat
import subprocess
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509

from paged import shown
from potvigil.cli import main
from potvigil.commands.page_where import authority_of, reachable
from potvigil.page import addresses
from potvigil.page.certificate import (
    RENEWED_BEFORE_DAYS,
    CertificateError,
    is_of,
    known,
    new_authority,
    new_certificate,
)

NOW = datetime.now(UTC)
NAMES = ["pot.local", "pot", "192.168.1.20", "fd00::20", "localhost", "127.0.0.1", "::1"]


@pytest.fixture(scope="module")
def authority():
    return new_authority("harbour-models", ["pot", "pot.local"], NOW)


def openssl(*words: object) -> str:
    return subprocess.run(["openssl", *map(str, words)], capture_output=True, text=True, check=True).stdout


def handshake(folder: Path, name: str) -> None:
    """Do a TLS handshake like a browser that trusts the authority and opens `name`."""
    server_context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server_context.load_cert_chain(folder / "page.pem", folder / "page.key")
    client_context = ssl.create_default_context(cafile=str(folder / "page-authority.pem"))
    client_context.verify_flags |= ssl.VERIFY_X509_STRICT
    ours, theirs = socket.socketpair()

    def serve() -> None:
        try:
            server_context.wrap_socket(ours, server_side=True).close()
        except OSError:
            ours.close()

    serving = threading.Thread(target=serve)
    serving.start()
    try:
        client_context.wrap_socket(theirs, server_hostname=name).close()
    finally:
        theirs.close()
        serving.join()


@pytest.fixture
def folder(authority, tmp_path) -> Path:
    made = new_certificate(authority, NAMES, NOW)
    (tmp_path / "page-authority.pem").write_bytes(authority.certificate)
    (tmp_path / "page.pem").write_bytes(made.certificate)
    (tmp_path / "page.key").write_bytes(made.key)
    return tmp_path


def test_openssl_accepts_both_certificates(folder):
    said = openssl(
        "verify",
        "-x509_strict",
        "-purpose",
        "sslserver",
        "-CAfile",
        folder / "page-authority.pem",
        folder / "page.pem",
    )
    assert said.strip().endswith("OK")
    assert "CA:TRUE, pathlen:0" in openssl("x509", "-in", folder / "page-authority.pem", "-noout", "-text")
    lasts = known((folder / "page.pem").read_bytes()).ends - NOW
    assert timedelta(days=365) < lasts < timedelta(days=825)


@pytest.mark.parametrize("name", NAMES)
def test_a_client_accepts_each_name_and_address(folder, name):
    handshake(folder, name)


def test_a_client_rejects_another_name(folder):
    with pytest.raises(ssl.SSLCertVerificationError, match="mismatch"):
        handshake(folder, "elsewhere.local")


@pytest.mark.parametrize("name", ["bank.example", "example", "notlocal", "8.8.8.8", "2001:db8::1"])
def test_the_authority_refuses_names_outside_the_local_network(authority, folder, name):
    with pytest.raises(CertificateError, match="may not vouch"):
        new_certificate(authority, [name], NOW)


def test_a_client_rejects_a_public_name_signed_by_the_stolen_key(authority, folder, monkeypatch):
    monkeypatch.setattr("potvigil.page.certificate._check_covered", lambda authority, names: None)
    stolen = new_certificate(authority, ["bank.example"], NOW)
    (folder / "page.pem").write_bytes(stolen.certificate)
    (folder / "page.key").write_bytes(stolen.key)
    with pytest.raises(ssl.SSLCertVerificationError, match="permitted subtree violation"):
        handshake(folder, "bank.example")


def test_the_authority_is_found_in_the_file_of_the_certificate(folder, authority, tmp_path):
    der = authority_of(folder / "page.pem")
    assert x509.load_der_x509_certificate(der) == x509.load_pem_x509_certificate(authority.certificate)
    assert authority_of(folder / "page-authority.pem") is None  # alone
    assert authority_of(tmp_path / "nothing") is None


def test_a_phone_can_load_the_authority_without_a_password(watched, tmp_path, folder):
    der = authority_of(folder / "page.pem")
    with shown(watched, tmp_path / "with", password="scrypt$", authority=der) as client:
        answer = client.get("/authority.crt")
        assert answer.content == der
        assert answer.headers["content-type"] == "application/x-x509-ca-cert"  # what iOS and Android expect
    with shown(watched, tmp_path / "without") as client:
        assert client.get("/authority.crt").status_code == 404


# --- the verb


def certify(capsys, *words: object) -> tuple[int, str, str]:
    status = main(["page", "certificate", *map(str, words)])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_the_verb_creates_a_certificate_and_overwrites_nothing(tmp_path, capsys):
    out = tmp_path / "tls"
    status, said, _ = certify(capsys, "--out", out)
    assert status == 0
    for name, mode in (("page.key", 0o600), ("page-authority.key", 0o600), ("page.pem", 0o644)):
        assert stat.S_IMODE((out / name).stat().st_mode) == mode
    for wanted in (
        "valid until",
        "SHA-256",
        "iPhone",
        "Android",
        "authority.crt",
        "--renew",
        "tls: {cert_file",
    ):
        assert wanted in said
    assert "PRIVATE" not in said
    handshake(out, "localhost")
    before = {path: path.read_bytes() for path in out.iterdir()}
    for missing in (None, out / "page.pem"):
        if missing is not None:
            missing.unlink()
            del before[missing]
        status, _, said = certify(capsys, "--out", out)
        assert status == 2 and "is there already and was left" in said and said.count("\n") == 1
        assert {path: path.read_bytes() for path in out.iterdir()} == before


def test_it_is_renewed_before_it_expires_by_the_same_authority(tmp_path, capsys):
    out = tmp_path / "tls"
    certify(capsys, "--out", out)
    trusted, first = (out / "page-authority.pem").read_bytes(), (out / "page.pem").read_bytes()
    status, said, _ = certify(capsys, "--out", out, "--renew")
    assert status == 0 and "nothing was renewed" in said
    assert (out / "page.pem").read_bytes() == first
    _shorten(out, RENEWED_BEFORE_DAYS - 1)
    short = known((out / "page.pem").read_bytes()).ends
    status, said, _ = certify(capsys, "--out", out, "--renew")
    ends = known((out / "page.pem").read_bytes()).ends
    assert status == 0 and f"renewed, valid until {ends:%-d %B %Y}" in said
    assert ends > short + timedelta(days=300)
    assert (out / "page-authority.pem").read_bytes() == trusted
    assert is_of((out / "page.pem").read_bytes(), trusted)
    handshake(out, "localhost")


def test_it_is_renewed_for_a_new_host_name_or_a_lost_key(tmp_path, capsys, monkeypatch):
    out = tmp_path / "tls"
    certify(capsys, "--out", out)
    (out / "page.key").unlink()
    assert "renewed" in certify(capsys, "--out", out, "--renew")[1]
    handshake(out, "localhost")
    monkeypatch.setattr("potvigil.commands.page_certificate.own_names", lambda: ["loft.local"])
    assert "renewed" in certify(capsys, "--out", out, "--renew")[1]
    handshake(out, "loft.local")
    monkeypatch.setattr("potvigil.commands.page_certificate.own_names", lambda: ["loft.example"])
    status, _, said = certify(capsys, "--out", out, "--renew")
    assert status == 2 and "may not vouch for loft.example; make a new one" in said


def test_a_foreign_certificate_is_left_alone(tmp_path, capsys):
    out = tmp_path / "tls"
    status, _, said = certify(capsys, "--out", out, "--renew")
    assert status == 2 and "is missing" in said
    certify(capsys, "--out", out)
    other = new_authority("elsewhere", [], NOW)
    foreign = new_certificate(other, ["localhost"], NOW).certificate
    for content in (foreign, b"no certificate\n"):
        (out / "page.pem").write_bytes(content)
        status, _, said = certify(capsys, "--out", out, "--renew")
        assert status == 2 and "was not made by" in said
        assert (out / "page.pem").read_bytes() == content
    (tmp_path / "file").write_text("")
    status, _, said = certify(capsys, "--out", tmp_path / "file")
    assert status == 2 and "is not a folder" in said


def _shorten(out: Path, days: int) -> None:
    """Replace the page's certificate by one that expires in `days`."""
    from potvigil.page.certificate import Pair

    pair = Pair((out / "page-authority.pem").read_bytes(), (out / "page-authority.key").read_bytes())
    names = known((out / "page.pem").read_bytes()).names
    then = NOW - timedelta(days=397 - 1 - days)
    (out / "page.pem").write_bytes(new_certificate(pair, names, then).certificate)


# --- the page's addresses


def test_the_addresses_a_phone_can_use_are_printed(monkeypatch):
    monkeypatch.setattr("potvigil.commands.page_where.own_addresses", lambda: ["192.168.1.20", "fd00::20"])
    monkeypatch.setattr("potvigil.commands.page_where.own_names", lambda: ["pot.local", "pot"])
    monkeypatch.setattr("potvigil.commands.page_where.answers_mdns", lambda: True)
    assert reachable("127.0.0.1", ["pots.lan"]) == reachable("localhost", []) == reachable("::1", []) == []
    assert reachable("0.0.0.0", ["pots.lan"]) == ["pots.lan", "pot.local", "192.168.1.20"]
    assert reachable("::", []) == ["pot.local", "192.168.1.20", "fd00::20"]
    assert reachable("192.168.1.20", []) == ["pot.local", "192.168.1.20"]
    monkeypatch.setattr("potvigil.commands.page_where.answers_mdns", lambda: False)
    assert reachable("0.0.0.0", []) == ["192.168.1.20"]


def test_the_kernel_s_own_addresses_are_found():
    """They include the local address of a connected socket."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # nothing is sent
        except OSError:
            return  # no network at all
        assert probe.getsockname()[0] in [*addresses.own_addresses(), "127.0.0.1"]
    assert not {"127.0.0.1", "::1"} & set(addresses.own_addresses())
