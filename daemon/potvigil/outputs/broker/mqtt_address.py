"""Whether a broker can be reached in this way at all: its address, and the TLS files."""

import ssl

from potvigil.outputs.broker.mqtt_link import MqttLink, MqttLinkError


def opened_tls(link: MqttLink) -> ssl.SSLContext | None:
    """Return what encrypts the line, None where nothing does. Raises MqttLinkError if it can never be."""
    where = f"MQTT broker {link.host}:{link.port}"
    if link.version not in ("5", "3.1.1"):
        raise MqttLinkError(f"{where}: version {link.version!r} is not supported, use 5 or 3.1.1")
    try:
        usable = bool(link.host.encode("idna")) and 0 < link.port < 65536
    except UnicodeError:
        usable = False
    if not usable:
        raise MqttLinkError(f"{where}: not a valid address; give a host name and a port of 1 to 65535")
    if not link.tls:
        return None
    try:
        tls = ssl.create_default_context(cafile=link.ca_file)
        if link.ca_file is not None:
            # Python 3.13 refuses an authority that does not say what its key is for (RFC 5280, 4.2.1.3), and
            # what `openssl req -x509` makes does not. Signature, names and dates are checked as ever.
            tls.verify_flags &= ~ssl.VERIFY_X509_STRICT
        if link.certificate_file is not None:
            tls.load_cert_chain(link.certificate_file, link.key_file)
    except OSError as error:  # ssl.SSLError is one
        files = ", ".join(str(f) for f in (link.ca_file, link.certificate_file, link.key_file) if f)
        raise MqttLinkError(f"{where}: {error.strerror or error} with {files}; check the TLS files") from None
    return tls
