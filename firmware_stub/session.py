"""Keeps one MQTT connection's protocol: sign in, subscribe, acknowledge, ping, give up.

It must never touch a socket; it turns time and bytes into bytes to write and events for the brain.
"""

import chance
import packets

KEEPALIVE_S = 10
PING_MS = 5000
ANSWER_MS = 5000
RETRY_MS = 500
RETRY_MS_MAX = 5000


class SessionError(Exception):
    """The broker refused or no longer answers; the connection is of no more use."""


class Backoff:
    """Waits that double up to a bound, each drawn between half and all of it.

    Seeded with the board's boot id: after a broker's restart no two boards come back in step.
    """

    def __init__(self, boot):
        self._chance = chance.Chance(int(boot, 16))
        self._ceiling_ms = RETRY_MS

    def draw_ms(self, below_ms):
        return self._chance.below(below_ms)

    def next_ms(self):
        ceiling_ms = self._ceiling_ms
        self._ceiling_ms = min(RETRY_MS_MAX, 2 * ceiling_ms)
        return ceiling_ms // 2 + self.draw_ms(ceiling_ms // 2)

    def reset(self):
        self._ceiling_ms = RETRY_MS


class Session:
    """One connection, from its first byte; a new connection takes a new session."""

    def __init__(self, config):
        self._config = config
        self._parser = packets.Parser()
        self._tokens = {}
        self._last_packet_id = 0
        self._deadline_ms = 0
        self._ping_due_ms = 0
        self._ping_sent_ms = None
        self._subscribe_id = 0
        self.is_up = False

    def open(self, ms, will_topic, will_payload):
        self._deadline_ms = ms + ANSWER_MS
        return packets.connect(
            self._config.id,
            KEEPALIVE_S,
            (will_topic, will_payload),
            self._config.username,
            self._config.password,
        )

    def publish(self, topic, payload, qos, retain, token):
        packet_id = 0
        if qos:
            packet_id = self._next_packet_id()
            self._tokens[packet_id] = token
        return packets.publish(topic, payload, qos, retain, packet_id)

    def receive(self, ms, data):
        """(events for the brain, packets to write); raises PacketError or SessionError."""
        events, replies = [], []
        for packet in self._parser.feed(data):
            self._take(ms, packet, events, replies)
        return events, replies

    def due(self, ms):
        """The packets that time alone asks for; raises SessionError once an answer is overdue."""
        if not self.is_up:
            if ms >= self._deadline_ms:
                raise SessionError("no answer to the sign-in")
            return []
        if self._ping_sent_ms is not None:
            if ms - self._ping_sent_ms >= ANSWER_MS:
                raise SessionError("no answer to a ping")
            return []
        if ms < self._ping_due_ms:
            return []
        self._ping_sent_ms = ms
        return [packets.pingreq()]

    def _take(self, ms, packet, events, replies):
        kind = packet[0]
        if kind == "publish":
            events.append(("message", packet[1], packet[2], packet[4]))
            if packet[3]:
                replies.append(packets.puback(packet[6]))
        elif kind == "puback":
            token = self._tokens.pop(packet[1], 0)
            if token:
                events.append(("acked", token))
        elif kind == "pingresp":
            self._ping_sent_ms = None
            self._ping_due_ms = ms + PING_MS
        elif kind == "connack":
            if packet[1]:
                raise SessionError("sign-in refused with code %d" % packet[1])
            self._subscribe_id = self._next_packet_id()
            replies.append(packets.subscribe(self._subscribe_id, self._filters()))
        elif packet[1] == self._subscribe_id:
            self._subscribed(ms, packet[2], events)

    def _subscribed(self, ms, codes, events):
        if 0x80 in codes:
            raise SessionError("a subscription was refused")
        self.is_up = True
        self._ping_due_ms = ms + PING_MS
        events.append(("connected",))

    def _filters(self):
        """The stop first: its retained word is here before anything else is."""
        root, own = self._config.root, "%s/%s" % (self._config.root, self._config.id)
        return [
            (root + "/all/stop", 1),
            (root + "/all/beat", 0),
            (own + "/settings", 1),
            (own + "/cue", 1),
        ]

    def _next_packet_id(self):
        packet_id = self._last_packet_id
        while packet_id == self._last_packet_id or packet_id in self._tokens:
            packet_id = packet_id % packets.PACKET_ID_MAX + 1
        self._last_packet_id = packet_id
        return packet_id
