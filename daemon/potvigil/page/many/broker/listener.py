"""The wire from the page of all records to the broker: hears all workshops, asks a watch to acknowledge.

Connects again by itself. What is asked is sent once, with QoS 0, to a broker that is there, and told to
expire: what comes to a watch hours later, by a bridge that was cut, would acknowledge what nobody has seen.
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
_LARGEST_PACKET = 131_072  # MQTT 5: the broker keeps larger ones to itself
_STOP_S = 2.0
EXPIRES_S = 10


class Listener:
    """Hears and asks. name: of the page, unlike any other page's at this broker. `start` first."""

    def __init__(self, link: MqttLink, name: str) -> None:
        self.trees = Trees()
        self._link = link
        self._is_v5 = link.version == "5"
        self._where = f"MQTT broker {link.host}:{link.port}"
        self._trouble: str | None = f"{self._where} has not answered yet"
        self._is_told = False
        self._ignored_told = 0
        self._is_closing = False
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=link.client_id or f"potvigil-studio-{name}-{link.machine.id}",
            protocol=MQTTProtocolVersion.MQTTv5 if self._is_v5 else MQTTProtocolVersion.MQTTv311,
        )

    @property
    def trouble(self) -> str | None:
        """Why nothing is heard now, in words for a person; None where the broker is there."""
        return self._trouble

    def start(self) -> None:
        """Begin to connect; returns at once, the broker may be away. Raises MqttLinkError if it never can."""
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
        """Let the broker go, in two seconds at most."""
        self._is_closing = True
        self._client.disconnect()
        closer = threading.Thread(target=self._client.loop_stop, name="mqtt-stop", daemon=True)
        closer.start()  # the network thread may sit in a name look-up: it is left to end by itself
        closer.join(_STOP_S)

    def ask(self, topic: str, payload: bytes) -> bool:
        """Send what is asked of a watch now or never; False where the broker is not there."""
        if self._trouble is not None:
            return False
        properties = None
        if self._is_v5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = EXPIRES_S
        sent = self._client.publish(topic, payload, qos=0, properties=properties)
        return sent.rc == MQTTErrorCode.MQTT_ERR_SUCCESS

    # The rest runs on the network thread.

    def _on_connect(
        self, client: Client, _data: object, _flags: ConnectFlags, reason: ReasonCode, _properties: object
    ) -> None:
        if reason.is_failure:
            self._tell(f"{self._where} refused the connection ({reason})")
            return
        self.trees.begin()
        client.subscribe([(each, 1) for each in self.trees.filters()])

    def _on_subscribe(
        self, _client: Client, _data: object, _mid: int, reasons: list[ReasonCode], _properties: object
    ) -> None:
        if any(reason.is_failure for reason in reasons):
            self._tell(f"{self._where} does not let {self._link.username or 'this page'} read the pots")
            return
        if self._is_told:
            _log.info("%s is connected", self._where)
        self._trouble, self._is_told = None, False

    def _on_connect_fail(self, _client: Client, _data: object) -> None:
        error = sys.exc_info()[1]  # called while it is being handled
        reason = getattr(error, "strerror", None) or error or "no connection"
        self._tell(f"{self._where} is unreachable ({reason})")

    def _on_disconnect(
        self, _client: Client, _data: object, _flags: DisconnectFlags, reason: ReasonCode, _properties: object
    ) -> None:
        if self._trouble is None and not self._is_closing:  # else it was told better
            self._tell(f"{self._where} is unreachable ({reason})")

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        self.trees.hear(message.topic, bytes(message.payload), time.monotonic(), time.time())
        if self.trees.ignored >= 10 * max(self._ignored_told, 0.1):  # the first, the tenth, the hundredth
            self._ignored_told = self.trees.ignored
            _log.warning(
                "%s: %d messages ignored, the last on %.200r", self._where, self.trees.ignored, message.topic
            )

    def _tell(self, trouble: str) -> None:
        self._trouble = trouble
        if not self._is_told:  # once an outage
            self._is_told = True
            _log.warning("%s; the page shows what the database has, and the connection is retried", trouble)
