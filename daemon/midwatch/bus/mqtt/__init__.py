"""The bus over MQTT, for real nights: the client, its link, a broker for one machine."""

from midwatch.bus.mqtt.embedded_broker import EmbeddedBroker
from midwatch.bus.mqtt.mqtt_bus import MqttBus

__all__ = ["EmbeddedBroker", "MqttBus"]
