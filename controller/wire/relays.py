"""Orders out: one numbered, signed command stream per node; plain relays have a connection and a Will of their own."""

import time
from pathlib import Path

import paho.mqtt.client as mqtt

from controller.clock import Moment
from controller.enclosure_settings import Enclosure, Heater
from controller.errors import BrokerError
from controller.safety.lease import Order
from controller.settings import Settings
from controller.wire import few_calls, session
from controller.wire.relay import encode_command

LET_OUT_S, LET_OUT_LOOKS = 0.002, 40
"""[s] that an opening may take to be sent, and looks at it within that: then it waits for nothing that the loop does
next. Source: engineering judgement; the median reaction is a tenth shorter."""
OFF = Order(False, False, "another client has won our name")


def read_key(path: Path | None) -> bytes | None:
    """Read the key shared with a node; None where settings name none.

    Raises
    ------
    BrokerError
        If the file cannot be read.
    """
    if path is None:
        return None
    try:
        return path.read_bytes().strip()
    except OSError as error:
        raise BrokerError(f"relay key {path} cannot be read: {error.strerror}; `soilward init` writes keys") from error


class Relays:
    """Every relay of the site.

    `seq_of` gives the number of the last command sent to each node; 0 before the first.

    Parameters
    ----------
    start
        `issued` counts on from here by the monotonic clock, so a jump of the wall clock changes no lease.
    """

    def __init__(self, settings: Settings, client: few_calls.Client, epoch: int, identity: str, start: Moment) -> None:
        self._settings, self._client, self._epoch, self.identity = settings, client, epoch, identity
        self._start = start
        self._seq = 0
        self.seq_of = {each.name: 0 for each in settings.enclosure}
        self._enclosures = {each.name: each for each in settings.enclosure}
        self._keys = {each.name: read_key(each.heater.key_file) for each in settings.enclosure}
        self._plain = {each.name: self._plain_client(each) for each in settings.enclosure if _is_plain(each)}
        client.max_inflight_messages_set(1000)

    def _plain_client(self, enclosure: Enclosure) -> few_calls.Client:
        heater = enclosure.heater
        will = (heater.plain_topic or "", heater.plain_off.encode(), False)
        client = session.make_client(self._settings, f"soilward-{self.identity}-{enclosure.name}-relay", will)
        session.connect(client, self._settings.broker, kept=False)
        return client

    @property
    def has_died(self) -> bool:
        """Whether a fault has ended the thread of a plain relay's connection: lost, it is never made anew."""
        return any(client.has_died for client in self._plain.values())

    def raise_epoch(self, epoch: int) -> None:
        """Command under a later epoch from now on."""
        self._epoch = epoch

    def send(self, name: str, order: Order, now: Moment) -> None:
        """Send an order now or never: nothing waits for a broker that is away."""
        enclosure = self._enclosures[name]
        if name in self._plain:
            self._send_plain(self._plain[name], enclosure.heater, order)
            return
        if not self._client.is_connected():
            return
        self._seq += 1
        self.seq_of[name] = self._seq
        issued_ms = self._start.utc_ms + round((now.mono_s - self._start.mono_s) * 1000)
        lease_s, key = enclosure.heater.lease_s, self._keys[name]
        payload = encode_command(order, lease_s, self._epoch, self._seq, issued_ms, self.identity, key)
        expiry = session.expiring(self._settings.broker, lease_s)
        topic = f"{self._settings.broker.root}/{name}/heater/command"
        self._client.publish(topic, payload, qos=1, retain=False, properties=expiry)

    def let_out(self) -> None:
        """Let the network thread send what waits before this one, which is busy, goes on; wait for it 2 ms at most."""
        self._client.let_out()
        for _ in range(LET_OUT_LOOKS):
            if not self._client.want_write():
                return
            time.sleep(LET_OUT_S / LET_OUT_LOOKS)

    def _send_plain(self, client: mqtt.Client, heater: Heater, order: Order) -> None:
        """QoS 0: what is lost with its connection must not be sent again on the next, after the Will's off."""
        if client.is_connected():
            word = heater.plain_on if order.on else heater.plain_off
            client.publish(heater.plain_topic or "", word.encode(), qos=0, retain=False)

    def yield_plain(self) -> None:
        """Leave the plain relays, off, to whoever has won our name; nothing connects to them again."""
        for name, client in self._plain.items():
            self._send_plain(client, self._enclosures[name].heater, OFF)
            client.disconnect()

    def close(self) -> None:
        """Disconnect the plain relays' connections."""
        for client in self._plain.values():
            client.disconnect()
            client.loop_stop()


def _is_plain(enclosure: Enclosure) -> bool:
    return enclosure.heater.relay == "plain"
