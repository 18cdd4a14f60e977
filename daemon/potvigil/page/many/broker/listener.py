"""The MQTT client of the page of all records: subscribes to all workshops, sends acknowledgements.

Reconnects by itself. A command is sent once, with QoS 0 and an expiry, and only while connected: delivered
hours later, after a bridge was cut, it would acknowledge an alarm that nobody has seen.
"""

import logging
import ssl
import sys
import threading
import time

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from potvigil.outputs.broker.mqtt_address import opened_tls
from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.page.many.broker.trees import Trees

_log = logging.getLogger("potvigil.mqtt")

_KEEP_ALIVE_S = 30
_FIRST_RETRY_S, _LAST_RETRY_S = 1, 15
_LARGEST_PACKET = 131_072  # MQTT 5: the broker drops larger ones
_STOP_S = 2.0
EXPIRES_S = 10


class Listener:
    """Receives state, sends commands. name: unique among the pages at this broker. Call `start` first."""

    def __init__(self, link: MqttLink, name: str) -> None:
        self.trees = Trees()
        self._link = link
        self._is_v5 = link.version == "5"
        self._where = f"MQTT broker {link.host}:{link.port}"
        self._trouble: str | None = f"{self._where} has not answered yet"
        self._is_reported = False
        self._ignored_reported = 0
        self._is_closing = False
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=link.client_id or f"potvigil-studio-{name}-{link.machine.id}",
            protocol=MQTTProtocolVersion.MQTTv5 if self._is_v5 else MQTTProtocolVersion.MQTTv311,
        )

    @property
    def trouble(self) -> str | None:
        """Why nothing is received now, for a person; None while connected."""
        return self._trouble

    def start(self) -> None:
        """Start connecting in the background. Raises MqttLinkError if the settings cannot work."""
        tls: ssl.SSLContext | None = opened_tls(self._link)
        client = self._client
        client.suppress_exceptions = True  # a fault in a callback must not end the network thread
        client.username_pw_set(self._link.username, self._link.password)
        if tls is not None:
            client.tls_set_context(tls)
        client.reconnect_delay_set(_FIRST_RETRY_S, _LAST_RETRY_S)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        properties = None
        if self._is_v5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.MaximumPacketSize = _LARGEST_PACKET
        client.connect_async(self._link.host, self._link.port, _KEEP_ALIVE_S, properties=properties)
        client.loop_start()

    def close(self) -> None:
        """Disconnect, within two seconds."""
        self._is_closing = True
        self._client.disconnect()
        closer = threading.Thread(target=self._client.loop_stop, name="mqtt-stop", daemon=True)
        closer.start()  # the network thread may hang in a name look-up; do not wait for it
        closer.join(_STOP_S)

    def ask(self, topic: str, payload: bytes) -> bool:
        """Send a command now or not at all; return False if the broker is unreachable."""
        if self._trouble is not None:
            return False
        properties = None
        if self._is_v5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = EXPIRES_S
        sent = self._client.publish(topic, payload, qos=0, properties=properties)
        return sent.rc == MQTTErrorCode.MQTT_ERR_SUCCESS

    # The callbacks below run on the network thread.

    def _on_connect(
        self, client: Client, _data: object, _flags: ConnectFlags, reason: ReasonCode, _properties: object
    ) -> None:
        if reason.is_failure:
            self._report(f"{self._where} refused the connection ({reason})")
            return
        self.trees.begin()
        client.subscribe([(each, 1) for each in self.trees.filters()])

    def _on_subscribe(
        self, _client: Client, _data: object, _mid: int, reasons: list[ReasonCode], _properties: object
    ) -> None:
        if any(reason.is_failure for reason in reasons):
            self._report(f"{self._where} does not let {self._link.username or 'this page'} read the pots")
            return
        if self._is_reported:
            _log.info("%s is connected", self._where)
        self._trouble, self._is_reported = None, False

    def _on_connect_fail(self, _client: Client, _data: object) -> None:
        error = sys.exc_info()[1]  # paho calls this from its except block
        reason = getattr(error, "strerror", None) or error or "no connection"
        self._report(f"{self._where} is unreachable ({reason})")

    def _on_disconnect(
        self, _client: Client, _data: object, _flags: DisconnectFlags, reason: ReasonCode, _properties: object
    ) -> None:
        if self._trouble is None and not self._is_closing:  # keep the more specific reason
            self._report(f"{self._where} is unreachable ({reason})")

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        self.trees.hear(message.topic, bytes(message.payload), time.monotonic(), time.time())
        if self.trees.ignored >= 10 * max(self._ignored_reported, 0.1):  # the first, the tenth, the hundredth
            self._ignored_reported = self.trees.ignored
            _log.warning(
                "%s: %d messages ignored, the last on %.200r", self._where, self.trees.ignored, message.topic
            )

    def _report(self, trouble: str) -> None:
        self._trouble = trouble
        if not self._is_reported:  # once per outage
            self._is_reported = True
            _log.warning("%s; the page shows what the database has, and the connection is retried", trouble)
