"""The connection to the MQTT broker, which keeps the current state there across any outage.

The thread of the loop calls `publish` once a tick. It compares what should be on the broker with what this
connection has sent, hands the difference to the client library's network thread, and never waits. Nothing is
queued for an absent broker: at the next connection the whole current state is sent again.

Before it publishes it reads what an earlier run left there: the descriptions, which hold the versions and
name what is to be cleared, and the discovery messages. A rehearsal clears its own at the end.

What another machine of the same workshop overwrites is published again (`others.py`).

One client object serves one connection. A client that reconnects on its own first resends what it still held:
an alarm long over would be back for a moment, and the broker might be sent more than it agreed to.
"""

import logging
import ssl
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage, MQTTMessageInfo
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from potvigil.model.broker import BrokerState
from potvigil.model.events import AlarmId, Command, Event, Snapshot, StandingAlarm
from potvigil.model.pot import Pot
from potvigil.outputs.broker import homie, homie_moments, homie_set
from potvigil.outputs.broker.homie_tree import ALERT, Message
from potvigil.outputs.broker.mqtt_address import opened_tls
from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.outputs.broker.others import Others
from potvigil.outputs.broker.retained import Retained

OnCommand = Callable[[homie_set.SetCommand], None]

_log = logging.getLogger("potvigil.mqtt")

_KEEP_ALIVE_S = 30  # a dead line is noticed, and the last will given out, after at most 45 s
_FIRST_RETRY_S, _LAST_RETRY_S = 1, 60
_FOUGHT_RETRY_S = 10  # of two that disconnect each other, each is there half of the time
_STOP_S = 2.0
_MOST_QUEUED = 1000  # messages handed to the network thread and not yet taken by the broker
_MOST_MOMENTS = 100
_MOST_REFUSALS = 10  # published in one tick; more than that is a flood, not a mistake
# MQTT 5: the broker keeps larger ones to itself. What we retain is read back: 10 kB at most, with room.
_LARGEST_PACKET = 65_536


