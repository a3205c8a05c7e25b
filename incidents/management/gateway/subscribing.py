"""A machine that publishes by MQTT to the device door: acknowledged to the broker once the server has answered.

The machine numbers its observations itself (`sequence`): a broker may drop what it holds for a gateway that is
away, and says so to nobody; numbers that are missing show it.
"""

from __future__ import annotations

import json
import queue
from collections.abc import Callable
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, MQTTMessage, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from incidents.management.gateway.config import Config, Mqtt, Odd, secret
from incidents.management.gateway.door import Away, Clock, Patience, send_all
from incidents.management.gateway.rejects import Rejects

QOS = 1
GATHER_S = 0.05  # how long a batch that is not full waits for more
KEEP_ALIVE_S = 30


class Subscription:
    """One session with the broker that outlives the connection: what was not acknowledged comes again."""

    def __init__(self, told: Mqtt, say: Callable[[str], None]) -> None:
        self.told, self.say = told, say
        self.arrived: queue.SimpleQueue[MQTTMessage] = queue.SimpleQueue()
        self.client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=told.client_id,
            clean_session=False,
            protocol=MQTTv311,
            manual_ack=True,
        )
        if told.username:
            self.client.username_pw_set(told.username, secret(told.password_file, told.password_env))
        if told.tls:
            self.client.tls_set()
        self.client.on_connect = self._connected
        self.client.on_message = self._message
        self.client.on_disconnect = self._disconnected

    def open(self) -> None:
        """Connect, now or as soon as the broker is there; from then on whenever the line breaks."""
        self.client.reconnect_delay_set(min_delay=1, max_delay=60)
        self.client.connect_async(self.told.host, self.told.port, keepalive=KEEP_ALIVE_S)
        self.client.loop_start()

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def gather(self, limit: int) -> list[MQTTMessage]:
        """Some messages, as they came; none after a while in which nothing did."""
        found: list[MQTTMessage] = []
        try:
            found.append(self.arrived.get(timeout=1.0))
            while len(found) < limit:
                found.append(self.arrived.get(timeout=GATHER_S))
        except queue.Empty:
            pass
        return found

    def acknowledge(self, message: MQTTMessage) -> None:
        self.client.ack(message.mid, message.qos)

    def _connected(self, client: Client, _data: Any, _flags: Any, code: ReasonCode, _more: Any) -> None:
        if code.is_failure:
            self.say(f"The broker refuses: {code}.")
            return
        client.subscribe(self.told.topic, QOS)
        self.say(f"Connected to the broker; subscribed to {self.told.topic}.")

    def _message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        self.arrived.put(message)

    def _disconnected(self, _client: Client, _data: Any, _flags: Any, code: ReasonCode, _more: Any) -> None:
        if code.is_failure:
            self.say(f"The line to the broker broke: {code}.")


def subscribe(config: Config, clock: Clock, pause: Callable[[float], bool], say: Callable[[str], None]) -> None:
    """Until told to stop. Raises Odd."""
    if config.mqtt is None:
        raise Odd("There is no [mqtt] table.")
    subscription = Subscription(config.mqtt, say)
    rejects = Rejects(Path(config.mqtt.rejects), clock)
    patience = Patience(config.door)
    subscription.open()
    try:
        while pause(0):
            messages = subscription.gather(config.door.batch)
            if messages and not _pass_on(config, messages, subscription, rejects, patience, clock, pause, say):
                return
    finally:
        subscription.close()


def _pass_on(
    config: Config,
    messages: list[MQTTMessage],
    subscription: Subscription,
    rejects: Rejects,
    patience: Patience,
    clock: Clock,
    pause: Callable[[float], bool],
    say: Callable[[str], None],
) -> bool:
    """Send them until the server has answered, then acknowledge each; False where it was told to stop before."""
    events = [_event_of(message) for message in messages]
    sound = [event for event in events if event is not None]
    while True:
        try:
            said = iter(send_all(config.door, sound, clock) if sound else [])
            break
        except Away as away:
            wait = patience.after(away)
            say(f"{len(sound)} or more observations wait; again in {wait:.0f} s ({away}).")
            if not pause(wait):
                return False
    patience.answered()
    for message, event in zip(messages, events, strict=True):
        word = next(said) if event is not None else None
        if word is None or not word.taken:
            why = "not sent, it is no JSON object" if word is None else f"not taken by the server, {word.why}"
            rejects.write(message.topic, why, message.payload.decode("utf-8", "replace"))
        subscription.acknowledge(message)
    return True


def _event_of(message: MQTTMessage) -> dict[str, Any] | None:
    try:
        told = json.loads(message.payload)
    except ValueError:
        return None
    return told if isinstance(told, dict) else None
