"""Acknowledging from the page of all records: a command to the watch, done once its own state confirms it."""

import asyncio
import time

from potvigil.model.events import AlarmId, AlarmState
from potvigil.outputs.broker.homie_set import set_payload
from potvigil.outputs.broker.homie_tree import topic_base
from potvigil.page.many.broker.listener import EXPIRES_S, Listener
from potvigil.page.many.broker.trees import PotHeard

ANSWER_S = float(EXPIRES_S)
LOOK_AGAIN_S = 0.05
TO_ACKNOWLEDGE = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)
_ACKNOWLEDGE = "alarms/acknowledge"
# What a watch's warning starts with when it refuses a command.
_REFUSALS = ("Refused: ", f"{_ACKNOWLEDGE} was not set: ")


class NotAcknowledgedError(Exception):
    """Why nothing was acknowledged, as far as is known; one sentence."""


async def acknowledge(listener: Listener, workshop: str, pot_id: str, alarm: AlarmId, by: str) -> None:
    """Acknowledge an alarm, and wait for the watch to confirm. Raises NotAcknowledgedError.

    Does nothing if somebody has acknowledged it meanwhile.
    """
    asked_s = time.monotonic()
    state = _state(_live_pot(listener, workshop, pot_id), alarm)
    if state is AlarmState.NORMAL:
        raise NotAcknowledgedError("It is not active: there is nothing to acknowledge")
    if state is AlarmState.ACKNOWLEDGED:
        return
    topic = f"{topic_base(workshop, pot_id, rehearsed=False)}/{_ACKNOWLEDGE}/set"
    if not listener.ask(topic, set_payload(alarm, by)):
        raise NotAcknowledgedError(listener.trouble or "The broker did not take it")
    while time.monotonic() - asked_s < ANSWER_S:
        await asyncio.sleep(LOOK_AGAIN_S)
        heard = _live_pot(listener, workshop, pot_id)
        if _state(heard, alarm) not in TO_ACKNOWLEDGE:
            return
        if heard.warned is not None and heard.warned[1] >= asked_s and heard.warned[0].startswith(_REFUSALS):
            raise NotAcknowledgedError(f"The watch says: {heard.warned[0]}")
    raise NotAcknowledgedError(f"The watch did not answer within {ANSWER_S:.0f} s")


def _live_pot(listener: Listener, workshop: str, pot_id: str) -> PotHeard:
    """Return a pot's state over MQTT. Raises NotAcknowledgedError if it is not live."""
    if listener.trouble is not None:
        raise NotAcknowledgedError(listener.trouble)
    heard = listener.trees.pot(workshop, pot_id)
    if heard is None or not heard.is_live(time.monotonic()):
        raise NotAcknowledgedError("Its Pi is silent")
    return heard


def _state(heard: PotHeard, alarm: AlarmId) -> AlarmState:
    """Return an alarm's state. Raises NotAcknowledgedError if it cannot be acknowledged."""
    if heard.alarms is None:
        raise NotAcknowledgedError("Its watch is of an earlier version; update the Pi")
    state = next((each.state for each in heard.alarms if each.alarm is alarm), AlarmState.NORMAL)
    if state is AlarmState.SHELVED:
        raise NotAcknowledgedError("It is shelved")
    return state
