"""Which files the settings name, and which unit reads them: by the keys as somebody wrote them."""

from collections.abc import Iterator, Mapping
from typing import Any

from potvigil.installing.layout import NOTIFY, PAGE, SHIP, STUDIO, WATCH, Secret

# Files beside the settings that are not secret.
_PUBLIC = (
    ("mqtt", "tls", "ca_file"),
    ("mqtt", "tls", "cert_file"),
    ("page", "tls", "cert_file"),
    ("studio", "ca_file"),
)
_SECRET = (
    (WATCH, ("mqtt", "password_file")),
    (WATCH, ("mqtt", "tls", "key_file")),
    (PAGE, ("page", "password_file")),
    (PAGE, ("page", "tls", "key_file")),
    (NOTIFY, ("heartbeat", "url_file")),
    (NOTIFY, ("heartbeat", "fail_url_file")),
    (SHIP, ("studio", "password_file")),
)


def secrets_of(tree: Mapping[str, Any], *, of_studio: bool = False) -> list[Secret]:
    """Return every secret file the settings name. of_studio: those of a studio's page, which reads all."""
    found = [
        Secret(STUDIO if of_studio else unit, ".".join(path), name)
        for unit, path in _SECRET
        if (name := _at(tree, path)) is not None
    ]
    return found + [Secret(NOTIFY, f"notify.targets[{i}].url_file", name) for i, name in _targets(tree)]


def public_of(tree: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return every other file the settings name, as (key, name)."""
    return [(".".join(path), name) for path in _PUBLIC if (name := _at(tree, path)) is not None]


def _targets(tree: Mapping[str, Any]) -> Iterator[tuple[int, str]]:
    notify = tree.get("notify")
    targets = notify.get("targets") if isinstance(notify, Mapping) else None
    for i, target in enumerate(targets if isinstance(targets, list) else ()):
        name = _at(target, ("url_file",))
        if name is not None:
            yield i, name


def _at(tree: Any, path: tuple[str, ...]) -> str | None:
    for key in path:
        tree = tree.get(key) if isinstance(tree, Mapping) else None
    return tree if isinstance(tree, str) else None
