"""Everything to and from an MQTT broker: the Homie tree, discovery, and the connection."""