class MqttOutput:
    """Keeps the present state of the pots on a broker. All methods are for the thread of the loop.

    on_command is called from the network thread for each `/set` message that was understood. It must be quick
    and touch nothing of the loop: hand the command to a queue, or write the record's command row through a
    connection of its own. What it raises is logged.
    """

    def __init__(
        self,
        link: MqttLink,
        workshop: str,
        pots: Iterable[Pot],
        rehearsed: bool,
        on_command: OnCommand,
        slow_interval_s: float = 5.0,
    ) -> None:
        self._link = link
        self._workshop = workshop
        self._pots = {pot.pot_id: pot for pot in pots}
        self._rehearsed = rehearsed
        self._on_command = on_command
        self._slow_interval_s = slow_interval_s
        self._retained = Retained(workshop, self._pots, rehearsed, link.discovery_prefix)
        usual_id = f"potvigil-{workshop}-{link.machine.id}" + ("-rehearsal" if rehearsed else "")
        self._client_id = link.client_id or usual_id
        self._settable = homie_set.set_topics(workshop, self._pots.values(), rehearsed)
        self._others = Others(self._where(), self._client_id, workshop, self._pots, link.machine, rehearsed)
        self._tls: ssl.SSLContext | None = None
        self._client: Client | None = None
        # written by the network thread
        self._up = threading.Event()  # connected and subscribed
        self._ended = threading.Event()  # this client's connection is over, or was refused
        self._retry_at_s = 0.0
        self._retry_delay_s = _FIRST_RETRY_S
        self._away_told = False
        self._why_away: str | None = None
        self._refused: deque[Message] = deque(maxlen=_MOST_REFUSALS)
        # of the loop's thread; `_retained` hears from the network thread until the connection is up
        self._moments: deque[Message] = deque(maxlen=_MOST_MOMENTS)
        self._first: list[Message] = []  # of this connection: what describes the values
        self._later: deque[Message] = deque()  # of this connection: what goes out once all is ready
        self._has_cleared = False
        self._newest_slow: MQTTMessageInfo | None = None
        self._fresh = True  # nothing sent yet in this connection
        self._sent: dict[str, bytes] = {}
        self._on_the_way: dict[str, MQTTMessageInfo] = {}  # the newest of each alarm topic
        self._slow_at_s = 0.0
        self._unheard: dict[tuple[str, AlarmId], StandingAlarm] = {}

    @property
    def connected(self) -> bool:
        """Whether the broker listens at this moment."""
        return self._up.is_set()

    @property
    def state(self) -> BrokerState:
        """The state of the broker, with words for a person where there is trouble."""
        trouble = None if self._why_away is None else f" is unreachable ({self._why_away})"
        if (others := self._others.trouble) is not None:
            trouble = f": {others}"
        return BrokerState(self._up.is_set(), trouble and self._where() + trouble)

    def has_told(self, pot_id: str, alarm: AlarmId) -> bool:
        """Return whether the broker has confirmed the state of an alarm in this connection."""
        topic = homie.alert_topic(self._workshop, pot_id, alarm, self._rehearsed)
        sent = self._on_the_way.get(topic)
        return self._up.is_set() and sent is not None and sent.is_published()

    @property
    def fault(self) -> str:
        """Why something was not published."""
        trouble = "does not confirm it" if self._up.is_set() else "is unreachable"
        return f"failing, {self.state.trouble or f'{self._where()} {trouble}'}"

    def start(self) -> None:
        """Start to connect; returns at once, the broker may be away. Raises MqttLinkError if it never can."""
        self._tls = opened_tls(self._link)
        self._connect()

    def publish(self, snapshots: Mapping[str, Snapshot], batch_ids: Mapping[str, int | None]) -> None:
        """Bring the broker up to date with the snapshots, by pot id. Never waits, whatever the link does."""
        if self._client is None:
            return
        self._keep_connecting()
        standing = {(pot_id, alarm.alarm): alarm for pot_id, s in snapshots.items() for alarm in s.alarms}
        if not self._up.is_set():
            self._unheard |= standing
            return
        now_s = time.monotonic()  # not the watch's time: in a rehearsal that may run a thousand times faster
        if self._fresh:
            self._fresh = False
            self._slow_at_s = now_s
            self._first = self._retained.before(int(time.time()))
            self._later = deque(self._retained.after())
            self._has_cleared = False
            for message in homie.states(self._workshop, self._pots.values(), "init", self._rehearsed):
                self._send(message)
        for topic in self._others.wiped_out(self._sent):
            self._sent.pop(topic, None)
        # a link that does not send them gets no more: QoS 0 is queued without limit
        slow_due = now_s >= self._slow_at_s and (
            self._newest_slow is None or self._newest_slow.is_published()
        )
        for message in self._wanted(snapshots, batch_ids):
            if self._sent.get(message.topic) == message.payload or (message.slow and not slow_due):
                continue
            if not self._send(message):
                return  # the rest at the next tick
            self._sent[message.topic] = message.payload
        if slow_due:
            self._slow_at_s = now_s + self._slow_interval_s
        gone = [(key[0], alarm) for key, alarm in self._unheard.items() if key not in standing]
        self._unheard.clear()
        if line := homie_moments.missed(self._workshop, gone, self._rehearsed):
            self._send(line)
        self._look_for_others(now_s)
        for waiting in (self._later, self._moments, self._refused):
            while waiting:
                message = waiting.popleft()
                if not self._send(message):
                    waiting.appendleft(message)
                    return

    def hear(self, pot_id: str, event: Event) -> None:
        """Take an event: the next `publish` sends announcements and notes to whoever is listening."""
        if self._up.is_set():
            self._tell_once(
                homie_moments.of_event(self._workshop, self._pots[pot_id], event, self._rehearsed)
            )

    def reflect(self, pot_id: str, command: Command) -> None:
        """Show that a command was carried out: publish its property again, even if unchanged."""
        path = homie_set.path_of(command)
        if path is not None:
            self._sent.pop(homie.property_topic(self._workshop, pot_id, path, self._rehearsed), None)
            self._tell_once(homie_moments.done(self._workshop, pot_id, command, self._rehearsed))

    def stop(self) -> None:
        """Publish `disconnected` and close, in 2 s at most; a rehearsal clears what it left on the broker."""
        client, self._client = self._client, None
        if client is None:
            return
        deadline_s = time.monotonic() + _STOP_S
        if self._up.is_set():
            goodbye = homie.states(self._workshop, self._pots.values(), "disconnected", self._rehearsed)
            last = None
            for message in [*goodbye, *(self._retained.removal() if self._rehearsed else ())]:
                last = client.publish(message.topic, message.payload, message.qos, message.retained)
            if last is not None and last.rc == MQTTErrorCode.MQTT_ERR_SUCCESS:
                last.wait_for_publish(deadline_s - time.monotonic())
        client.disconnect()
        # the network thread may be in a name look-up or a connection attempt: it is left to end on its own
        closer = threading.Thread(target=client.loop_stop, name="mqtt-stop", daemon=True)
        closer.start()
        closer.join(max(0.0, deadline_s - time.monotonic()))
        self._up.clear()

    def _wanted(
        self, snapshots: Mapping[str, Snapshot], batch_ids: Mapping[str, int | None]
    ) -> Iterable[Message]:
        """Yield everything that should be on the broker: alarms before numbers, `ready` after the rest."""
        yield from self._first
        known = [(self._pots[pot_id], snapshot) for pot_id, snapshot in snapshots.items()]
        for pot, snapshot in known:
            yield from homie.alerts(self._workshop, pot, snapshot, self._rehearsed)
        for pot, snapshot in known:
            batch_id = batch_ids.get(pot.pot_id)
            yield from homie.values(self._workshop, pot, snapshot, batch_id, self._rehearsed)
        yield self._others.name
        yield from homie.states(self._workshop, self._pots.values(), "ready", self._rehearsed)

    def _look_for_others(self, now_s: float) -> None:
        """Answer another machine of our workshop, and clear pots that belong to none."""
        if self._others.is_fight_over(now_s):
            self._retry_delay_s = _FIRST_RETRY_S
        if self._others.has_gone(now_s):
            self._connect()
            return
        self._later.extend(self._others.due(now_s))
        if not self._has_cleared and self._others.may_clear(now_s):
            self._has_cleared = True
            self._later.extend(self._retained.leftovers())

    def _tell_once(self, message: Message | None) -> None:
        if message is not None:
            self._moments.append(message)

    def _send(self, message: Message) -> bool:
        """Hand a message to the network thread; False if the line is down or the queue full."""
        if self._client is None:
            return False
        sent = self._client.publish(message.topic, message.payload, message.qos, message.retained)
        taken = sent.rc == MQTTErrorCode.MQTT_ERR_SUCCESS
        if taken and ALERT in message.topic:
            self._on_the_way[message.topic] = sent
        if message.slow:
            self._newest_slow = sent if taken else None
        return taken

    def _keep_connecting(self) -> None:
        """Start a new client where the last one's connection is over and its waiting time too."""
        assert self._client is not None
        # Starting a running network thread is refused; if it is not, the thread had died silently.
        if not self._ended.is_set() and self._client.loop_start() == MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._end("what it sent could not be understood")
        if self._ended.is_set() and time.monotonic() >= self._retry_at_s:
            self._connect()

    def _connect(self) -> None:
        """Start a connection, unless there is one."""
        if self._client is not None:
            self._client.disconnect()
        link = self._link
        v5 = link.version == "5"
        # A fixed id: after a power cut the broker ends our old connection as the new one opens. Under another
        # id its last will would come a keep-alive later, and call a running watch lost.
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            protocol=MQTTProtocolVersion.MQTTv5 if v5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        client.suppress_exceptions = True  # a fault in a callback must not end the network thread
        client.max_queued_messages_set(_MOST_QUEUED)
        client.username_pw_set(link.username, link.password)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        will = homie.last_will(self._workshop, self._rehearsed)
        client.will_set(will.topic, will.payload, will.qos, will.retained)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_subscribe = self._on_subscribe
        client.on_unsubscribe = self._on_unsubscribe
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        properties = None
        if v5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.MaximumPacketSize = _LARGEST_PACKET
        self._client = client
        self._up.clear()
        self._ended.clear()
        self._fresh = True
        self._sent.clear()
        self._on_the_way.clear()
        self._newest_slow = None
        self._moments.clear()
        self._refused.clear()
        self._later.clear()
        self._retained.begin()
        self._others.begin()
        client.connect_async(link.host, link.port, _KEEP_ALIVE_S, properties=properties)
        client.loop_start()

    # The rest runs on the network thread: flags and queues only.

    def _on_connect(
        self, client: Client, _data: object, _flags: ConnectFlags, reason: ReasonCode, _properties: object
    ) -> None:
        if reason.is_failure:
            self._tell_away(f"it refused the connection: {reason}")
            return
        # incoming messages have QoS 0, past any limit of messages in flight
        heard = [*self._others.filters(), *self._retained.filters()]
        client.subscribe([(topic, 1) for topic in self._settable] + [(each, 0) for each in heard])

    def _on_subscribe(
        self, client: Client, _data: object, _mid: int, reasons: list[ReasonCode], _properties: object
    ) -> None:
        if client is not self._client:
            return
        # a broker may keep the rest to itself
        if any(reason.is_failure for reason in reasons[: len(self._settable)]):
            _log.warning("%s does not allow commands; values are published", self._where())
        # its answer comes after all retained messages were sent: then it is known what is there
        client.unsubscribe(self._retained.filters())

    def _on_unsubscribe(
        self, client: Client, _data: object, _mid: int, _reasons: object, _properties: object
    ) -> None:
        if client is not self._client:
            return
        self._others.up(time.monotonic())
        if not self._others.is_fight:
            _log.info("%s is connected", self._where())
            self._retry_delay_s = _FIRST_RETRY_S
        self._away_told, self._why_away = False, None
        self._up.set()

    def _on_connect_fail(self, client: Client, _data: object) -> None:
        if client is self._client:
            self._others.failed()
            self._end(str(sys.exc_info()[1] or "no connection"))  # called while the error is being handled

    def _on_disconnect(
        self, client: Client, _data: object, _flags: DisconnectFlags, reason: ReasonCode, _properties: object
    ) -> None:
        if client is self._client:
            self._others.ended(time.monotonic(), reason.value)
            self._end(str(reason))

    def _on_message(self, client: Client, _data: object, message: MQTTMessage) -> None:
        if client is not self._client:
            return
        payload = bytes(message.payload)
        if self._retained.hear(message.topic, payload):
            return
        if not message.topic.endswith("/set"):
            self._others.hear(message.topic, payload, message.retain, time.monotonic())
            return
        # a retained one would be obeyed again at each connection
        outcome: homie_set.SetCommand | homie_set.Refusal | None = (
            homie_set.Refusal("retained; set without retaining")
            if message.retain
            else homie_set.parse_set(self._workshop, message.topic, payload, self._rehearsed)
        )
        if isinstance(outcome, homie_set.Refusal):
            _log.warning("MQTT message on %s refused: %s", message.topic, outcome.reason)
            self._refused.append(homie_moments.refused_set(message.topic, outcome.reason))
        elif outcome is not None and outcome.pot_id in self._pots:
            try:
                self._on_command(outcome)
            except Exception as error:
                _log.error("MQTT command on %s was not accepted: %s", message.topic, error)

    def _end(self, why: str) -> None:
        self._up.clear()
        self._tell_away(why)
        self._retry_at_s = time.monotonic() + self._retry_delay_s
        longest_s = _FOUGHT_RETRY_S if self._others.is_fight else _LAST_RETRY_S
        self._retry_delay_s = min(2 * self._retry_delay_s, longest_s)
        self._ended.set()

    def _tell_away(self, why: str) -> None:
        self._why_away = why
        if not self._away_told and not self._others.is_fight:  # once an outage
            _log.warning(
                "%s is unreachable (%s); monitoring continues, and the connection is retried",
                self._where(),
                why,
            )
            self._away_told = True

    def _where(self) -> str:
        return f"MQTT broker {self._link.host}:{self._link.port}"
