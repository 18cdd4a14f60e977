"""Makes and renews a certificate for the page, and says how to make a phone trust it."""

import argparse
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from potvigil.commands.shared.common import UseError, known_settings
from potvigil.commands.shared.status import DONE
from potvigil.page.addresses import own_addresses, own_names
from potvigil.settings.loading import load_either
from potvigil.settings.network import PageSettings, PageTlsSettings
from potvigil.settings.schema import Settings
from potvigil.upkeep.own_file import PUBLIC, SECRET, write

# from memory of iOS 18 and Android 15; makers rename their menus
_TRUST = """\
On each phone, once (start the page first):
  1. Open {address} in the phone's browser; it warns; continue anyway.
     Before the next step compare the fingerprint the phone shows, where it does, with the one above.
  2. iPhone, in Safari: Allow, then Settings > General > VPN & Device Management > the profile > Install,
     then Settings > General > About > Certificate Trust Settings: turn it on.
     Android: Settings > Security & privacy > More > Encryption & credentials > Install a certificate >
     CA certificate > Install anyway, and choose the file.
  3. Open the page again: the warning is gone. A renewed certificate needs none of this."""


@dataclass(frozen=True, slots=True)
class _Files:
    certificate: Path
    key: Path

    @property
    def authority(self) -> Path:
        return self.certificate.with_name("page-authority.pem")

    @property
    def authority_key(self) -> Path:
        return self.certificate.with_name("page-authority.key")

    def all(self) -> tuple[Path, ...]:
        return self.certificate, self.key, self.authority, self.authority_key


def certificate(args: argparse.Namespace) -> int:
    """Make authority and certificate, or renew the certificate where that is due."""
    from potvigil.page.certificate import CertificateError, new_authority

    known = None if args.record is not None else known_settings(args)
    settings = None if known is None else load_either(known)
    workshop = settings.workshop if isinstance(settings, Settings) else "the workshop"
    page = PageSettings.model_validate({}) if settings is None else settings.page
    files, names = _files(args, page.tls), _names([page.host, *page.names])
    now = datetime.now(UTC)
    try:
        if args.renew:
            return _renewed(files, names, now)
        for path in files.all():
            if path.exists():
                raise UseError(f"{path} is there already and was left; renew with --renew, or give --out")
        authority = new_authority(workshop, names, now)
        write(files.authority_key, authority.key, SECRET)
        write(files.authority, authority.certificate, PUBLIC)
        _make(files, names, now)
    except CertificateError as error:
        raise UseError(f"{files.authority}: {error}; make a new one with --out FOLDER") from error
    except OSError as error:
        raise UseError(f"{error.filename or files.certificate}: {error.strerror}; give --out") from error
    _print_next_steps(files, page.port, page.tls is None)
    return DONE


def _renewed(files: _Files, names: list[str], now: datetime) -> int:
    from potvigil.page.certificate import is_of, known

    for path in (files.authority, files.authority_key):
        if not path.exists():
            raise UseError(f"{path} is missing, so nothing can be renewed; start over with --out FOLDER")
    there = files.certificate.read_bytes() if files.certificate.exists() else None
    if there is not None:
        if not is_of(there, files.authority.read_bytes()):
            raise UseError(f"{files.certificate} was not made by {files.authority} and was left; give --out")
        found = known(there)
        if files.key.exists() and not found.is_due(now) and set(names) <= set(found.names):
            print(f"{files.certificate}: valid until {found.ends:%-d %B %Y}; nothing was renewed")
            return DONE
    _make(files, names, now)
    ends = known(files.certificate.read_bytes()).ends
    print(f"{files.certificate}: renewed, valid until {ends:%-d %B %Y}; start the page again")
    return DONE


def _make(files: _Files, names: list[str], now: datetime) -> None:
    from potvigil.page.certificate import Pair, new_certificate

    authority = Pair(files.authority.read_bytes(), files.authority_key.read_bytes())
    made = new_certificate(authority, names, now)
    write(files.key, made.key, SECRET)
    write(files.certificate, made.certificate, PUBLIC)


def _print_next_steps(files: _Files, port: int, is_unnamed: bool) -> None:
    from potvigil.page.certificate import known

    made = known(files.certificate.read_bytes())
    print(f"{files.certificate}: valid until {made.ends:%-d %B %Y}, for {', '.join(made.names)}")
    print(f"{files.key}: its key; give it to nobody but the page")
    print(f"{files.authority}: for phones to trust")
    print(f"  SHA-256 {known(files.authority.read_bytes()).fingerprint}")
    print(f"{files.authority_key}: makes the next certificate; no other machine needs it")
    if is_unnamed:
        print(f"In the settings: page: {{tls: {{cert_file: {files.certificate}, key_file: {files.key}}}}}")
    host = next((name for name in made.names if name.endswith(".local")), made.names[0])
    print("Before it expires: potvigil page certificate --renew")
    print(_TRUST.format(address=f"https://{host}:{port}/authority.crt"))


def _files(args: argparse.Namespace, tls: PageTlsSettings | None) -> _Files:
    folder: Path | None = args.out
    if folder is None and tls is not None:
        return _Files(tls.cert_file, tls.key_file)
    folder = folder or Path()
    if folder.exists() and not folder.is_dir():
        raise UseError(f"--out {folder} is not a folder; give one")
    folder.mkdir(mode=0o755, parents=True, exist_ok=True)
    return _Files(folder / "page.pem", folder / "page.key")


def _names(of_settings: list[str]) -> list[str]:
    """Return all names and addresses the certificate is for."""
    from potvigil.page.certificate import can_be_vouched_for

    wanted = [*own_names(), *of_settings, *own_addresses(), "localhost", "127.0.0.1", "::1"]
    usable = [name for name in wanted if name not in ("0.0.0.0", "::") and can_be_vouched_for(name)]
    return list(dict.fromkeys(usable))
