"""One try to reach the MQTT broker and to sign in; nothing is published, no running watch disturbed."""

import os
import queue
import sys
from contextlib import suppress

from paho.mqtt.client import Client, ConnectFlags
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from potvigil.outputs.broker.mqtt_address import opened_tls
from potvigil.outputs.broker.mqtt_link import MqttLink

_KEEP_ALIVE_S = 30


def fault_of_broker(link: MqttLink, within_s: float) -> str | None:
    """Return why the broker does not take us, None where it does. Raises MqttLinkError if it never can."""
    tls = opened_tls(link)
    # another id than the watch's: the broker would put that out
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"potvigil-check-{os.getpid()}",
        protocol=MQTTProtocolVersion.MQTTv5 if link.version == "5" else MQTTProtocolVersion.MQTTv311,
        reconnect_on_failure=False,
    )
    client.username_pw_set(link.username, link.password)
    if tls is not None:
        client.tls_set_context(tls)
    answers: queue.Queue[str | None] = queue.Queue()

    def answered(
        _client: Client, _data: object, _flags: ConnectFlags, reason: ReasonCode, _properties: object
    ) -> None:
        answers.put(f"it refused the connection: {reason}" if reason.is_failure else None)

    client.on_connect = answered
    client.on_connect_fail = lambda *_: answers.put(str(sys.exc_info()[1] or "no connection"))
    client.on_disconnect = lambda *_: answers.put("it hung up before it answered")
    client.connect_async(link.host, link.port, _KEEP_ALIVE_S)
    client.loop_start()
    try:
        return answers.get(timeout=within_s)
    except queue.Empty:
        return f"no answer in {within_s:g} s"
    finally:
        with suppress(OSError, ValueError):  # it may sit in a name look-up, and ends with the process
            client.disconnect()
