"""What goes to an MQTT broker and comes from it: the Homie tree, discovery, and the connection."""
