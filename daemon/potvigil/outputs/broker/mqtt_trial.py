"""One try to reach the MQTT broker and to sign in; nothing is published, no running watch disturbed."""

import os
import queue
import sys
from contextlib import suppress

from paho.mqtt.client import Client, ConnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from potvigil.outputs.broker import owner
from potvigil.outputs.broker.homie_tree import topic_base
from potvigil.outputs.broker.mqtt_address import opened_tls
from potvigil.outputs.broker.mqtt_link import MqttLink, Tried

_KEEP_ALIVE_S = 30
_LARGEST = 1000  # bytes of what is read; a name and a state have a tenth of that


def try_broker(link: MqttLink, workshop: str, within_s: float) -> Tried:
    """Return whether the broker accepts us, and whose the workshop is. Raises MqttLinkError."""
    tls = opened_tls(link)
    # another id than the watch's: the broker would disconnect the watch
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"potvigil-check-{link.machine.id}-{os.getpid()}",
        protocol=MQTTProtocolVersion.MQTTv5 if link.version == "5" else MQTTProtocolVersion.MQTTv311,
        reconnect_on_failure=False,
    )
    client.username_pw_set(link.username, link.password)
    if tls is not None:
        client.tls_set_context(tls)
    topics = [owner.owner_topic(workshop), f"{topic_base(workshop, None, rehearsed=False)}/$state"]
    found: dict[str, bytes] = {}
    answers: queue.Queue[Tried] = queue.Queue()

    def answered(
        client: Client, _data: object, _flags: ConnectFlags, reason: ReasonCode, _properties: object
    ) -> None:
        if reason.is_failure:
            answers.put(Tried(f"it refused the connection: {reason}"))
        else:
            client.subscribe([(topic, 0) for topic in topics])

    def heard(_client: Client, _data: object, message: MQTTMessage) -> None:
        if message.topic in topics and len(message.payload) <= _LARGEST:
            found[message.topic] = bytes(message.payload)

    def subscribed(client: Client, *_: object) -> None:
        client.unsubscribe(topics)  # its answer comes after all retained messages

    def unsubscribed(*_: object) -> None:
        other = owner.found(link.machine, *(found.get(topic, b"") for topic in topics))
        answers.put(Tried(other=None if other is None else owner.in_words(workshop, other)))

    client.on_connect = answered
    client.on_message = heard
    client.on_subscribe = subscribed
    client.on_unsubscribe = unsubscribed
    client.on_connect_fail = lambda *_: answers.put(Tried(str(sys.exc_info()[1] or "no connection")))
    client.on_disconnect = lambda *_: answers.put(Tried("it hung up before it answered"))
    client.connect_async(link.host, link.port, _KEEP_ALIVE_S)
    client.loop_start()
    try:
        return answers.get(timeout=within_s)
    except queue.Empty:
        return Tried(None if client.is_connected() else f"no answer in {within_s:g} s")
    finally:
        with suppress(OSError, ValueError):  # it may be in a name look-up, and ends with the process
            client.disconnect()
