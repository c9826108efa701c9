"""A foreign MQTT client (paho-mqtt): publishes at QoS 1 and knows what the broker has confirmed."""

import threading

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

MOST_UNCONFIRMED = 500


class Publisher:
    """Keeps its session and resends what was not confirmed, whatever happens to the broker."""

    def __init__(self, port, client_id, version=3, user=None, password=None):
        self.version = version
        protocol = mqtt.MQTTv5 if version == 5 else mqtt.MQTTv311
        session = {} if version == 5 else {"clean_session": False}
        self.client = mqtt.Client(
            mqtt.CallbackAPIVersion.VERSION2, client_id=client_id, protocol=protocol, **session
        )
        if user is not None:
            self.client.username_pw_set(user, password)
        self.client.max_inflight_messages_set(100)
        self.client.max_queued_messages_set(0)
        self.client.reconnect_delay_set(0.1, 1)
        self.client.on_publish = self._confirmed
        self.client.on_connect = self._connected
        self.lock = threading.Condition()
        self.sent = 0
        self.confirmed = 0
        self.refused = None
        self.connected = False
        properties = {}
        if version == 5:
            keep = Properties(PacketTypes.CONNECT)
            keep.SessionExpiryInterval = 3600
            properties = {"clean_start": False, "properties": keep}
        self.client.connect("127.0.0.1", port, keepalive=30, **properties)
        self.client.loop_start()
        with self.lock:
            if not self.lock.wait_for(lambda: self.connected or self.refused, timeout=20):
                raise SystemExit("no answer from the broker")
        if self.refused:
            raise SystemExit(f"refused: {self.refused}")

    def _connected(self, _client, _data, _flags, reason, _properties):
        with self.lock:
            self.refused = str(reason) if reason.is_failure else None
            self.connected = not reason.is_failure
            self.lock.notify_all()

    def _confirmed(self, _client, _data, _mid, _reason, _properties):
        with self.lock:
            self.confirmed += 1
            self.lock.notify_all()

    def publish(self, topic, payload, content_type=None, retain=False):
        properties = None
        if content_type is not None and self.version == 5:
            properties = Properties(PacketTypes.PUBLISH)
            properties.ContentType = content_type
        with self.lock:
            self.lock.wait_for(lambda: self.sent - self.confirmed < MOST_UNCONFIRMED)
            self.sent += 1
        self.client.publish(topic, payload, qos=1, retain=retain, properties=properties)

    def all_confirmed(self, seconds=120):
        with self.lock:
            if not self.lock.wait_for(lambda: self.sent == self.confirmed, timeout=seconds):
                raise SystemExit(f"{self.sent - self.confirmed} of {self.sent} not confirmed")

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()
