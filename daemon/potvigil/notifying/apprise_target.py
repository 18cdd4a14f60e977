"""A target reached through the library Apprise: phone services, mail, MQTT, plain HTTP; one address each.

The only file that imports the library, and only when a target is opened.
"""

import logging
import re
import urllib.parse
from typing import Any

from potvigil.notifying.message import Notification, Send, SendError

# What Apprise's services call their most urgent priority.
_URGENT = ("emergency", "max", "urgent", "high")
# This service repeats its most urgent priority by itself; the schedule does that here.
_URGENT_OF = {"pover": "high"}
# Mail has no priority. RFC 2156, 5.3.4 (Importance); X-Priority as mail programs read it.
_OF_A_MAIL = {"+Importance": "high", "+X-Priority": "1"}
# Shorter parts of an address are not secret.
_LEAST_SECRET, _LONGEST_PORT = 4, 5
# Nor are common words, and hiding them would make a reason unreadable.
_WORDS = frozenset({"localhost", "priority", "mode", "none", "true", "false", "html", "text", "smtp", "high"})


class AddressError(ValueError):
    """An address that Apprise does not know; the text shows only its scheme."""


def apprise_send(url: str) -> Send:
    """Return the sender for an address. Raises AddressError; ImportError where the library is missing."""
    plain = _opened(url)
    urgent = _opened(_urgent(url, plain))

    def send(message: Notification) -> None:
        result = (urgent if message.urgent else plain).notify(
            body=message.text,
            title=message.title,
            notify_type="failure" if message.urgent else "info",
            body_format="text",
        )
        if not result:
            reason = "; ".join(dict.fromkeys(entry.message.rstrip(".") for entry in result.logs()))
            raise SendError(without_secrets(reason, url) or "the service did not accept it")

    return send


def server_of(url: str) -> tuple[str, int] | None:
    """Return host and port of the server first contacted for an address, None where only Apprise knows.

    Raises AddressError; ImportError where the library is missing.
    """
    service = _opened(url)[0]
    public = getattr(service, "notify_url", None)
    own = getattr(service, "smtp_host", None) or getattr(service, "host", None)
    if not own and public is None:
        public = getattr(service, "cloud_notify_url", None)
    if public is not None:
        parts = urllib.parse.urlsplit(str(public))
        host, port = parts.hostname, parts.port or (443 if parts.scheme == "https" else 80)
        return None if host is None or set(host) & set("{}%") else (host, port)
    # a host without a dot may be a secret: services without a server of one's own have their key there
    if not own or not ("." in own or own == "localhost"):
        return None
    return own, int(getattr(service, "port", None) or (443 if getattr(service, "secure", False) else 80))


def without_secrets(text: str, url: str) -> str:
    """Return a reason with all parts of the address that may be secret replaced."""
    parts = urllib.parse.unquote(url).partition("://")[2]
    for part in sorted(re.split(r"[/:@?&=#,; ]+", parts), key=len, reverse=True):
        is_port = part.isdigit() and len(part) <= _LONGEST_PORT
        if len(part) >= _LEAST_SECRET and part.lower() not in _WORDS and not is_port:
            text = text.replace(part, "...")
    return text


def _opened(url: str) -> Any:
    import apprise

    # kept out of our log: the result gives the reason, and secrets are removed from that
    logging.getLogger("apprise").propagate = False
    asset = apprise.AppriseAsset(
        app_id="Potvigil",
        app_desc="Night watch",
        app_url="",
        # no picture from a foreign server beside an alarm
        image_url_mask="",
        image_url_logo="",
        async_mode=False,  # sent by the calling thread
        storage_mode=apprise.PersistentStoreMode.MEMORY,
        secure_logging=True,
    )
    opened = apprise.Apprise(asset=asset)
    kind, _, rest = url.partition("://")
    if not rest.strip("/") or not opened.add(url):
        raise AddressError(f"{kind}://... is not a complete address of a service that Apprise knows")
    return opened


def _urgent(url: str, plain: Any) -> str:
    """Return the address with the service's most urgent priority, where it has one and none is given."""
    service = plain[0]
    query = urllib.parse.parse_qs(urllib.parse.urlsplit(url).query)
    kind = url.partition("://")[0].lower()
    if kind in ("mailto", "mailtos"):
        more = {key: value for key, value in _OF_A_MAIL.items() if key not in query}
    elif "priority" in query or "priority" not in service.template_args:
        return url
    else:
        known = service.template_args["priority"].get("values") or ()
        words = {str(each).lower() for each in known}
        more = {"priority": _URGENT_OF.get(kind) or next((w for w in _URGENT if w in words), "emergency")}
    return f"{url}{'&' if '?' in url else '?'}{urllib.parse.urlencode(more)}" if more else url
